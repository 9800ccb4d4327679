"""Everyone's side in tables, layers, report and map: nobody netted away, no small count told."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pyogrio
import pytest
from outputs_fixture import CREATED, LOUDER_HOME, make_findings, make_scene, without_zones

from noisemap.outputs.community_tables import (
    NOT_ASSESSED,
    character_table,
    inside_table,
    louder_homes,
    louder_table,
    own_hours_table,
)
from noisemap.outputs.layers import geopackage_bytes
from noisemap.outputs.map_data import map_data
from noisemap.outputs.map_people import QUIETER, UNCHANGED, UNSURE, road_names, sureness
from noisemap.outputs.report import story
from noisemap.outputs.report_people import own_hours_sentences, who_pays
from noisemap.outputs.tables import all_tables, csv_text, homes_table, zones_table
from noisemap.outputs.wording import FEW_PEOPLE

SCENE = make_scene()
FINDINGS = make_findings(SCENE)


def column(table, name):
    return [row[table.headers.index(name)] for row in table.rows]


def test_a_louder_home_is_listed_though_others_gain():
    assert [(one.zone, one.home) for one in louder_homes(FINDINGS)] == [(3, LOUDER_HOME)]
    table = louder_table(SCENE, FINDINGS)
    assert column(table, "number") == [LOUDER_HOME + 1]
    assert column(table, "night level of braking trucks louder by [dB]") == [0.4]
    assert map_data(SCENE, FINDINGS)["homes"]["louder"] == [[], [], [LOUDER_HOME]]
    assert any("Zone 3 makes 1 home louder" in text for text in who_pays(FINDINGS))


def test_a_home_first_heard_under_a_zone_is_louder():
    before = replace(FINDINGS.before, l_night=np.where(np.arange(60) == 9, -np.inf, 40.0))
    levels = replace(FINDINGS.before, l_night=np.full(60, 40.0))
    zone = replace(FINDINGS.zones[0], levels=levels)
    found = louder_homes(replace(FINDINGS, before=before, zones=(zone,)))
    assert [one.home for one in found] == [9]
    assert found[0].night == np.inf


def test_the_layer_of_louder_homes(tmp_path):
    path = tmp_path / "layers.gpkg"
    path.write_bytes(geopackage_bytes(SCENE, FINDINGS, CREATED))
    frame = pyogrio.read_dataframe(path, layer="louder_homes")
    assert frame["number"].tolist() == [LOUDER_HOME + 1]
    assert frame.geometry.x[0] == pytest.approx(SCENE.homes.x[LOUDER_HOME])
    path.write_bytes(geopackage_bytes(SCENE, without_zones(FINDINGS), CREATED))
    assert len(pyogrio.read_dataframe(path, layer="louder_homes")) == 0


def test_no_small_count_of_people_is_written_anywhere():
    for table in all_tables(SCENE, FINDINGS):
        places = [n for n, name in enumerate(table.headers) if "persons]" in name]
        for row in table.rows:
            for cell in (row[place] for place in places):
                assert cell is None or cell == 0 or cell >= FEW_PEOPLE, (table.name, row)
    few = replace(FINDINGS.zones[0], people_louder=2.5)
    table = zones_table(replace(FINDINGS, zones=(few,)))
    assert column(table, "people louder [persons]") == [None]
    data = json.dumps(map_data(SCENE, replace(FINDINGS, zones=(few,))))
    assert "fewer than 5 people" in data
    assert "2.5 people" not in data
    assert "people" not in map_data(SCENE, FINDINGS)["homes"]


def test_character_is_in_words_where_it_was_not_assessed():
    words = column(homes_table(SCENE, FINDINGS), "character of the loudest pass: adjustment [dB]")
    assert words[0] == "3.0 to 9.0"
    assert words[-1] == NOT_ASSESSED
    without = homes_table(SCENE, replace(FINDINGS, character=None))
    assert set(column(without, "character of the loudest pass: adjustment [dB]")) == {NOT_ASSESSED}
    table = character_table(FINDINGS)
    assert column(table, "prominence of the steepest onset [1]") == [NOT_ASSESSED] * 2
    assert "outside the standard" in column(table, "note")[1]
    assert set(column(table, "mark of the method")) == {"FOUND, in part MEMORY-H"}
    told = story(SCENE, FINDINGS, {}, CREATED)
    assert "prominence of the steepest onset [1]" not in told.character_groups.headers
    assert told.character_groups.rows[1][1].startswith("394 ft (120 m) to 787 ft (240 m)")
    assert "At 1 home no" in " ".join(told.character)
    told = story(SCENE, replace(FINDINGS, character=None), {}, CREATED)
    assert NOT_ASSESSED in told.character[0]


def test_own_hours_are_told_where_a_zone_changes_them():
    table = own_hours_table(SCENE, FINDINGS)
    assert column(table, "hours") == ["08:00 to 16:00", "08:00 to 15:00"]
    assert table.rows[1][2] == "1 place"
    texts = own_hours_sentences(SCENE, FINDINGS)
    assert len(texts) == 2
    assert "with zone 2" in texts[0]
    same = replace(FINDINGS, zones=(replace(FINDINGS.zones[0], levels=FINDINGS.before),))
    assert all("no zone changes it" in text for text in own_hours_sentences(SCENE, same))


def test_rooms_with_the_window_open_and_closed():
    table = inside_table(SCENE, FINDINGS)
    assert [row[:2] for row in table.rows] == [
        ("open", 10.0), ("slightly open", 15.0), ("closed", 28.0),
    ]  # fmt: skip
    people = SCENE.homes.people[FINDINGS.before.passes_night[60] >= 1.0].sum()
    assert table.rows[0][2] == round(float(people))


def test_sure_open_and_surely_nothing():
    low, high = np.array([1.0, 0.9, -0.2, np.nan]), np.array([3.0, 3.0, 0.9, np.nan])
    zone = replace(FINDINGS.zones[0], quieter_by=np.zeros(4), quieter_bounds=(low, high))
    assert sureness(zone) == [QUIETER, UNSURE, UNCHANGED, None]
    assert sureness(replace(zone, quieter_bounds=None)) == [None] * 4


def test_names_of_roads_are_cut_and_upright():
    names = road_names(SCENE, (0.0, 0.0))
    assert names[0]["name"] == "SR 77"
    assert all(-90 <= one["angle"] <= 90 for one in names)
    assert all(len(one["name"]) <= 40 for one in names)


def test_hostile_names_stay_cells():
    text = csv_text(louder_table(SCENE, FINDINGS))
    assert "\n=" not in text
    assert ",=" not in text
