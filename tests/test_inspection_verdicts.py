"""The roadside rule: printed tables, worked rows, conditions, evidence, and the sheets."""

from __future__ import annotations

import contextlib
import csv
import json
import random
import re
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st

from noisemap.cli.inspect import inspect_command
from noisemap.data_tables import table_rows
from noisemap.errors import BadDataError, UsageError
from noisemap.inspection import rule
from noisemap.inspection.ordinance import families
from noisemap.inspection.rows import KNOWN, read_readings
from noisemap.inspection.verdict import Inspection, inspect
from noisemap.outputs import inspection_sheets as sheets

_PRINTED_TEXT = Path(__file__).parent / "verification/inspection/table_1_printed.csv"
PRINTED = list(csv.DictReader(_PRINTED_TEXT.read_text(encoding="utf-8").splitlines()))
COLUMNS = {
    "highway_soft_35": ("highway", "soft", 35.0),
    "highway_soft_over_35": ("highway", "soft", 36.0),
    "highway_hard_35": ("highway", "hard", 35.0),
    "highway_hard_over_35": ("highway", "hard", 36.0),
    "stationary_soft": ("stationary", "soft", None),
    "stationary_hard": ("stationary", "hard", None),
}

PASS = {
    "reading_id": "A1",
    "date": "2026-05-01",
    "time": "22:10",
    "site": "Invented pull-out",
    "lane": "downhill",
    "target_point": "paint mark 3",
    "distance_ft": "50",
    "site_surface": "soft",
    "speed_limit_mph": "35",
    "reading_dba": "80",
    "ambient_before": "60",
    "ambient_after": "60",
    "wind_mph": "5",
    "gust_mph": "8",
    "precipitation": "none",
    "microphone_height_ft": "4",
    "microphone_above_surface_ft": "4",
    "observer_distance_ft": "3",
    "rise_db": "10",
    "fall_db": "10",
    "open_radius_ft": "90",
    "tunnel_distance_ft": "500",
    "lane_dry": "yes",
    "gross_weight_lb": "80000",
    "exempt": "none",
    "interstate": "yes",
    "meter_type": "type 1",
    "windscreen": "yes",
    "model_year": "2010",
    "exhaust_condition": "muffler sound",
    "tyres": "ribbed",
    "vehicle": "tractor and semitrailer",
    "carrier": "Invented Haulage",
    "plate": "XX 1",
    "officer": "Invented Officer",
    "training": "2025-11-03",
    "meter_serial": "M1",
    "calibrator_serial": "C1",
    "lab_calibration_date": "2026-01-20",
    "field_check_before": "94.0",
    "field_check_after": "94.1",
    "recording_sha256": "ab" * 32,
    "retarder_heard_by": "officer",
    "inside_zone": "yes",
    "emergency_seen": "no",
}
STATIONARY = {
    "run": "stationary",
    "reading_dba": "",
    "rise_db": "",
    "fall_db": "",
    "speed_limit_mph": "",
    "maximum_1_dba": "80",
    "maximum_2_dba": "80",
    "governor": "yes",
    "outlet_to_target_ft": "2",
}

Judge = Callable[..., Inspection]


@pytest.fixture
def judge(tmp_path: Path) -> Judge:
    def one(**changes: str) -> Inspection:
        return inspect(read_readings(sheet(tmp_path, [{**PASS, **changes}]))[0])

    return one


def sheet(folder: Path, rows: list[dict[str, str]], name: str = "readings.csv") -> Path:
    path = folder / name
    head = list(dict.fromkeys(key for row in rows for key in row))
    with path.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, head, restval="")
        writer.writeheader()
        writer.writerows(rows)
    return path


