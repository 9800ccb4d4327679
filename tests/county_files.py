"""A folder as a county's offices would hand it over, of an invented place, all in feet.

Roads are a shapefile in a state-plane system (US survey feet), heights a GeoTIFF in feet,
parcels and building footprints two layers of one GeoPackage, counts a workbook.
"""

from __future__ import annotations

import re
from pathlib import Path

import geopandas as gpd
import numpy as np
import rasterio
import shapely
from affine import Affine
from openpyxl import Workbook

CRS = "EPSG:2232"
EAST, NORTH = 2_900_000.0, 1_650_000.0  # corner of the area [US survey ft]
CELL_FT = 30.0
WIDTH_FT, DEPTH_FT = 15_000.0, 6_000.0
GUIDE = Path(__file__).parents[1] / "docs" / "your-own-files.md"

ROADS = [
    ("Mill Hill Road", "Major Arterial", 35, [(500, 3000), (7500, 3000)]),
    ("Mill Hill Road", "Major Arterial", 45, [(7500, 3000), (14500, 3000)]),
    ("Oak Street", "Local", 25, [(2500, 3000), (2500, 4500)]),
    ("Elm Street", "Local", 25, [(3500, 3000.8), (3500, 4500)]),  # drawn not quite to the road
]
HOURS = range(24)


def height_ft(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """A grade of 6 % from 2,000 ft east on, level below it."""
    return 5400.0 + 0.06 * np.maximum(x - EAST - 2000.0, 0.0) + 0.002 * (y - NORTH)


def write_roads(path: Path, crs: str | None = CRS) -> None:
    frame = gpd.GeoDataFrame(
        {
            "STREET": [road[0] for road in ROADS],
            "CLASS": [road[1] for road in ROADS],
            "SPEED_MPH": [road[2] for road in ROADS],
        },
        geometry=[
            shapely.LineString([(EAST + x, NORTH + y) for x, y in road[3]]) for road in ROADS
        ],
        crs=crs,
    )
    frame.to_file(path, engine="pyogrio")


def write_heights(
    path: Path, *, cell: float = CELL_FT, x0: float = EAST, gap: float | None = None
) -> None:
    columns, rows = round(WIDTH_FT / cell), round(DEPTH_FT / cell)
    x = x0 + cell * (np.arange(columns) + 0.5)
    y = NORTH + cell * (np.arange(rows) + 0.5)
    value = height_ft(x[None, :] - x0 + EAST, y[::-1][:, None]).astype("float32")
    if gap is not None:
        value[98:103, 200:205] = gap  # under the road
    with rasterio.open(
        path, "w", driver="GTiff", width=columns, height=rows, count=1, dtype="float32", crs=CRS,
        transform=Affine(cell, 0.0, x0, 0.0, -cell, NORTH + DEPTH_FT),
    ) as file:  # fmt: skip
        file.write(value, 1)


def parcels() -> gpd.GeoDataFrame:
    uses = ["SFR"] * 10 + ["MFR", "SCH", "VAC", "SFR"]
    units = [1] * 10 + [8, 0, 0, 1]
    west = [EAST + 1200 + 220 * n for n in range(len(uses))]
    return gpd.GeoDataFrame(
        {
            "PIN": [f"0{n:02d}-A" for n in range(len(uses))],
            "SITUS": [f"{100 + n} Mill Hill Road" for n in range(len(uses))],
            "LAND_USE": uses,
            "UNITS": units,
        },
        geometry=[shapely.box(x, NORTH + 3100, x + 200, NORTH + 3300) for x in west],
        crs=CRS,
    )


def footprints() -> gpd.GeoDataFrame:
    lots = parcels().iloc[:12]
    shapes = [shapely.box(b[0] + 60, b[1] + 40, b[0] + 110, b[1] + 80) for b in lots.bounds.values]
    return gpd.GeoDataFrame({"STORIES": [2] * 10 + [4, 1]}, geometry=shapes, crs=CRS)


def write_parcels(path: Path, lots: gpd.GeoDataFrame | None = None) -> None:
    path.unlink(missing_ok=True)
    (parcels() if lots is None else lots).to_file(path, layer="parcels", engine="pyogrio")
    footprints().to_file(path, layer="footprints", engine="pyogrio")


def count_rows() -> list[list[object]]:
    rows: list[list[object]] = [["Station", "Street", "Hour", "Vehicle", "Avg per hour"]]
    for hour in HOURS:
        for kind, number in (("Car", 300), ("Single unit", 20), ("Combination", 25)):
            rows.append([7, "Mill Hill Road", f"{hour:02d}:00", kind, number])
    return rows


def write_counts(path: Path, rows: list[list[object]] | None = None) -> None:
    book = Workbook()
    for row in count_rows() if rows is None else rows:
        book.active.append(row)
    book.save(path)


def guide_study() -> str:
    """The study file that the guide for users prints."""
    found = re.findall(r"```toml\n(.*?)```", GUIDE.read_text(encoding="utf-8"), re.DOTALL)
    return next(text for text in found if text.startswith("schema = 1"))


def write_county(folder: Path) -> Path:
    """The folder with all its files; returns the study file."""
    write_roads(folder / "county_roads.shp")
    write_heights(folder / "elevation.tif")
    write_parcels(folder / "parcels.gpkg")
    write_counts(folder / "counts.xlsx")
    study = folder / "study.toml"
    study.write_text(guide_study(), encoding="utf-8")
    return study
