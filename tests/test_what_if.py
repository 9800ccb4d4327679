"""The what-if in a browser against the engine: levels, passes, people, brakes, and its panel."""

from __future__ import annotations

import base64
import gzip
import json
import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import zone_cases
from browser_support import opened
from outputs_fixture import HOSTILE, make_findings, make_scene
from what_if_made import made_table

from noisemap.community.criteria import criteria
from noisemap.exposure.driving import drive_road
from noisemap.exposure.levels import home_levels, scenario
from noisemap.exposure.passes import FREE
from noisemap.exposure.uncertainty import spread
from noisemap.outputs.map import map_html
from noisemap.outputs.map_data import data_text
from noisemap.outputs.offline import app_script, app_style, leaflet
from noisemap.outputs.what_if_data import criteria_lines, what_if_data
from noisemap.states import EXHAUST_STATES, UNMUFFLED, Zone
from noisemap.study.model import ZoneTable
from noisemap.zones.weigh import Base, weigh_zone
from noisemap.zones.what_if import NO_BRAKING, TOO_LARGE, NoTable, WhatIf, what_if
from noisemap.zones.what_if_brakes import furthest_ends
from noisemap.zones.what_if_packing import differences, from_first, packed_bytes
from noisemap.zones.what_if_rows import Columns, facades, piece_codes
from noisemap.zones.what_if_shapes import pieces, shapes

WITHIN_DB = 0.5
NIGHT = frozenset(zone_cases.PERIODS.night)
ZONES = (
    Zone("straight pipes at night", "hill", 900.0, 1500.0, NIGHT, observance=0.7),
    Zone("all at night", "hill", 800.0, 2600.0, NIGHT, "compression_release", 1.0),
    Zone("all day", "hill", 0.0, 3000.0, binds="every_auxiliary_brake", observance=0.9),
    Zone("nothing there", "hill", 0.0, 100.0, binds="compression_release", observance=1.0),
)


@pytest.fixture(scope="module")
def case(tmp_path_factory: pytest.TempPathFactory) -> tuple[Base, WhatIf]:
    place = zone_cases.town(homes=12)
    base, _ = zone_cases.weighed(tmp_path_factory.mktemp("town"), place)
    rules = tuple(
        criteria()[key]
        for key in ("traffic_abatement_b", "health_road_night", "housing_acceptable")
    )
    base = replace(base, criteria=rules)
    rows = [row for row in weigh_zone(base, ZONES[2]).brakes if row.condition == "normal"]
    hottest = max(rows, key=lambda row: row.peak_zone_c - row.peak_free_c)
    base = replace(base, planning_limit=0.5 * (hottest.peak_zone_c + hottest.peak_free_c))
    drives = {
        (0, way, index, FREE): drive_road(place.stretches, 0, way, truck, base.practice)
        for way in (1, -1)
        for index, truck in enumerate(base.trucks)
    }
    ends = [end for zone in ZONES for end in (zone.from_m, zone.to_m)]
    table = what_if(base, drives, np.zeros_like(base.other_by_hour), ends)
    assert isinstance(table, WhatIf)
    return base, table


PAGE = """<!DOCTYPE html><html lang="en"><head><meta charset="utf-8"><style>{style}</style>
<meta http-equiv="Content-Security-Policy" content="default-src 'none'; script-src 'unsafe-inline';
 style-src 'unsafe-inline'; img-src data:"></head><body>
<div id="map_noisemap" style="height:300px;width:100%"></div><div id="panel"></div>
<script type="application/json" id="data">{data}</script><script>{leaflet}</script>
<script>{scripts}</script><script>
window.map = L.map("map_noisemap", {{ crs: L.CRS.Simple, center: [600, 1500],
  zoom: -2, minZoom: -7 }});
window.seen = [];
window.ready = WhatIf.mount(document.getElementById("panel"),
  JSON.parse(document.getElementById("data").textContent),
  {{ map: window.map, recolour: function (levels) {{ window.seen.push(levels); }} }}
).then(function (handle) {{ window.handle = handle; return true; }});
</script></body></html>"""