@pytest.mark.parametrize("row", PRINTED, ids=lambda row: row["from_ft"])
@pytest.mark.parametrize("column", COLUMNS)
def test_every_row_of_table_1_at_both_ends_and_one_foot_outside(
    row: dict[str, str], column: str
) -> None:
    run, surface, speed = COLUMNS[column]
    low, high, limit = float(row["from_ft"]), float(row["below_ft"]), float(row[column])
    assert rule.table_1_limit(low, run, surface, speed) == limit
    assert rule.table_1_limit(high - 0.001, run, surface, speed) == limit
    for outside in (low - 1.0, high + 1.0):
        assert rule.table_1_limit(outside, run, surface, speed) != limit
    assert rule.table_1_limit(high, run, surface, speed) != limit
    assert rule.distance_correction(low) == float(row["correction_325_73"])
    assert rule.distance_correction(high - 0.001) == float(row["correction_325_73"])


@pytest.mark.parametrize("distance", [30.0, 30.999, 83.0, 84.0])
def test_no_row_outside_the_table(distance: float) -> None:
    assert rule.table_1_limit(distance, "highway", "soft", 35.0) is None
    assert rule.distance_correction(distance) is None
    assert rule.level_at_50_ft(80.0, distance, "highway", "soft") is None


@pytest.mark.parametrize("row", PRINTED, ids=lambda row: row["from_ft"])
def test_highway_columns_agree_with_the_in_use_limits_and_stationary_columns_do_not(
    row: dict[str, str],
) -> None:
    """FOUND in the rule itself: 2 dB between Table 1 and 325.75 (b) for every stationary row."""
    distance = float(row["from_ft"])
    for column, (run, surface, speed) in COLUMNS.items():
        table = float(row[column])
        own = rule.level_at_50_ft(table, distance, run, surface)
        assert own is not None
        gap = own - rule.in_use_limit(1986, run, speed)
        assert gap == (0.0 if run == "highway" else 2.0)


def test_worked_rows_of_325_79() -> None:
    assert rule.level_at_50_ft(86.0, 60.0, "highway", "hard") == 85.0
    mean = rule.agreeing_mean([87.5, 88.5])
    assert mean == 88.0
    assert rule.level_at_50_ft(mean, 35.0, "stationary", "soft") == 87.0


def test_worked_rows_through_the_sheet(judge: Judge) -> None:
    highway = judge(distance_ft="60", site_surface="hard", reading_dba="86", speed_limit_mph="55")
    assert [(way.level, way.limit) for way in highway.comparisons] == [(86.0, 88.0), (85.0, 87.0)]
    assert highway.comparisons[1].arithmetic == "86 + 1 (distance) - 2 (site) = 85"
    assert highway.verdict == "not above limit"
    runs = {**STATIONARY, "maximum_1_dba": "87.5", "maximum_2_dba": "88.5"}
    parked = judge(distance_ft="35", **runs)
    assert [(way.level, way.limit) for way in parked.comparisons] == [(88.0, 88.0), (87.0, 85.0)]
    assert parked.comparisons[1].arithmetic == "88 - 3 (distance) + 2 (site) = 87"


def test_stationary_conflict_is_shown_both_ways(judge: Judge) -> None:
    parked = judge(distance_ft="35", **{**STATIONARY, "maximum_1_dba": "88", "maximum_2_dba": "88"})
    assert [way.verdict for way in parked.comparisons] == [
        "not above limit",
        "above limit but within the tolerance",
    ]
    assert parked.verdict == "not above limit"
    assert any("disagrees with itself" in note for note in parked.notes)
    assert any("does not exercise the retarder" in note for note in parked.notes)
    assert next(e for e in parked.elements if e.key == "retarder_in_use").state == "gap"


@pytest.mark.parametrize(
    ("metres", "ways"), [("17.0", 2), ("17.1", 3), ("17.67", 3), ("17.7", 2), ("18.0", 2)]
)
def test_the_misprinted_metre_is_shown_where_it_matters(
    judge: Judge, metres: str, ways: int
) -> None:
    found = judge(distance_ft="", distance_m=metres)
    assert len(found.comparisons) == ways
    if ways == 3:
        assert (found.comparisons[0].limit, found.comparisons[2].limit) == (83.0, 82.0)
        assert any("17.1 m" in note for note in found.notes)


