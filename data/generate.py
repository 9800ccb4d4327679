"""Make the demo data of "Brindle Gap": run `python data/generate.py [OUT]`.

EVERYTHING HERE IS INVENTED: the town, its roads, heights, homes, people, counts
and readings.  The place lies in UTM zone 6N (EPSG:32606) over open ocean, so it
cannot be mistaken for a real one.  The seed is fixed: two runs write the same
data.  Some faults are put in on purpose; manifest.json lists every one of them.
"""

from __future__ import annotations

import json
import shutil
import sys
from pathlib import Path

import design_roads as roads
import design_tables as tables
import geopandas as gpd
import numpy as np
import numpy.typing as npt
import rasterio
from design_ground import CELL, NODATA, NORTH, WEST, Grid, on_ground, terrain, void_mask
from design_town import COUNTS, Building, buildings, creek, land_use, walls
from design_ways import Way, ways
from rasterio.transform import from_origin
from shapely import set_precision
from shapely.affinity import translate
from shapely.geometry import LineString, mapping
from shapely.geometry.base import BaseGeometry

FloatArray = npt.NDArray[np.float64]

SEED = 20260101
INVENTED = "Invented demo data: Brindle Gap does not exist."
DECIMALS = 7  # of a degree: about a centimetre
HEIGHT_STEP = 0.1  # [m]
BANDS = (50, 100, 300, 500, 1000)  # distances to SR 77 counted in the manifest [m]


def write_terrain(path: Path, grid: Grid, heights: FloatArray) -> None:
    """The heights as a raster, rounded to a decimetre, with the voids left empty."""
    rounded = np.round(heights / HEIGHT_STEP) * HEIGHT_STEP
    rounded[void_mask(grid)] = NODATA
    corner = (roads.ORIGIN[0] + WEST, roads.ORIGIN[1] + NORTH)
    with rasterio.open(
        path,
        "w",
        driver="GTiff",
        height=grid.shape[0],
        width=grid.shape[1],
        count=1,
        dtype="float32",
        crs=roads.CRS,
        transform=from_origin(*corner, CELL, CELL),
        nodata=NODATA,
        compress="deflate",
        predictor=3,
        zlevel=9,
        tiled=True,
    ) as file:
        file.write(rounded.astype("float32"), 1)
        file.update_tags(description=INVENTED)


def write_geojson(
    path: Path, name: str, shapes: list[BaseGeometry], properties: list[dict[str, object]]
) -> None:
    """Local shapes as GeoJSON in longitude and latitude, one feature a line."""
    placed = [translate(s, *roads.ORIGIN) for s in shapes]
    turned = gpd.GeoSeries(placed, crs=roads.CRS).to_crs("EPSG:4326")
    features = [
        json.dumps(
            {"type": "Feature", "properties": p, "geometry": _rounded(mapping(g))},
            separators=(",", ":"),
        )
        for g, p in zip(turned, properties, strict=True)
    ]
    head = f'{{"type":"FeatureCollection","name":"{name}","description":"{INVENTED}","features":[\n'
    path.write_text(head + ",\n".join(features) + "\n]}\n", encoding="utf-8")


