"""Weighing a study: the decision, the pages, the tables, the command."""

from __future__ import annotations

import csv
import io
import json
import re
import tomllib
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import outputs_fixture
import pytest
import zone_cases
from click.testing import CliRunner

from noisemap.cli.weigh import weigh_command
from noisemap.errors import CannotWriteError
from noisemap.exposure.driving import drive_road
from noisemap.exposure.passes import FREE
from noisemap.exposure.results import Findings
from noisemap.outputs.blocks import Bullets, Grid, Heading, Shown, Words
from noisemap.outputs.weigh_pages import split, weigh_html, weigh_pdf
from noisemap.outputs.weigh_report import listed_zones, sign_places, weigh_blocks
from noisemap.outputs.weigh_tables import weigh_record, weigh_tables
from noisemap.outputs.weigh_words import (
    answer_sentences,
    beginning_sentence,
    degrees,
    length_text,
    speed_text,
)
from noisemap.outputs.weigh_write import answer_text, write_weighed
from noisemap.states import Zone
from noisemap.study.progress import Silent
from noisemap.study.weigh import searched_roads, shown_zones, weigh
from noisemap.zones.search import search
from noisemap.zones.signs import Beginning
from noisemap.zones.weighed import decide, why_none

CREATED = outputs_fixture.CREATED
HAND_DRAWN = (
    Zone("by hand </script>", "hill", 1320.0, 1450.0, binds="compression_release"),
    Zone("=whole", "hill", 0.0, 3000.0, binds="compression_release"),
)


def found(folder: Path, *, planning_limit: float = 184.0, zones=HAND_DRAWN, units="us"):
    place = zone_cases.town(piece=120.0, grades=(-0.02, -0.08, -0.05, -0.08), length=4800.0)
    labels = tuple(outputs_fixture.HOSTILE[: len(place.homes.home_id)])
    place = replace(place, homes=replace(place.homes, label=labels))
    base, sound = zone_cases.weighed(folder, place, planning_limit=planning_limit)
    base = replace(base, units=units)
    drives = {
        (0, way, index, FREE): drive_road(place.stretches, 0, way, truck, base.practice)
        for way in (1, -1)
        for index, truck in enumerate(base.trucks)
    }
    computed = SimpleNamespace(base=base, sound=sound, drives=drives)
    weighed = weigh(SimpleNamespace(zones=zones), place, computed, Silent())
    findings = Findings(
        study_name="Hill <b>study</b>",
        units=units,
        before=base.before,
        zones=tuple(shown_zones(weighed)),
        areas=(),
        areas_indicator="",
        drive={},
        people_by_band={},
        far_people=0.0,
        home_flags=(),
        answer="",
        cautions=(),
        assumptions=(),
        warnings=(),
        method=(),
        uncertainty=(),
        sources=(),
        invented=True,
    )
    return place, weighed, findings, computed


@pytest.fixture(scope="module")
def case(tmp_path_factory: pytest.TempPathFactory):
    return found(tmp_path_factory.mktemp("store"))


@pytest.fixture(scope="module")
def nothing(tmp_path_factory: pytest.TempPathFactory):
    """A planning limit so low that no zone is defensible."""
    return found(tmp_path_factory.mktemp("store"), planning_limit=100.0, units="metric")


def texts(blocks) -> str:
    parts = []
    for block in blocks:
        if isinstance(block, Words):
            parts.append(block.text)
        elif isinstance(block, Bullets):
            parts += block.texts
        elif isinstance(block, Grid):
            parts += [block.caption, *block.headers, *(cell for row in block.rows for cell in row)]
    return "\n".join(parts)


def blocks_of(case):
    place, weighed, findings, _ = case
    return weigh_blocks(place, findings, weighed, {"noisemap": "x", "seed": 1}, CREATED)


def test_the_search_beats_the_hand(case) -> None:
    _, weighed, _, _ = case
    chosen = weighed.decision.recommended
    own = {one.zone.name: one for one in weighed.zones}
    assert chosen.verdict == "worth signing"
    assert own["=whole"].verdict != "worth signing"
    assert chosen.people_passes[70].best > own["by hand </script>"].people_passes[70].best