@pytest.mark.parametrize(
    ("reading", "verdict"),
    [
        ("83", "not above limit"),
        ("83.1", "above limit but within the tolerance"),
        ("85", "above limit but within the tolerance"),
        ("85.1", "above limit"),
    ],
)
def test_the_four_words(judge: Judge, reading: str, verdict: str) -> None:
    found = judge(reading_dba=reading)
    assert found.verdict == verdict
    assert "tolerance of up to 2 dB" in found.reasons[0]


@pytest.mark.parametrize(
    ("changes", "clause"),
    [
        ({"distance_ft": "83"}, "49 CFR 325.7:"),
        ({"distance_ft": "84"}, "49 CFR 325.33"),
        ({"distance_ft": "30"}, "49 CFR 325.33"),
        ({"distance_ft": ""}, "49 CFR 325.33"),
        ({"site_surface": ""}, "49 CFR 325.5(c)"),
        ({"speed_limit_mph": ""}, "49 CFR 325.7, note 1"),
        ({"reading_dba": ""}, "49 CFR 325.39"),
        ({"ambient_before": "73.1"}, "49 CFR 325.35"),
        ({"ambient_after": "73.1"}, "49 CFR 325.35"),
        ({"ambient_after": ""}, "49 CFR 325.35"),
        ({"wind_mph": "12.1"}, "49 CFR 325.35"),
        ({"wind_mph": ""}, "49 CFR 325.35"),
        ({"wind_mph": "fresh"}, "49 CFR 325.35"),
        ({"gust_mph": "20.5"}, "49 CFR 325.35"),
        ({"precipitation": "rain"}, "49 CFR 325.35"),
        ({"precipitation": "standing water"}, "49 CFR 325.35"),
        ({"microphone_height_ft": "1.9"}, "49 CFR 325.37"),
        ({"microphone_height_ft": "6.1"}, "49 CFR 325.37"),
        ({"microphone_above_surface_ft": "3.4"}, "49 CFR 325.37"),
        ({"observer_distance_ft": "1"}, "49 CFR 325.37"),
        ({"rise_db": "5.9"}, "49 CFR 325.39"),
        ({"fall_db": "5.9"}, "49 CFR 325.39"),
        ({"meter_type": "phone"}, "49 CFR 325.23"),
        ({"windscreen": "no"}, "49 CFR 325.27"),
        ({"open_radius_ft": "49"}, "325.77"),
        ({"tunnel_distance_ft": "199"}, "49 CFR 325.33"),
        ({"lane_dry": "no"}, "49 CFR 325.33"),
        ({"gross_weight_lb": "10000"}, "49 CFR 325.1"),
        ({"exempt": "snow plow"}, "49 CFR 325.1"),
        ({"interstate": "no"}, "49 CFR 325.1"),
        ({"maximum_1_dba": "80"}, "not readable: maximum_1_dba"),
        ({"distance_m": "15"}, "distance_ft and distance_m are both given"),
    ],
)
def test_outside_the_conditions_is_not_valid_with_the_clause(
    judge: Judge, changes: dict[str, str], clause: str
) -> None:
    found = judge(**changes)
    assert found.verdict == "not valid"
    assert any(clause in reason for reason in found.reasons)
    assert found.comparisons == ()