@pytest.fixture(scope="module")
def page_file(case, tmp_path_factory: pytest.TempPathFactory) -> Path:
    _, table = case
    hostile = replace(ZONES[0], name=HOSTILE[0])
    data = what_if_data(table, (-600.0, -600.0), "metric", [hostile, *ZONES[1:]])
    data["trucks"][0]["name"] = HOSTILE[1]
    data["roads"][0]["name"] = HOSTILE[9]
    scripts = app_script().rsplit("// The map's own script", 1)[0]
    text = PAGE.format(
        style=leaflet("leaflet.css") + app_style(),
        data=data_text(data),
        leaflet=leaflet("leaflet.js"),
        scripts=scripts,
    )
    path = tmp_path_factory.mktemp("page") / "what if.html"
    path.write_text(text, encoding="utf-8")
    return path


def as_scenario(zone: Zone, **more) -> dict:
    return {
        "name": zone.name,
        "from": zone.from_m,
        "to": zone.to_m,
        "hours": sorted(zone.hours),
        "binds": zone.binds,
        "observance": zone.observance,
        "emergency": zone.emergency_use,
        **more,
    }


SET = """async (scenario) => {
  window.handle.set(Object.assign({shares: null, flow: 1}, scenario));
  await new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)));
  return window.handle.result();
}"""


def numbers(values) -> np.ndarray:
    return np.array([-np.inf if value is None else value for value in values], dtype=float)


def same(mine, theirs) -> None:
    heard = np.isfinite(theirs)
    assert (np.isfinite(mine) == heard).all()
    assert np.abs(mine[heard] - theirs[heard]).max(initial=0.0) <= WITHIN_DB


def with_traffic(base: Base, shares: dict[str, float] | None, flow: float) -> Base:
    """The engine's own base with other exhausts and another flow of braking trucks."""
    classes = []
    for one in base.classes:
        whole = sum(
            other.per_hour
            for other in base.classes
            if (other.direction, other.truck) == (one.direction, one.truck)
        )
        hours = one.per_hour if shares is None else shares[one.exhaust_state] * whole
        classes.append(replace(one, per_hour=flow * hours))
    counts = np.array([one.per_hour for one in classes])
    free = scenario(base.passes, counts, base.other_by_hour)
    before = home_levels(
        free,
        base.scene.receivers,
        base.scene.homes,
        base.periods,
        spread("fleet_spread"),
        base.background,
    )
    return replace(base, classes=tuple(classes), free=free, before=before)


@pytest.mark.browser
def test_every_figure_follows_the_engine(case, page_file):
    base, _ = case
    with opened(page_file) as watched:
        assert watched.page.evaluate("window.ready")
        for zone in ZONES:
            found = watched.page.evaluate(SET, as_scenario(zone))
            wanted = weigh_zone(base, zone)
            levels = found["levels"]
            same(numbers(levels["night"]), wanted.levels.l_night)
            same(numbers(levels["peak"]), wanted.levels.l_a_max)
            same(numbers(found["before"]["night"]), base.before.l_night)
            spared = wanted.people_passes[70].best
            assert found["found"]["spared"] == pytest.approx(spared, rel=0.05, abs=0.05)
            assert found["found"]["verdict"]["word"] == wanted.verdict
            mine = {
                (base.trucks[row["truck"]].name, row["direction"], row["condition"]): row["zone"]
                for row in found["found"]["brakes"]
                if row["equipped"]
            }
            theirs = {
                (row.truck, row.direction, row.condition): row.peak_zone_c
                for row in wanted.brakes
                if row.equipped
            }
            assert mine == pytest.approx(theirs, abs=0.6)
        assert watched.faults == []
        assert watched.requests == [page_file.as_uri()]


