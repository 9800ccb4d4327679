"""A county's folder as an outsider would have it, by the guide's own study file, and spoiled."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import county_files as county
import geopandas as gpd
import numpy as np
import pytest
import rasterio
import shapely
from click.testing import CliRunner

from noisemap.cli.study import check_command
from noisemap.errors import NoisemapError
from noisemap.study.check import check_study
from noisemap.study.progress import Silent
from noisemap.study.run import run_study

FOOT = 1200.0 / 3937.0


@pytest.fixture
def study(tmp_path: Path) -> Path:
    return county.write_county(tmp_path)


def test_folder_is_understood_and_runs(study: Path) -> None:
    sheet = study.parent / "sheet"
    result = CliRunner().invoke(check_command, [str(study), "--sheet", str(sheet), "--json", "-q"])
    assert result.exit_code == 0, result.output
    found = json.loads(result.output)
    assert found["problems"] == []
    assert found["warnings"] == []
    assert found["crs"] == "EPSG:32613"
    assert (sheet / "scene-sheet.html").is_file()
    (road,) = found["roads"]
    # grid lengths of two projections differ by under 1 in 1,000
    assert road["length_m"] == pytest.approx(14_000 * FOOT, rel=1e-3)
    assert road["upper_m"] == pytest.approx((5400 + 0.06 * 12_500 + 6) * FOOT, abs=1.0)
    (descent,) = found["descents"]
    assert descent["mean_grade"] == pytest.approx(0.06, abs=0.001)
    assert descent["drop_m"] == pytest.approx(0.06 * 12_500 * FOOT, rel=0.02)
    assert found["facts"]["terrain_voids"] == 0
    assert found["homes"] == 13  # ten houses, one block, the school, one lot without outline
    assert found["people"] == pytest.approx(19 * 2.5)
    assert sum("ended on way 1" in line for line in found["repairs"]) == 2
    assert found["vehicle_km_per_day"] == pytest.approx(
        24 * 345 * road["length_m"] / 1000, rel=1e-4
    )

    done = run_study(study, None, Silent())
    assert [zone.zone.name for zone in done.findings.zones] == ["foot of the hill"]
    assert float(done.findings.before.l_a_max.max()) > 60.0
    assert done.scene.roads[0].speed_limit_kmh.max() == pytest.approx(45 * 1.609344)
    assert {file.name for file in done.files} >= {"map.html", "homes.csv", "provenance.json"}
    record = json.loads((done.folder / "provenance.json").read_text(encoding="utf-8"))
    assert {"county_roads.shp", "county_roads.dbf", "county_roads.prj"} <= set(
        record["inputs_sha256"]
    )


# ---------------------------------------------------------------------- spoiled


def remove(name: str) -> Callable[[Path], None]:
    return lambda folder: (folder / name).unlink()


def cut(name: str) -> Callable[[Path], None]:
    return lambda folder: (folder / name).write_bytes((folder / name).read_bytes()[:3000])


def study_text(old: str, new: str) -> Callable[[Path], None]:
    def change(folder: Path) -> None:
        path = folder / "study.toml"
        text = path.read_text(encoding="utf-8")
        assert old in text
        path.write_text(text.replace(old, new), encoding="utf-8")

    return change


def roads(
    change: Callable[[np.ndarray], np.ndarray], crs: str = county.CRS
) -> Callable[[Path], None]:
    def write(folder: Path) -> None:
        frame = gpd.read_file(folder / "county_roads.shp", engine="pyogrio")
        shapes = shapely.transform(frame.geometry.to_numpy(), change)
        frame = gpd.GeoDataFrame(frame.drop(columns="geometry"), geometry=shapes, crs=crs)
        frame.to_file(folder / "county_roads.shp", engine="pyogrio")

    return write


def heights(**options: float) -> Callable[[Path], None]:
    return lambda folder: county.write_heights(folder / "elevation.tif", **options)


def lots(column: str, value: object) -> Callable[[Path], None]:
    def write(folder: Path) -> None:
        frame = county.parcels()
        frame[column] = frame[column].astype(object)
        frame.loc[3, column] = value
        county.write_parcels(folder / "parcels.gpkg", frame)

    return write


def counts(change: Callable[[list[list[object]]], list[list[object]]]) -> Callable[[Path], None]:
    return lambda folder: county.write_counts(folder / "counts.xlsx", change(county.count_rows()))


def cell(row: int, column: int, value: object) -> Callable[[Path], None]:
    def change(rows: list[list[object]]) -> list[list[object]]:
        rows[row][column] = value
        return rows

    return counts(change)


def same(xy: np.ndarray) -> np.ndarray:
    return xy


def three_bands(folder: Path) -> None:
    with rasterio.open(folder / "elevation.tif") as file:
        value, profile = file.read(1), file.profile
    with rasterio.open(folder / "elevation.tif", "w", **{**profile, "count": 3}) as file:
        file.write(np.stack([value] * 3))


SPOILED: dict[str, tuple[Callable[[Path], None], str]] = {
    "roads without system": (
        remove("county_roads.prj"),
        'county_roads.shp: names no coordinate system; add crs = "EPSG:..." to [roads]',
    ),
    "roads without columns": (
        remove("county_roads.dbf"),
        "cannot be read without county_roads.dbf; copy all files of the shapefile",
    ),
    "roads without index": (remove("county_roads.shx"), "without county_roads.shx; copy all"),
    "roads that claim degrees": (
        roads(same, "EPSG:4326"),
        "claims degrees, its coordinates are none",
    ),
    "roads in feet that claim metres": (
        roads(same, "EPSG:26954"),
        "do not overlap; its coordinates look like feet, its crs is in metres",
    ),
    "roads with swapped axes": (
        roads(lambda xy: xy[:, ::-1]),
        "do not overlap; its axes look swapped: export it with x (or longitude) first",
    ),
    "roads whose classes are not named": (
        study_text('class_words = { "Major Arterial" = "primary", "Local" = "residential" }\n', ""),
        "its words are 'major arterial', 'local': say what they mean, class_words",
    ),
    "column that is not there": (
        study_text('"STREET"', '"STREET_NAM"'),
        "county_roads.shp: no column STREET_NAM; the file has: STREET, CLASS, SPEED_MPH",
    ),
    "speeds without unit": (
        study_text('speed_unit = "mph"', "#"),
        'if they are in miles an hour, set speed_unit = "mph" in [roads]',
    ),
    "heights without unit": (
        study_text('vertical_unit = "us-ft"', "#"),
        'metres are assumed; write vertical_unit = "us-ft", "ft" or "m" in [terrain]',
    ),
    "heights cut": (cut("elevation.tif"), "elevation.tif: cannot be read as elevation"),
    "heights of another place": (
        heights(x0=county.EAST + 400_000.0),
        "do not overlap; check the crs of both",
    ),
    "heights with an unnamed gap": (
        heights(gap=-9999.0),
        "heights lie outside -500..9000 m, the first -3047.",
    ),
    "heights too coarse": (heights(cell=600.0), "terrain too coarse, cells of 183 m"),
    "parcel twice": (lots("PIN", "001-A"), "1 ids stand more than once, first '001-A'"),
    "use without meaning": (
        lots("LAND_USE", "R-2A"),
        "feature 4: kind 'r-2a' is not allowed",
    ),
    "dwellings below nothing": (lots("UNITS", -3), "feature 4: dwellings: -3 is not allowed"),
    "parcels cut": (cut("parcels.gpkg"), "parcels.gpkg: cannot be read"),
    "layer not named": (
        study_text('layer = "parcels"\n', ""),
        'parcels.gpkg: holds 2 layers (parcels, footprints); add layer = "..." to [homes]',
    ),
    "count as a formula": (cell(5, 4, "=B2+1"), "cell E6 holds a formula; paste its value instead"),
    "count with a comma": (
        cell(5, 4, "12,5"),
        "counts.xlsx:6: vehicles_per_hour: 12,5 has a decimal comma; write 12.5",
    ),
    "road that is not drawn": (cell(5, 1, "Mill Hil Rd"), "road Mill Hil Rd is not in the study"),
    "hours in pairs": (cell(5, 2, "07:00-09:00"), "hour: '07:00-09:00' is not allowed"),
    "class without meaning": (
        cell(5, 3, "Bus"),
        "vehicle_class: 'bus' is not allowed (allowed: light, medium, heavy)",
    ),
    "hour counted twice": (
        counts(lambda rows: [*rows, rows[1]]),
        "counts.xlsx:74: a second row for Mill Hill Road",
    ),
    "column of counts renamed": (
        cell(0, 4, "Mean"),
        "counts.xlsx: no column Avg per hour; the file has: Station, Street, Hour, Vehicle, Mean",
    ),
    "counts in an old workbook": (
        lambda folder: (folder / "counts.xlsx").write_bytes(b"\xd0\xcf\x11\xe0" * 200),
        "counts.xlsx: not an XLSX workbook; save it again, or as CSV UTF-8",
    ),
    "counts not there": (remove("counts.xlsx"), "traffic.file: counts.xlsx; there is no file"),
    "counts in an older spreadsheet": (
        study_text("counts.xlsx", "counts.xls"),
        "traffic.file: counts.xls; there is no file",
    ),
    "roads in capitals": (
        study_text("county_roads.shp", "County_Roads.shp"),
        "; did you mean county_roads.shp?",
    ),
    "elevation of three bands": (three_bands, "3 bands; an elevation file has one: export the"),
    "zone beyond the road": (
        study_text("to_m = 3700.0", "to_m = 9000.0"),
        "zone[1].to_m: 9000 is not allowed (allowed: 0..42",
    ),
}
DOUBTS = ("speeds without unit", "heights without unit")  # these may be meant: a warning is given


@pytest.mark.parametrize("name", SPOILED)
def test_spoiled_folder_ends_in_a_sentence(study: Path, name: str) -> None:
    spoil, sentence = SPOILED[name]
    spoil(study.parent)
    found, errors = check_study(study, Silent())
    if name in DOUBTS:
        assert not errors
        told = [*found["assumptions"], *found["warnings"]]
    else:
        assert errors
        assert all(isinstance(error, NoisemapError) for error in errors)
        assert {error.exit_code for error in errors} <= {65, 66, 78}
        told = found["problems"]
    assert any(sentence in line for line in told), told


def test_every_fault_of_every_layer_is_told(study: Path) -> None:
    """Faults in two columns of the parcels and in the counts come in one answer."""
    lots = county.parcels()
    for column in ("LAND_USE", "UNITS"):
        lots[column] = lots[column].astype(object)
    lots.loc[[2, 5], "UNITS"] = [-3, -4]
    lots.loc[7, "LAND_USE"] = "R-2A"
    county.write_parcels(study.parent / "parcels.gpkg", lots)
    rows = county.count_rows()
    rows[5][4], rows[9][4], rows[7][3], rows[8][2] = "many", -7, "Bus", "noon"
    county.write_counts(study.parent / "counts.xlsx", rows)
    found, _ = check_study(study, Silent())
    told = found["problems"]
    for part in (
        "kind 'r-2a' is not allowed",
        "feature 3: dwellings: -3 is not allowed",
        "feature 6: dwellings: -4 is not allowed",
        "counts.xlsx:6: vehicles_per_hour: 'many' is not a number",
        "counts.xlsx:10: vehicles_per_hour: -7 is not allowed",
        "counts.xlsx:8: vehicle_class: 'bus' is not allowed",
        "counts.xlsx:9: hour: 'noon' is not allowed",
    ):
        assert sum(part in line for line in told) == 1, told


def test_at_least_twenty_spoiled_versions() -> None:
    assert len(SPOILED) - len(DOUBTS) >= 20