@pytest.mark.parametrize(
    ("changes", "clause"),
    [
        ({"maximum_2_dba": "82.1"}, "49 CFR 325.59"),
        ({"maximum_2_dba": ""}, "49 CFR 325.59"),
        ({"governor": "no"}, "40 CFR 202.21"),
        ({"outlet_to_target_ft": "3.1"}, "49 CFR 325.53"),
        ({"wind_mph": "13"}, "49 CFR 325.55"),
        ({"microphone_height_ft": "7"}, "49 CFR 325.57"),
        ({"distance_ft": "29"}, "49 CFR 325.53"),
        ({"reading_dba": "80"}, "not readable: reading_dba"),
    ],
)
def test_stationary_conditions(judge: Judge, changes: dict[str, str], clause: str) -> None:
    assert judge(**STATIONARY).verdict == "not above limit"
    found = judge(**{**STATIONARY, **changes})
    assert found.verdict == "not valid"
    assert any(clause in reason for reason in found.reasons)


@pytest.mark.parametrize(
    "changes",
    [
        {"ambient_before": "73"},
        {"wind_mph": "12", "gust_mph": "20"},
        {"microphone_height_ft": "2"},
        {"microphone_height_ft": "6"},
        {"microphone_height_ft": "", "microphone_height_m": "1.2"},
        {"rise_db": "6", "fall_db": "6"},
        {"distance_ft": "31"},
        {"distance_ft": "", "distance_m": "9.4488"},
        {"wind_mph": "", "wind_kmh": "19.3"},
        {"speed_limit_mph": "", "speed_limit_kmh": "56"},
        {"precipitation": "snow on ground"},
    ],
)
def test_at_the_bound_is_valid(judge: Judge, changes: dict[str, str]) -> None:
    found = judge(**changes)
    assert found.verdict == "not above limit", found.reasons


def test_ambient_is_held_against_the_rows_own_table_value(judge: Judge) -> None:
    """The 10 dB count from Table 1 at the site's distance, not from the 50 ft limit."""
    assert judge(distance_ft="31", ambient_before="77", reading_dba="84").verdict != "not valid"
    assert judge(distance_ft="70", ambient_before="72").verdict == "not valid"


@pytest.mark.parametrize(
    ("year", "speed", "limit"),
    [("1985", "35", 86.0), ("1985", "55", 90.0), ("1986", "35", 83.0), ("1986", "55", 87.0)],
)
def test_model_years(judge: Judge, year: str, speed: str, limit: float) -> None:
    found = judge(model_year=year, speed_limit_mph=speed, reading_dba="84")
    assert found.comparisons[0].limit == limit
    assert found.comparisons[1].limit == limit
    assert any("derived" in note for note in found.notes) == (year == "1985")


def test_an_unknown_model_year_never_decides(judge: Judge) -> None:
    between = judge(model_year="", reading_dba="84")
    assert between.verdict == "not valid"
    assert "model year is not recorded" in between.reasons[0]
    assert judge(model_year="", reading_dba="90").verdict == "above limit"
    assert judge(model_year="", reading_dba="80").verdict == "not above limit"


@pytest.mark.parametrize(
    ("condition", "outcome"),
    [
        ("no muffler", "fails"),
        ("muffler leaking", "fails"),
        ("bypass", "fails"),
        ("bypass for cargo unloading", "no defect seen"),
        ("soot traces on flexible pipe", "no defect seen"),
        ("after-treatment", "no defect seen"),
        ("", "not inspected"),
    ],
)
def test_exhaust_rule_stands_apart_from_the_level(
    judge: Judge, condition: str, outcome: str
) -> None:
    quiet = judge(exhaust_condition=condition)
    assert quiet.exhaust.outcome == outcome
    assert quiet.verdict == "not above limit"
    assert judge(exhaust_condition=condition, wind_mph="30").exhaust.outcome == outcome


@pytest.mark.parametrize(
    ("changes", "outcome"),
    [
        ({"tyres": "cavities"}, "fails unless excused"),
        ({"tyres": "cavities", "tyres_original": "no"}, "excused"),
        ({"tyres": "cavities", "posted_speed_level_dba": "90"}, "excused"),
        (
            {"tyres": "cavities", "tyres_original": "yes", "posted_speed_level_dba": "90.1"},
            "fails",
        ),
        ({"tyres": "lug, vented"}, "no defect seen"),
    ],
)
def test_tyre_rule(judge: Judge, changes: dict[str, str], outcome: str) -> None:
    assert judge(**changes).tyres.outcome == outcome