@pytest.mark.browser
@pytest.mark.parametrize(
    ("shares", "flow"),
    [
        ({"straight": 0.0, "worn": 0.0, "muffled": 0.4, "after_treatment": 0.6}, 1.0),
        ({"straight": 0.3, "worn": 0.2, "muffled": 0.2, "after_treatment": 0.3}, 1.5),
        (None, 0.5),
    ],
)
def test_other_trucks_follow_the_engine(case, page_file, shares, flow):
    base, _ = case
    other = with_traffic(base, shares, flow)
    with opened(page_file) as watched:
        watched.page.evaluate("window.ready")
        for zone in ZONES[1:3]:
            found = watched.page.evaluate(SET, as_scenario(zone, shares=shares, flow=flow))
            wanted = weigh_zone(other, zone)
            same(numbers(found["levels"]["night"]), wanted.levels.l_night)
            same(numbers(found["levels"]["peak"]), wanted.levels.l_a_max)
            alone = wanted.people_passes[70].best
            assert found["found"]["zoneAlone"] == pytest.approx(alone, rel=0.05, abs=0.05)


@pytest.mark.browser
def test_part_of_a_stretch_counts_by_its_length(case, page_file):
    with opened(page_file) as watched:
        watched.page.evaluate("window.ready")
        whole, part, less = (
            10.0
            ** (0.1 * numbers(watched.page.evaluate(SET, as_scenario(zone))["levels"]["night"]))
            for zone in (
                replace(ZONES[1], from_m=1000.0, to_m=1200.0),
                replace(ZONES[1], from_m=1000.0, to_m=1175.0),
                replace(ZONES[1], from_m=1000.0, to_m=1150.0),
            )
        )
        assert part == pytest.approx(0.5 * (whole + less), rel=1e-4)


@pytest.mark.browser
def test_ends_move_by_keys_and_mouse_and_steps_go_back(page_file):
    with opened(page_file, 1200, 1400) as watched:
        page = watched.page
        page.evaluate("window.ready")
        page.evaluate(SET, as_scenario(ZONES[0]))
        start = page.locator("#panel [role=slider][aria-label='Start of the zone']")
        assert start.get_attribute("aria-valuetext").startswith("0.90 km")
        start.focus()
        page.keyboard.press("ArrowRight")
        page.wait_for_timeout(100)
        assert page.evaluate("handle.scenario().from_m") == 910.0
        page.keyboard.press("PageUp")
        page.wait_for_timeout(100)
        assert page.evaluate("handle.scenario().from_m") == 1010.0
        page.click("text=Undo")
        page.wait_for_timeout(100)
        assert page.evaluate("handle.scenario().from_m") == 910.0
        page.click("text=Redo")
        page.wait_for_timeout(100)
        assert page.evaluate("handle.scenario().from_m") == 1010.0
        strip = page.locator(".wi-strip").bounding_box()
        end = page.locator(".wi-strip .wi-to").bounding_box()
        page.mouse.move(end["x"] + 8, end["y"] + 20)
        page.mouse.down()
        page.mouse.move(strip["x"] + 0.8 * strip["width"], end["y"] + 20, steps=4)
        page.mouse.up()
        page.wait_for_timeout(100)
        assert page.evaluate("handle.scenario().to_m") == pytest.approx(2400.0, abs=20.0)
        page.click("text=Undo")  # the whole drag is one step
        page.wait_for_timeout(100)
        assert page.evaluate("handle.scenario().to_m") == 1500.0
        pin = page.locator("#map_noisemap [aria-label='End of the zone']")
        pin.focus()
        page.keyboard.press("ArrowLeft")
        page.wait_for_timeout(100)
        assert page.evaluate("handle.scenario().to_m") == 1490.0
        box = pin.bounding_box()
        page.mouse.move(box["x"] + 2, box["y"] + 2)
        page.mouse.down()
        page.mouse.move(box["x"] + 62, box["y"] + 2, steps=5)
        page.mouse.up()
        page.wait_for_timeout(150)
        assert page.evaluate("handle.scenario().to_m") > 1600.0
        assert watched.faults == []