def test_the_answer_names_the_place_the_gain_and_the_room(case) -> None:
    _, weighed, findings, _ = case
    text = " ".join(answer_sentences(weighed, findings))
    chosen, candidate = weighed.decision.recommended, weighed.decision.candidate
    assert f"{chosen.zone.from_m / 1609.344:.2f} mi" in text
    assert f"{1.8 * candidate.cautious_margin:.0f}\u00a0°F" in text
    assert "zone found by search spares" in text
    assert "Without any sign, working mufflers on 50% of the unmuffled trucks" in text


def test_without_a_defensible_zone_the_reasons_are_counted(nothing) -> None:
    _, weighed, findings, _ = nothing
    assert weighed.decision.recommended is None
    text = " ".join(answer_sentences(weighed, findings))
    assert "None of the zones" in text
    assert "too coarse" not in text
    assert "too coarse" in " ".join(answer_sentences(replace(weighed, coarse=True), findings))
    every = [one for result in weighed.searches for one in result.candidates]
    over = sum(one.normal_margin < 0.0 for one in every)
    assert f"{over:,} take normal brakes over" in text
    assert weighed.decision.subject is not None
    assert len(weighed.alternatives) > 6


def test_no_retarder_no_search() -> None:
    assert why_none((), 5.0)[0].startswith("No truck uses")


def test_a_proposal_that_the_full_weighing_refuses_is_not_taken(case) -> None:
    _, weighed, _, computed = case
    strict = replace(computed.base, worth_people_passes=1e9)
    decision = decide(strict, weighed.zones, weighed.searches)
    assert decision.recommended is None
    assert decision.subject in [one.zone for one in weighed.zones]


def test_a_study_without_zones_is_searched_all_the_same(tmp_path) -> None:
    _, weighed, findings, _ = found(tmp_path, zones=())
    assert weighed.zones == ()
    assert weighed.observance == 0.7
    assert weighed.decision.recommended is not None
    assert "No zone drawn by hand" in " ".join(answer_sentences(weighed, findings))


def test_only_roads_with_descents_or_zones_are_searched(case) -> None:
    _, _, _, computed = case
    roads, left = searched_roads(SimpleNamespace(zones=()), computed.base)
    assert (roads, left) == ([0], ())
    level = replace(computed.base.scene.roads[0], height=np.full(41, 500.0))
    flat = replace(computed.base, scene=replace(computed.base.scene, roads=(level,)))
    assert searched_roads(SimpleNamespace(zones=()), flat)[0] == []
    assert searched_roads(SimpleNamespace(zones=HAND_DRAWN), flat)[0] == [0]


def test_the_page_is_whole_and_says_no_forbidden_word(case) -> None:
    _, _, findings, _ = case
    blocks = blocks_of(case)
    page = weigh_html(blocks, "title", findings.units)
    seen = re.sub(r"data:image/png;base64,[^\"]*|<meta http-equiv.*", "", page)
    for text in (texts(blocks), seen):
        assert not re.search(r"\b(un)?safe(ly|ty|r|st)?\b", text, re.IGNORECASE)
    assert "<b>study" not in page
    assert "by hand </script>" not in page
    assert "<img src=x" not in page
    assert "not be posted" not in page
    for words in ("What the brakes do", "Other measures", "Questions for counsel", "In rain and"):
        assert words in page


def test_speeds_are_never_an_instruction(case) -> None:
    text = texts(blocks_of(case)).lower()
    assert not re.search(r"\b(drive|descend|go|keep|slow) (at|to|down to|below) \d", text)
    assert "highest speed screened" in text
    assert "information, not advice" in text


def test_the_council_reads_two_pages(case) -> None:
    pypdf = pytest.importorskip("pypdf")
    _, _, findings, _ = case
    blocks = blocks_of(case)
    reader = pypdf.PdfReader(io.BytesIO(weigh_pdf(blocks, "title", findings.units, CREATED)))
    pages = [page.extract_text() for page in reader.pages]
    first = next(i for i, text in enumerate(pages) if "For the engineer" in text)
    assert first <= 2
    council = " ".join(" ".join(pages[:first]).split())
    for words in ("The answer", "worth signing", "Where the answer turns", "What was assumed",
                  "Who gains", "Who pays", "Read this with every figure",
                  "The law to check locally"):  # fmt: skip
        assert words in council
    before, after = split(blocks)
    assert len(before) > 8
    assert len(after) > 12