def test_a_full_chain_is_sufficient_and_each_missing_link_is_not(judge: Judge) -> None:
    whole = judge()
    assert whole.sufficiency == "evidence recorded in full"
    needed = (
        "vehicle", "carrier", "plate", "officer", "training", "site", "lane", "target_point",
        "time", "date", "meter_serial", "calibrator_serial", "lab_calibration_date",
        "field_check_before", "field_check_after", "recording_sha256", "retarder_heard_by",
        "meter_type", "windscreen", "open_radius_ft", "tunnel_distance_ft", "gross_weight_lb",
        "interstate", "exempt", "lane_dry",
    )  # fmt: skip
    for name in needed:
        found = judge(**{name: ""})
        assert found.sufficiency == "not sufficient for enforcement", name
        assert found.verdict == "not above limit", name


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"field_check_after": "94.6"}, "drift +0.6 dB"),
        ({"lab_calibration_date": "2025-04-29"}, "367 days before"),
        ({"lab_calibration_date": "2026-05-02"}, "after the reading"),
        ({"recording_sha256": "abc"}, "SHA-256"),
        ({"lab_calibration_date": "last spring"}, "is not a date"),
        ({"wind_mph": "9", "gust_mph": "8"}, "8 mph under a wind of 9 mph"),
        ({"time": "25:10"}, "not a time of day"),
    ],
)
def test_evidence_at_fault(judge: Judge, changes: dict[str, str], words: str) -> None:
    found = judge(**changes)
    assert any(link.state == "at fault" and words in link.text for link in found.evidence)
    assert found.sufficiency == "not sufficient for enforcement"


def test_ordinance_families_show_each_gap(judge: Judge) -> None:
    states = {e.key: e.state for e in judge(exhaust_condition="no muffler").elements}
    assert set(states.values()) == {"shown"}
    gaps = judge(inside_zone="", emergency_seen="", retarder_heard_by="", time="")
    assert {e.state for e in gaps.elements} == {"gap", "against"}
    needs = {family.key: family.needs for family in families()}
    assert "defect" in needs["unmuffled_only"]
    assert "defect" not in needs["blanket_emergency"]
    assert "retarder_in_use" not in needs["noise_law"]


@pytest.mark.parametrize(
    ("rows", "words"),
    [
        ([{**PASS, "wnd_mph": "3"}], "did you mean 'wind_mph'"),
        ([{**PASS, "wind_mph": "3,5"}], "decimal comma"),
        ([PASS, {**PASS, "plate": "XX 2"}], "'A1' on lines 2, 3"),
    ],
)
def test_a_sheet_that_cannot_be_trusted_is_refused(
    tmp_path: Path, rows: list[dict[str, str]], words: str
) -> None:
    with pytest.raises(BadDataError, match="(?s)" + words):
        read_readings(sheet(tmp_path, rows))


def test_a_sheet_named_for_a_csv_is_wrong_usage(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="only XLSX workbooks have sheets"):
        read_readings(sheet(tmp_path, [PASS]), "May")


def test_known_columns_are_documented() -> None:
    text = (Path(__file__).parents[1] / "docs/inspection.md").read_text(encoding="utf-8")
    assert [name for name in KNOWN if f"`{name}`" not in text] == []


HOSTILE = '<img src=x onerror=alert(1)>{{7*7}}"\u202e=1+1'