@pytest.mark.browser
def test_zone_is_drawn_by_two_clicks(page_file):
    with opened(page_file, 1200, 900) as watched:
        page = watched.page
        page.evaluate("window.ready")
        page.click("text=Draw on the map")
        for metres in (1800.0, 500.0):
            at = page.evaluate(
                f"(() => {{ const p = map.latLngToContainerPoint([640, {metres} + 600]);"
                "const b = map.getContainer().getBoundingClientRect();"
                "return [p.x + b.left, p.y + b.top]; })()"
            )
            page.mouse.click(*at)
        page.wait_for_timeout(150)
        zone = page.evaluate("handle.scenario()")
        assert (zone["from_m"], zone["to_m"]) == pytest.approx((500.0, 1800.0), abs=12.0)
        assert watched.faults == []


@pytest.mark.browser
def test_brakes_over_the_limit_say_not_allowed_never_noise_alone(case, page_file):
    with opened(page_file, 1200, 1400) as watched:
        page = watched.page
        page.evaluate("window.ready")
        found = page.evaluate(SET, as_scenario(ZONES[2]))
        assert found["found"]["verdict"]["word"] == "refused for brakes"
        text = page.inner_text(".wi-result")
        assert "✕ not allowed" in text
        assert "Quiet gained" in text
        assert "Do not sign" in text
        assert "From this start" in page.inner_text(".wi")
        page.wait_for_timeout(700)
        assert "Do not sign" in page.text_content(".wi-aloud")
        page.evaluate(SET, as_scenario(ZONES[3]))
        assert "left below the planning limit" in page.inner_text(".wi-result")


@pytest.mark.browser
def test_names_are_text_and_the_snippet_is_a_zone_that_a_study_reads(page_file):
    with opened(page_file, 1200, 1400) as watched:
        page = watched.page
        page.evaluate("window.ready")
        name = 'a "quoted" \\ <b>name</b>\u007f'
        page.get_by_label("Name", exact=True).fill(name)
        page.wait_for_timeout(150)
        for press in ("Keep as a scenario", "Keep as a scenario"):
            page.click(f"text={press}")
            page.wait_for_timeout(100)
        assert page.locator(".wi-kept thead th").count() == 2
        assert "<b>name</b>" in page.inner_text(".wi-kept")
        assert page.locator("img[src=x], svg[onload], .wi b").count() == 0
        assert page.evaluate("window.hit") is None
        table = tomllib.loads(page.evaluate("handle.toml()"))["zone"][0]
        zone = ZoneTable.model_validate(table)
        assert zone.name == name
        assert (zone.start, zone.end) == (900.0, 1500.0)
        assert zone.hours == NIGHT
        with page.expect_download() as saved:
            page.click("text=Download for the study")
        assert saved.value.suggested_filename == "a-quoted-b-name-b.toml"
        assert watched.faults == []


@pytest.mark.browser
def test_panel_answers_to_its_controls_and_a_phone(page_file):
    with opened(page_file, 390, 844) as watched:
        page = watched.page
        page.evaluate("window.ready")
        assert page.evaluate("document.documentElement.scrollWidth") <= 390
        page.click("text=All day")
        page.uncheck("[aria-label='3:00 to 4:00']")
        page.check("input[type=radio][value=compression_release]")
        page.get_by_label("exhausts as counted").uncheck()
        page.wait_for_timeout(100)
        page.get_by_label("no muffler, %").fill("40")
        page.get_by_label("no muffler, %").press("Tab")
        page.select_option("[aria-label=Units]", "us")
        page.wait_for_timeout(200)
        zone = page.evaluate("handle.scenario()")
        assert zone["hours"] == [hour for hour in range(24) if hour != 3]
        assert zone["binds"] == "compression_release"
        assert zone["shares"]["straight"] == pytest.approx(0.4)
        assert sum(zone["shares"].values()) == pytest.approx(1.0)
        assert " mi, " in page.inner_text(".wi") or " mi to " in page.inner_text(".wi")
        for control in page.locator("#panel input, #panel select, #panel button").all():
            assert control.evaluate(
                "e => (e.labels && e.labels.length) || e.textContent || e.ariaLabel"
            )
        assert watched.faults == []


