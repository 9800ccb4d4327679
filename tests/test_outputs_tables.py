import csv
import io
import time
from dataclasses import replace

import numpy as np
import openpyxl
import pyogrio
import pytest
from outputs_fixture import CREATED, HOSTILE, make_findings, make_scene, without_zones

from noisemap.errors import BadDataError, CannotWriteError
from noisemap.outputs.geometry import road_piece, zone_road
from noisemap.outputs.layers import GEOMETRY_TYPES, field_names, geopackage_bytes
from noisemap.outputs.table import FORMULA_STARTS
from noisemap.outputs.tables import (
    all_tables,
    bands_table,
    brakes_table,
    csv_text,
    drive_table,
    guarded,
    homes_table,
    stretches_table,
    xlsx_bytes,
    zones_table,
)
from noisemap.states import Zone

SCENE = make_scene()
FINDINGS = make_findings(SCENE)


def cells(table):
    return list(csv.DictReader(io.StringIO(csv_text(table))))


def test_every_header_of_a_figure_names_its_unit():
    for table in all_tables(SCENE, FINDINGS):
        for column, header in enumerate(table.headers):
            numbers = [row[column] for row in table.rows if isinstance(row[column], float)]
            if numbers:
                assert "[" in header or header == "braking cylinders, mean while braking", header


def test_csv_reads_back_with_all_rows_and_one_line_a_row():
    for table in all_tables(SCENE, FINDINGS):
        text = csv_text(table)
        assert len(cells(table)) == len(table.rows)
        assert text.count("\n") == len(table.rows) + 1  # no name brings a line end along
        assert "\r" not in text


def test_no_csv_cell_starts_a_formula():
    for table in all_tables(SCENE, FINDINGS):
        for row in csv.reader(io.StringIO(csv_text(table))):
            for cell in row:
                if cell.startswith(FORMULA_STARTS):
                    float(cell)  # only a number may start with a sign


@pytest.mark.parametrize("text", ["=1", "+1", "-1", "@A1", "\t=1", " =1", "|x", "＝1"])
def test_formula_starts_get_an_apostrophe(text):
    assert guarded(text) == "'" + text


def test_negative_figures_stay_figures():
    grades = [float(row["grade [%]"]) for row in cells(stretches_table(SCENE, FINDINGS))]
    assert min(grades) == pytest.approx(-7.0, abs=0.05)


def test_levels_are_rounded_to_a_tenth_and_silence_is_empty():
    rows = cells(homes_table(SCENE, FINDINGS))
    for row, level in zip(rows, FINDINGS.before.l_night, strict=True):
        shown = row["before: braking trucks, night level [dB(A)]"]
        assert shown == ("" if np.isneginf(level) else str(round(float(level), 1)))
    silent = replace(FINDINGS, before=replace(FINDINGS.before, l_night=np.full(60, -np.inf)))
    column = "before: braking trucks, night level [dB(A)]"
    assert {row[column] for row in cells(homes_table(SCENE, silent))} == {""}


def test_people_of_small_homes_are_not_published():
    rows = cells(homes_table(SCENE, FINDINGS))
    assert rows[0]["people [persons, empty below 5]"] == "48"
    assert all(row["people [persons, empty below 5]"] == "" for row in rows[1:])
    assert all(row["people in words"] == "fewer than 5" for row in rows[1:])
    small = cells(bands_table(FINDINGS))[2]
    assert small["people [persons, empty below 5]"] == ""
    assert small["in words"] == "fewer than 5"


def test_homes_hold_each_zone_after_and_quieter_by():
    rows = cells(homes_table(SCENE, FINDINGS))
    for number, result in enumerate(FINDINGS.zones, start=1):
        for row, value in zip(rows, result.quieter_by, strict=True):
            shown = row[f"zone {number}: night level quieter by [dB]"]
            assert shown == ("" if np.isnan(value) else str(round(float(value), 1) + 0.0))
        for level in (60, 70, 80):
            assert f"zone {number}: passes a night above {level} dB(A) [1]" in rows[0]


def test_brakes_stand_in_both_units():
    for row, brake in zip(
        cells(brakes_table(FINDINGS)),
        [brake for zone in FINDINGS.zones for brake in zone.brakes],
        strict=True,
    ):
        celsius = float(row["peak, retarder silent in the zone [°C]"])
        fahrenheit = float(row["peak, retarder silent in the zone [°F]"])
        assert celsius == round(brake.peak_zone_c)
        assert fahrenheit == round(brake.peak_zone_c * 1.8 + 32)
        difference = float(row["share of one full stop in each peak [°F]"])
        assert difference == round(brake.stop_c * 1.8)  # a difference has no offset


def test_zone_rows_carry_gain_and_brakes_together():
    rows = cells(zones_table(FINDINGS))
    assert [row["verdict"] for row in rows] == [zone.verdict for zone in FINDINGS.zones]
    refused = rows[1]
    assert float(refused["hottest brakes with the zone [°C]"]) == 402
    assert float(refused["least room below the planning limit [°C]"]) == -153
    assert int(refused["trucks taken over the planning limit by the zone"]) == 4
    assert refused["people over 45 dB night, before [persons], 90 % low"] == "90"
    assert rows[2]["hours"] == "22:00 to 07:00"