def test_sheets_are_inert_and_say_what_they_must(judge: Judge) -> None:
    found = judge(carrier=HOSTILE, site=HOSTILE, plate="=1+1", note=HOSTILE)
    page = sheets.sheet_html([found], "Made from x.")
    assert "<img" not in page
    assert "&lt;img" in page
    assert "49</" not in page
    assert "\u202e" not in page
    text = sheets.sheet_text([found], "Made from x.")
    for words in ("not above limit", "49 CFR 325.7, Table 1", "limit 83", "tolerance", "edition"):
        assert words in page
        assert words in text
    from noisemap.outputs.tables import csv_text

    assert "'=1+1" in csv_text(sheets.inspections_table([found]))
    shown = re.sub(r"<meta[^>]*>", "", page).lower()
    for banned in ("safe", "compliant"):
        assert banned not in shown


def test_a_sheet_begins_with_what_matters_and_a_noise_law_asks_for_a_breach(judge: Judge) -> None:
    """Model year and gaps stand at the top; a quiet, sound truck breaks no noise law."""
    quiet = judge(recording_sha256="", model_year="1985")
    text = sheets.sheet_text([quiet], "x", "noise_law")
    assert "* Seen: exhaust no defect seen, tyres no defect seen." in text
    assert "* Measured: not above limit." in text
    assert "* Model year: 1985, limits of before 1986." in text
    assert "* Evidence: not sufficient for enforcement: hash of the recording." in text
    (line,) = [line for line in text.splitlines() if "noise law enforced" in line]
    assert "a level above the limit, or a defect of the exhaust" in line
    assert "chain of evidence (hash of the recording)" in line
    for changes in ({"reading_dba": "99"}, {"exhaust_condition": "no muffler"}):
        found = judge(**changes)
        assert sheets.shows_a_breach(found)
        whole = sheets.sheet_text([found], "x", "noise_law")
        assert "noise law enforced instead of a ban: still open: nothing." in whole
    assert "* Model year: not recorded." in sheets.sheet_text([judge(model_year="")], "x")


def test_rows_of_one_plate_share_a_sheet(tmp_path: Path) -> None:
    rows = [
        PASS,
        {**PASS, "reading_id": "A2", "plate": "xx  1"},
        {**PASS, "reading_id": "A3", "plate": ""},
    ]
    groups = sheets.trucks(inspect(r) for r in read_readings(sheet(tmp_path, rows)))
    assert [[i.reading.reading_id for i in group] for group in groups] == [["A1", "A2"], ["A3"]]


def test_command_writes_sheets_table_and_json(tmp_path: Path) -> None:
    path = sheet(
        tmp_path, [PASS, {**PASS, "reading_id": "A2", "plate": "../../x", "wind_mph": "30"}]
    )
    out = tmp_path / "out"
    result = CliRunner().invoke(
        inspect_command, [str(path), "--output", str(out), "--json"], catch_exceptions=False
    )
    assert result.exit_code == 0
    content = json.loads(result.stdout)
    assert content["counts"] == {"not above limit": 1, "not valid": 1}
    assert content["readings"][1]["reasons"][0].startswith("49 CFR 325.35")
    assert sorted(p.name for p in out.iterdir()) == [
        "inspections.csv",
        "inspections.json",
        "truck-001.html",
        "truck-001.txt",
        "truck-002.html",
        "truck-002.txt",
    ]
    only = sheets.sheet_text([inspect(read_readings(path)[0])], "x", "noise_law")
    assert "noise law enforced" in only
    assert "unmuffled only" not in only


def test_family_choices_of_the_command_are_those_of_the_table() -> None:
    option = next(p for p in inspect_command.params if p.name == "family")
    assert list(option.type.choices) == [f.key for f in families()]  # type: ignore[attr-defined]


def test_tables_name_each_source() -> None:
    for name in (
        "table_1.csv", "distance_correction.csv", "in_use_limits.csv", "new_truck_limits.csv",
        "editions.csv", "state_rules.csv", "ordinance_families.csv", "exhaust_conditions.csv",
        "tyre_conditions.csv",
    ):  # fmt: skip
        assert table_rows(rule.PACKAGE, name)


def test_new_truck_limits() -> None:
    """40 CFR 205.52 as printed: 83 from 1979, 80 from 1988."""
    years = (1978, 1979, 1987, 1988, 2024)
    assert [rule.new_truck_limit(year) for year in years] == [None, 83.0, 83.0, 80.0, 80.0]