def test_the_map_shows_where_signs_would_stand(case) -> None:
    _, weighed, _, _ = case
    places = sign_places(weighed)
    assert len(places) == sum("home" not in one.kind for one in weighed.signs) - sum(
        one.kind == "decision sight" for one in weighed.signs
    )
    picture = next(block.picture for block in blocks_of(case) if isinstance(block, Shown))
    assert f"{len(places)} places of signs" in picture.text


def test_no_heading_of_the_report_ends_a_page(case) -> None:
    pypdf = pytest.importorskip("pypdf")
    blocks = blocks_of(case)
    headings = {" ".join(block.text.split()) for block in blocks if isinstance(block, Heading)}
    reader = pypdf.PdfReader(io.BytesIO(weigh_pdf(blocks, "title", "us", CREATED)))
    for page in reader.pages:
        lines = [line for line in page.extract_text().split("\n") if "· page" not in line]
        assert lines[-1].strip() not in headings


def test_refused_hand_drawn_and_recommended_stand_together(case) -> None:
    _, weighed, findings, _ = case
    listed = listed_zones(findings.zones, weighed)
    assert listed[0] == (1, weighed.decision.recommended)
    assert {one.zone.name for _, one in listed} >= {zone.name for zone in HAND_DRAWN}


def test_unmuffled_only_always_stands_beside_the_blanket(case) -> None:
    _, weighed, _, _ = case
    names = [one.name for one in weighed.alternatives]
    assert "unmuffled trucks only, at night" in names
    assert "every compression-release brake, at night" in names
    page = texts(blocks_of(case))
    assert "closed to every compression-release brake on all" in page
    assert "degraded" in page


def test_tables_are_plain_and_guarded(case, tmp_path) -> None:
    place, weighed, findings, _ = case
    files = write_weighed(tmp_path, place, findings, weighed, {"seed": 1}, CREATED)
    names = {file.name for file in files}
    assert {"weigh.html", "weigh.pdf", "weigh.json", "weigh.gpkg", "weigh_front.csv"} <= names
    for file in files:
        if file.suffix != ".csv":
            continue
        rows = list(csv.reader(io.StringIO(file.read_text(encoding="utf-8-sig"))))
        assert len({len(row) for row in rows}) == 1
        for row in rows[1:]:
            for cell in row:
                number = re.fullmatch(r"-?\d[\d.]*(e-?\d+)?", cell)
                assert number or not cell.startswith(("=", "+", "-", "@"))


def test_signs_and_louder_homes_are_layers(case, tmp_path) -> None:
    import pyogrio

    from noisemap.outputs.weigh_layers import weigh_geopackage

    place, weighed, findings, _ = case
    louder = replace(weighed.alternatives[0], louder_homes=((1, 0.4), (3, 0.2)))
    weighed = replace(weighed, alternatives=(louder,))
    path = tmp_path / "weigh.gpkg"
    path.write_bytes(weigh_geopackage(place, findings, weighed, CREATED))
    assert {name for name, _ in pyogrio.list_layers(path)} == {"signs", "louder_homes", "zones"}
    homes = pyogrio.read_dataframe(path, layer="louder_homes")
    assert homes.geometry.x.tolist() == pytest.approx(place.homes.x[[1, 3]].tolist())
    assert len(pyogrio.read_dataframe(path, layer="signs")) == len(weighed.signs)
    assert len(pyogrio.read_dataframe(path, layer="zones")) == len(findings.zones)


def test_the_record_is_json_and_holds_the_search_grid(case) -> None:
    place, weighed, findings, _ = case
    record = json.loads(json.dumps(weigh_record(place, weighed, findings), allow_nan=False))
    assert record["verdict"] == "zone recommended"
    grid = record["searches"][0]
    assert len(grid["trucks"][0]["furthest_permitted_end_m"]) == len(grid["ends_m"])
    sheet = weighed.searches[0].screen
    one = sheet.trucks[0]
    start = 3
    furthest = grid["trucks"][0]["furthest_permitted_end_m"][start]
    last = int(np.flatnonzero(one.marched.permitted[start])[-1])
    assert furthest == pytest.approx(sheet.chainage[last], abs=0.06)
    assert grid["trucks"][0]["peak_c"][0][0] == pytest.approx(
        float(one.marched.peak_c[0, 1]), abs=0.06
    )


def test_the_record_of_no_zone(nothing) -> None:
    place, weighed, findings, _ = nothing
    record = weigh_record(place, weighed, findings)
    assert record["verdict"] == "no defensible zone"
    assert record["recommended"] is None
    assert "None of the zones" in answer_text(weighed, findings, place)
    assert weigh_html(blocks_of(nothing), "t", "metric")