def _rounded(value: object) -> object:
    if isinstance(value, float):
        return round(value, DECIMALS)
    if isinstance(value, dict):
        return {k: _rounded(v) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [_rounded(v) for v in value]
    return value


def write_truth(path: Path, lines: dict[str, roads.Designed]) -> None:
    """The designed profiles, every 10 m: what a grade fit should find."""
    rows = ["road,chainage_m,x_m,y_m,height_m,grade_pct,structure"]
    for name, line in lines.items():
        lies = on_ground(line) if name == "SR 77" else np.ones(line.s.shape, dtype=bool)
        for k in range(0, len(line.s), 10):
            place = "ground" if lies[k] else _structure(line.s[k])
            x, y = line.x[k] + roads.ORIGIN[0], line.y[k] + roads.ORIGIN[1]
            rows.append(
                f"{name},{line.s[k]:.1f},{x:.2f},{y:.2f},"
                f"{line.z[k]:.3f},{line.grade[k] * 100:.3f},{place}"
            )
    path.write_text("\n".join(rows) + "\n", encoding="utf-8")


def _structure(chainage: float) -> str:
    return "tunnel" if roads.TUNNEL[0] < chainage < roads.TUNNEL[1] else "bridge"


def home_rows(built: list[Building]) -> list[dict[str, object]]:
    """Properties of the buildings; people only where a count is known."""
    rows: list[dict[str, object]] = []
    for number, b in enumerate(built, start=1):
        row: dict[str, object] = {"id": f"H{number:03d}", "label": b.label, "kind": b.kind}
        row |= {"place": b.place, "dwellings": b.dwellings, "levels": b.levels}
        if b.people is not None:
            row["people"] = b.people
        rows.append(row)
    return rows


def manifest(
    main: roads.Designed, old: roads.Designed, drawn: list[Way], built: list[Building], grid: Grid
) -> dict[str, object]:
    """What the data hold and what is wrong in them on purpose."""
    axis = LineString(np.column_stack([main.x, main.y]))
    away = np.array([b.shape.distance(axis) for b in built if b.place in COUNTS])
    homes = home_rows(built)
    crossed = [r["id"] for r, b in zip(homes, built, strict=True) if not b.shape.is_valid]
    holed = [r["id"] for r, b in zip(homes, built, strict=True) if b.shape.geom_type != "Polygon"]
    marked = [r["id"] for r in homes if "<" in str(r["label"])]
    dirt = [
        d for w in drawn if w.dirt for d in [{"file": "roads.geojson", "id": w.way_id, **w.dirt}]
    ]
    dirt += [
        {"file": "homes.geojson", "id": crossed[0], "fault": "self-crossing polygon"},
        {"file": "homes.geojson", "id": holed[0], "fault": "multipolygon with a hole"},
        {"file": "homes.geojson", "id": marked[0], "fault": "markup in a label"},
        {"file": "terrain.tif", "fault": "void cells", "count": int(void_mask(grid).sum())},
    ]
    dirt += [{"file": "readings.csv", **fault} for fault in tables.READING_FAULTS]
    return {
        "invented": True,
        "name": "Brindle Gap",
        "crs": roads.CRS,
        "seed": SEED,
        "homes": {"buildings": len(built), "places": COUNTS},
        "homes_within_m_of_sr77": {str(b): int((away <= b).sum()) for b in BANDS},
        "sr77": {
            "length_m": roads.SR77_LENGTH,
            "drop_from_summit_m": round(float(main.z.max() - main.z.min()), 1),
            "grade_table_pct": [list(row) for row in roads.SR77_GRADES],
            "smoothing_m": roads.SMOOTHING,
            "tunnel_m": list(roads.TUNNEL),
            "bridge_m": list(roads.BRIDGE),
            "escape_ramp_m": roads.ESCAPE_RAMP,
        },
        "old_grade_road": {
            "leaves_sr77_at_m": roads.OLD_GRADE_TOP,
            "joins_sr77_at_m": roads.OLD_GRADE_FOOT,
            "length_m": round(float(old.s[-1]), 1),
            "longer_than_sr77_pct": round(
                100.0 * (float(old.s[-1]) / (roads.OLD_GRADE_FOOT - roads.OLD_GRADE_TOP) - 1.0), 1
            ),
        },
        "dirt": dirt,
    }


def generate(out: Path) -> None:
    """Write every data file into a folder."""
    out.mkdir(parents=True, exist_ok=True)
    main = roads.sr77()
    old = roads.old_grade(main)
    ramp = roads.escape_ramp(main)
    others = roads.draped(main)
    grid = Grid.whole()
    heights = terrain(grid, main, [old, ramp], list(others.values()), np.random.default_rng(SEED))
    every: dict[str, roads.Line] = {**others, "Old Grade Road": old, "Escape ramp": ramp}
    built = buildings(main, every, creek(), np.random.default_rng(SEED + 1))
    drawn = ways(main, every)
    ground = land_use(main, built)
    screens = walls(main)

    write_terrain(out / "terrain.tif", grid, heights)
    write_truth(out / "truth.csv", {"SR 77": main, "Old Grade Road": old})
    write_geojson(
        out / "roads.geojson",
        "roads",
        [w.line for w in drawn],
        [{"id": w.way_id, **w.tags} for w in drawn],
    )
    write_geojson(out / "homes.geojson", "homes", [b.shape for b in built], home_rows(built))
    write_geojson(
        out / "ground.geojson",
        "ground",
        [set_precision(g, 0.01) for g, _ in ground],
        [{"id": f"G{k:02d}", **p} for k, (_, p) in enumerate(ground, start=1)],
    )
    write_geojson(
        out / "obstacles.geojson", "obstacles", [g for g, _ in screens], [p for _, p in screens]
    )
    tables.write_traffic(out / "traffic.csv")
    tables.write_readings(out / "readings.csv", np.random.default_rng(SEED + 2))
    text = json.dumps(manifest(main, old, drawn, built, grid), indent=1)
    (out / "manifest.json").write_text(text + "\n", encoding="utf-8")
    study = Path(__file__).with_name("study.toml")
    if study.exists() and study.parent != out.resolve():
        shutil.copyfile(study, out / "study.toml")


if __name__ == "__main__":
    generate(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent)