def test_table_is_small_and_the_same_twice(case):
    _, table = case
    first = what_if_data(table, (0.0, 0.0), "us")
    assert first == what_if_data(table, (0.0, 0.0), "us")
    assert len(json.dumps(first)) < 300_000


def columns_of(first: list[int], count: int) -> Columns:
    rng = np.random.default_rng(7)
    return Columns(
        stretch=np.arange(count),
        heights=(0, 1),
        speed=np.full(count, 15.0),
        running=rng.uniform(0.5, 1.0, (count, 8)),
        peak=rng.uniform(0.5, 1.0, count),
        first=np.array(first),
        energy=rng.uniform(0.1, 1.0, (3, count, 2, 8)),
    )


def test_a_piece_carries_the_sum_and_the_loudest_of_its_stretches():
    rng = np.random.default_rng(11)
    first = [0, 1, 4, 9]
    columns = columns_of(first, 12)
    t = 10.0 ** rng.uniform(-7.0, -4.0, (5, 12, 2, 8))
    gain = rng.uniform(-15.0, 5.0, (5, 12))
    exhaust, running, raised = piece_codes(columns, t, gain)
    energy = np.add.reduceat(columns.energy.sum(axis=(2, 3)), first, axis=1)
    wanted = np.add.reduceat(np.einsum("rchb,schb->rsc", t, columns.energy), first, axis=2)
    assert np.abs(10.0 * np.log10(energy / wanted) - 0.5 * exhaust).max() <= 0.2501
    power = np.add.reduceat(columns.running.sum(axis=1), first)
    reached = np.add.reduceat(np.einsum("rcb,cb->rc", t[:, :, 0], columns.running), first, axis=1)
    assert np.abs(10.0 * np.log10(power / reached) - 0.5 * running).max() <= 0.2501
    all_shapes = columns.energy.sum(axis=0)
    share = np.einsum("rchb,chb->rc", t, all_shapes) / all_shapes.sum(axis=(1, 2))
    loud = np.maximum.reduceat(share * columns.peak * 10.0 ** (0.1 * gain), first, axis=1)
    every = np.add.reduceat(all_shapes.sum(axis=(1, 2)), first)
    mean = wanted.sum(axis=1) / every * np.maximum.reduceat(columns.peak, first)
    assert np.abs(10.0 * np.log10(loud / mean) - (0.5 * raised - 40.0)).max() <= 0.2501


def test_pieces_end_at_gaps_roads_cuts_and_lengths():
    ends = [(0.0, 10.0), (10.0, 20.0), (20.0, 30.0), (30.0, 70.0), (70.0, 80.0), (80.0, 90.0)]
    stretch, road = np.array([0, 1, 2, 3, 4, 6]), np.zeros(6)
    assert pieces(stretch, road, ends, []).tolist() == [0, 2, 3, 4, 5]
    assert pieces(stretch, road, ends, [10.0]).tolist() == [0, 1, 3, 4, 5]
    assert pieces(np.arange(6), np.array([0, 1, 1, 1, 1, 1]), ends, []).tolist() == [0, 1, 3, 4]


def test_exhausts_share_a_shape_only_where_every_path_weakens_them_alike():
    low, high = np.zeros((2, 1, 1, 8))
    low[..., 2], high[..., 5] = 1.0, 1.0
    emitted = np.stack([low, 0.5 * low + 1e-3 * high, 0.4 * high])
    far = 10.0 ** (-0.1 * np.array([60.0, 60, 60, 60, 60, 75, 80, 90])).reshape(1, 1, 1, 8)
    assert shapes(emitted, far).tolist() == [0, 0, 1]
    flat = np.full((1, 1, 1, 8), 1e-6)
    assert shapes(emitted, flat).tolist() == [0, 0, 0]