def test_stretches_carry_what_the_road_file_says():
    stretches = cells(stretches_table(SCENE, FINDINGS))
    assert [stretches[row]["surface"] for row in (0, 1)] == ["'=1+1", "asphalt"]
    assert [stretches[row]["lanes"] for row in (0, 1)] == ["", "2"]
    assert {row["driving direction"] for row in stretches} == {"both"}
    assert {row["trucks allowed"] for row in stretches} == {"yes"}


def test_drive_numbers_the_stretches_as_the_stretch_table_does():
    stretches = cells(stretches_table(SCENE, FINDINGS))
    for row in cells(drive_table(FINDINGS)):
        other = stretches[int(row["stretch"]) - 1]
        duty = other[f"retarder on, share of time, {row['truck']} [1]"]
        assert duty == row["retarder on, share of time [1]"]


def test_workbook_keeps_texts_texts_and_numbers_numbers():
    book = openpyxl.load_workbook(io.BytesIO(xlsx_bytes(all_tables(SCENE, FINDINGS), CREATED)))
    tables = {table.name: table for table in all_tables(SCENE, FINDINGS)}
    assert book.sheetnames == list(tables)
    for sheet in book:
        for row, expected in zip(sheet.iter_rows(min_row=2), tables[sheet.title].rows, strict=True):
            for cell, value in zip(row, expected, strict=True):
                assert cell.data_type != "f"
                assert cell.hyperlink is None
                assert cell.value == value
                assert not isinstance(value, str) or cell.data_type in ("s", "n")
    labels = [row[2].value for row in book["homes"].iter_rows(min_row=2)]
    assert HOSTILE[2] in labels
    assert HOSTILE[4] in labels


def test_workbook_and_layers_are_the_same_bytes_twice():
    tables = all_tables(SCENE, FINDINGS)
    book, layers = xlsx_bytes(tables, CREATED), geopackage_bytes(SCENE, FINDINGS, CREATED)
    time.sleep(1.1)
    assert xlsx_bytes(tables, CREATED) == book
    assert geopackage_bytes(SCENE, FINDINGS, CREATED) == layers


@pytest.fixture(scope="module")
def package(tmp_path_factory):
    path = tmp_path_factory.mktemp("layers") / "layers.gpkg"
    path.write_bytes(geopackage_bytes(SCENE, FINDINGS, CREATED))
    return path


def test_layers_have_names_types_system_and_units(package):
    layers = {str(name): str(kind) for name, kind in pyogrio.list_layers(package)}
    assert layers == GEOMETRY_TYPES
    for name in layers:
        info = pyogrio.read_info(package, layer=name)
        assert info["crs"] == "EPSG:32606"
    homes = pyogrio.read_info(package, layer="homes")["layer_metadata"]
    assert homes["before_braking_trucks_night_level_dba"].endswith("[dB(A)]")
    assert homes["ATTRIBUTION"] == "; ".join(SCENE.attribution)


def test_layers_hold_places_and_lengths(package):
    homes = pyogrio.read_dataframe(package, layer="homes")
    assert np.allclose(homes.geometry.x, SCENE.homes.x)
    assert np.allclose(homes.geometry.y, SCENE.homes.y)
    zones = pyogrio.read_dataframe(package, layer="zones")
    lengths = [result.zone.to_m - result.zone.from_m for result in FINDINGS.zones]
    assert np.allclose(zones.geometry.length, lengths, rtol=1e-3)
    areas = pyogrio.read_dataframe(package, layer="areas")
    assert areas.geometry.is_valid.all()
    assert len(areas.geometry.iloc[0].geoms[0].interiors) == 1
    repairs = pyogrio.read_dataframe(package, layer="repairs")
    assert repairs.geometry.isna().tolist() == [False, True]


def test_tables_and_layers_of_a_study_without_zones(tmp_path):
    bare = replace(without_zones(FINDINGS), areas=())
    assert zones_table(bare).rows == ()
    assert xlsx_bytes(all_tables(SCENE, bare), CREATED)
    path = tmp_path / "bare.gpkg"
    path.write_bytes(geopackage_bytes(SCENE, bare, CREATED))
    assert pyogrio.read_info(path, layer="zones")["features"] == 0


def test_full_disk_is_our_own_error(monkeypatch):
    def full(*arguments, **options):
        raise pyogrio.errors.DataSourceError("disk full")

    monkeypatch.setattr(pyogrio, "write_dataframe", full)
    with pytest.raises(CannotWriteError, match="free space"):
        geopackage_bytes(SCENE, FINDINGS, CREATED)


def test_field_names_stay_apart():
    assert field_names(["x [m]", "x (m)", "geometry"]) == ["x_m", "x_m_2", "geometry_2"]


def test_zone_line_runs_from_end_to_end():
    zone = FINDINGS.zones[0].zone
    road = zone_road(SCENE, zone)
    line = road_piece(road, zone.to_m, zone.from_m)
    assert line[0] == pytest.approx(
        [
            np.interp(zone.from_m, road.chainage, road.x),
            np.interp(zone.from_m, road.chainage, road.y),
        ]
    )


def test_zone_on_no_road_is_refused_by_name():
    with pytest.raises(BadDataError, match="Nowhere"):
        zone_road(SCENE, Zone("z", "Nowhere", 0.0, 10.0))
    with pytest.raises(BadDataError, match="SR 77"):
        zone_road(SCENE, Zone("z", "SR 77", 9000.0, 9100.0))