def test_front_rows_mark_the_recommended_and_the_limits(case) -> None:
    place, weighed, findings, _ = case
    table = {one.name: one for one in weigh_tables(place, weighed, findings.units)}["weigh_front"]
    column = table.headers.index("keeps every limit")
    room = next(
        i for i, head in enumerate(table.headers) if head.startswith("room below the limit, worn")
    )
    normal = next(
        i for i, head in enumerate(table.headers) if head.startswith("room below the limit, normal")
    )
    for row in table.rows:
        assert (row[column] == "yes") == (row[room] >= 0.0 and row[normal] >= 0.0)
    assert {row[column] for row in table.rows} == {"yes", "no"}


def test_a_link_is_not_followed(case, tmp_path) -> None:
    place, weighed, findings, _ = case
    outside = tmp_path / "outside"
    outside.write_text("mine")
    folder = tmp_path / "out"
    folder.mkdir()
    (folder / "weigh.html").symlink_to(outside)
    with pytest.raises(CannotWriteError, match="follow no link"):
        write_weighed(folder, place, findings, weighed, {}, CREATED)
    assert outside.read_text() == "mine"
    assert (folder / "weigh.json").is_file()


def test_words_and_units() -> None:
    assert degrees(10.0, "us") == "18\u00a0°F"
    assert degrees(10.0, "metric") == "10\u00a0°C"
    assert speed_text(None, "us") == "none"
    assert speed_text(20.1168, "us") == "45 mph"
    assert length_text(float("inf"), "us") == "no limit"
    assert length_text(0.0, "us") == "none"
    assert length_text(1609.344, "us") == "1.0 mi"
    late = beginning_sentence(Beginning(1, 100.0, 700.0, 600.0), "metric")
    early = beginning_sentence(Beginning(1, 700.0, 700.0, 0.0), "metric")
    assert "past the crest" in late
    assert "before the" in early


def test_a_zone_searched_twice_gives_the_same(case) -> None:
    _, weighed, _, computed = case
    again = search(computed.base, computed.sound, 0, weighed.observance)
    first = weighed.searches[0]
    assert again.recommended == first.recommended
    assert [one.spared for one in again.candidates] == [one.spared for one in first.candidates]


def test_the_command_says_what_is_missing(tmp_path) -> None:
    from noisemap.errors import MissingInputError

    study = tmp_path / "study.toml"
    outcome = CliRunner().invoke(weigh_command, [str(study), "--quiet"])
    assert outcome.exit_code == 1
    assert isinstance(outcome.exception, MissingInputError)
    assert CliRunner().invoke(weigh_command, ["--help"]).exit_code == 0


def test_data_of_the_zones_name_sources_and_marks() -> None:
    """Every packaged table of the zones passes the check of provenance."""
    from noisemap.data_tables import toml_table

    folder = Path(__file__).parents[1] / "noisemap" / "zones"
    names = sorted(path.name for path in folder.glob("*.toml"))
    assert len(names) >= 6
    for name in names:
        assert toml_table("noisemap.zones", name) == tomllib.loads(
            (folder / name).read_text(encoding="utf-8")
        )


def test_the_answer_says_why_each_zone_drawn_by_hand_is_not_it(case) -> None:
    _, weighed, findings, _ = case
    text = " ".join(answer_sentences(weighed, findings))
    whole = next(one for one in weighed.zones if one.zone.name == "=whole")
    assert f"=whole: {whole.verdict} (" in text
    assert "planning limit" in text


def test_rain_another_way_and_hours_stand_in_the_report(case) -> None:
    place, weighed, findings, _ = case
    rows = {one.name: one for one in weighed.alternatives}
    assert rows["any of these in rain or in winter"].spared.best == 0.0
    assert rows["another way past the zone"].remark.startswith("none: ")
    page = texts(blocks_of(case))
    tables = {one.name: one for one in weigh_tables(place, weighed, findings.units)}
    assert tables["weigh_hours"].rows[0][2] == 1.0
    assert "Without any retarder on the whole road" in page
    assert "use the retarder all the same to keep control" in page
    front = tables["weigh_front"]
    low, high = (front.headers.index(f"above 70 dB, 90 % {word}") for word in ("low", "high"))
    assert all(row[low] <= row[high] for row in front.rows)