def test_differences_sum_to_the_codes():
    rng = np.random.default_rng(2)
    codes = rng.integers(0, 256, (4, 3, 20)).astype(np.uint8)
    laid = differences(from_first(codes))
    back = np.cumsum(laid, axis=2, dtype=np.uint8)
    back[:, 1:] += back[:, :1]
    assert (back == codes).all()


def decoded(data: dict, name: str) -> np.ndarray:
    """An array of whole numbers from the page's block, summed along its last axis."""
    kind, begin, shape = data["arrays"][name]
    raw = gzip.decompress(base64.b64decode(data["block"]))
    values = np.frombuffer(raw, dtype=f"<{kind}", offset=begin, count=int(np.prod(shape)))
    return np.cumsum(values.reshape(shape), axis=-1, dtype=values.dtype)


def test_a_whole_map_with_many_homes_fits_into_an_e_mail(monkeypatch):
    made = made_table(5000, 300)
    back = decoded(made.data, "attenuation")
    back[:, 1:] += back[:, :1]
    assert (back == made.attenuation).all()
    assert np.abs(0.5 * back - made.loss).max() <= 0.2501
    monkeypatch.setattr("noisemap.outputs.map.what_if_data", lambda *_: made.data)
    scene = make_scene(5000)
    page = map_html(scene, make_findings(scene), "the made table")
    assert made.data["block"] in page
    assert len(page.encode()) < 15_000_000


def test_a_study_too_large_or_without_braking_says_so(case, monkeypatch):
    base, table = case
    drives = {
        (0, way, index, FREE): drive_road(base.scene.stretches, 0, way, truck, base.practice)
        for way in (1, -1)
        for index, truck in enumerate(base.trucks)
    }
    heavy = np.zeros_like(base.other_by_hour)
    monkeypatch.setattr("noisemap.zones.what_if.MOST_BYTES", packed_bytes(table.paths) - 1)
    assert what_if(base, drives, heavy) == NoTable(TOO_LARGE)
    assert what_if(replace(base, classes=()), drives, heavy) == NoTable(NO_BRAKING)


@pytest.mark.browser
def test_a_map_without_the_table_says_why(tmp_path):
    scene = make_scene()
    path = tmp_path / "map.html"
    path.write_text(map_html(scene, make_findings(scene), NoTable(TOO_LARGE)), encoding="utf-8")
    with opened(path) as watched:
        assert watched.page.inner_text("#what-if-panel") == TOO_LARGE
        assert not watched.page.is_visible("#try")
        assert watched.faults == []


def test_criteria_are_weights_of_hours_and_leave_out_what_cannot_be_compared(case):
    base, _ = case
    lines = criteria_lines(base)
    assert [line["limit"] for line in lines] == [67.0, 45.0]  # no background: no total level
    assert lines[0]["weights"] is None
    assert sum(lines[1]["weights"]) == pytest.approx(1.0)


def test_facades_kept_are_the_fewest_that_reach_the_loudest():
    levels = np.array([[60.0, 40.0, 50.0], [40.0, 60.0, 50.0], [59.9, 59.9, 50.0]])
    assert facades(levels).tolist() == [2]
    assert facades(levels[:2]).tolist() == [0, 1]


def test_furthest_end_stops_before_the_first_hot_interval():
    peak = np.array([[np.nan, 100.0, 195.0, 180.0]] + [[np.nan] * 4] * 3)
    assert furthest_ends(peak, 190.0)[0] == 1
    assert furthest_ends(peak, 200.0)[0] == 3


def test_unmuffled_states_agree_with_the_page():
    assert '["worn", "straight"]' in app_script()
    assert UNMUFFLED == ("worn", "straight")
    assert set(UNMUFFLED) < set(EXHAUST_STATES)