DEMO = Path(__file__).parents[1] / "data/readings.csv"


def test_demo_sheet_finds_the_faults_put_in_on_purpose() -> None:
    found = {i.reading.reading_id: i for i in map(inspect, read_readings(DEMO))}
    manifest = json.loads((DEMO.parent / "manifest.json").read_text(encoding="utf-8"))
    faults = [f for f in _entries(manifest) if f.get("file") == "readings.csv"]
    assert len(faults) > 10
    evidence_only = {"field_check_after", "lab_calibration_date", "carrier"}
    for fault in faults:
        item = found[fault["id"]]
        if fault["field"] in evidence_only:
            assert item.verdict != "not valid", fault
        else:
            assert item.verdict == "not valid", fault


def _entries(node: object) -> list[dict[str, str]]:
    if isinstance(node, dict):
        inner = [entry for value in node.values() for entry in _entries(value)]
        return ([node] if "fault" in node else []) + inner
    if isinstance(node, list):
        return [entry for value in node for entry in _entries(value)]
    return []


@pytest.mark.parametrize("seed", range(60))
def test_damaged_sheets_end_in_a_sentence(tmp_path: Path, seed: int) -> None:
    """Bytes changed, cut or put in: a verdict or a sentence, never another error."""
    content = bytearray(sheet(tmp_path, [PASS, {**PASS, "reading_id": "A2"}]).read_bytes())
    rng = random.Random(seed)
    for _ in range(rng.randint(1, 12)):
        place = rng.randrange(len(content))
        kind = rng.random()
        if kind < 0.5:
            content[place] = rng.randrange(256)
        elif kind < 0.75:
            del content[place : place + rng.randrange(1, 30)]
        else:
            content[place:place] = rng.choice(
                [b"\x00", b'"', b"\n", b",", b"=1+1", b"1e999", b"nan"]
            )
    path = tmp_path / "damaged.csv"
    path.write_bytes(content)
    with contextlib.suppress(BadDataError):
        found = [inspect(reading) for reading in read_readings(path)]
        assert sheets.inspections_json(found)["readings"]
        assert sheets.sheet_html(found, "x")


RANK = ("not above limit", "above limit but within the tolerance", "above limit")


@given(
    level=st.floats(60.0, 110.0),
    more=st.floats(0.0, 10.0),
    distance=st.floats(31.0, 82.999),
    surface=st.sampled_from(["hard", "soft"]),
    speed=st.sampled_from([25.0, 35.0, 35.5, 65.0]),
    year=st.integers(1960, 2026),
)
def test_both_ways_agree_on_every_highway_pass_and_louder_is_never_better(
    level: float, more: float, distance: float, surface: rule.Surface, speed: float, year: int
) -> None:
    """The rule's own consistency: Table 1 and 50 ft give the same excess (highway only)."""
    table = rule.table_1_limit(distance, "highway", surface, speed)
    brought = rule.level_at_50_ft(level, distance, "highway", surface)
    assert table is not None
    assert brought is not None
    limit = table + rule.model_year_allowance(year, "highway", speed)
    excess = brought - rule.in_use_limit(year, "highway", speed)
    assert level - limit == pytest.approx(excess, abs=1e-9)
    louder = rule.verdict_of(level + more, limit)
    assert RANK.index(louder) >= RANK.index(rule.verdict_of(level, limit))


@pytest.mark.parametrize("feet", [31, 35, 39, 43, 48, 58, 70])
def test_a_foot_mark_entered_in_metres_lies_in_its_own_row(judge: Judge, feet: int) -> None:
    told = judge(distance_ft="", distance_m=f"{feet * 0.3048:.4f}", ambient_before="50")
    assert told.comparisons[0].limit == judge(distance_ft=str(feet)).comparisons[0].limit
