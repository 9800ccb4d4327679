import html
import json
import re
from dataclasses import replace

import folium
import numpy as np
import pytest
from outputs_fixture import HOSTILE, make_findings, make_scene, without_zones

from noisemap.outputs import bands, offline
from noisemap.outputs.backdrop import relief_bounds, relief_picture, shaded_relief
from noisemap.outputs.map import map_html
from noisemap.outputs.map_data import data_text, map_data
from noisemap.outputs.offline import (
    OutsideReferenceError,
    leaflet,
    offline_page,
    refuse_outside_references,
    scan,
    script_policy,
)

SCENE = make_scene()
FINDINGS = make_findings(SCENE)


@pytest.fixture(scope="module")
def page():
    return map_html(SCENE, FINDINGS)


def data_of(page):
    block = re.search(r'<script type="application/json" id="study-data">(.*?)</script>', page, re.S)
    return json.loads(block.group(1))


def elements(page):
    """Names of all elements, read as a browser's parser would."""
    found = []

    class Names(offline.PageScan):
        def handle_starttag(self, tag, attrs):
            found.append(tag)
            super().handle_starttag(tag, attrs)

    reader = Names()
    reader.feed(page)
    return sorted(found)


def test_page_points_nowhere_outside(page):
    refuse_outside_references(page, exempt=(leaflet("leaflet.js"), leaflet("leaflet.css")))
    found = scan(page)
    assert found.references == []
    assert found.handlers == []


def test_hostile_names_add_no_element(page):
    clean = replace(
        SCENE, homes=replace(SCENE.homes, label=("x",) * 60, home_id=tuple(map(str, range(60))))
    )
    assert elements(page) == elements(map_html(clean, FINDINGS))


def test_hostile_names_stand_only_in_the_data_block(page):
    outside = re.sub(r'<script type="application/json".*?</script>', "", page, flags=re.S)
    for name in HOSTILE:
        if name.startswith(("<", '"')) and "script" not in name:
            assert name not in outside
            assert html.escape(name) not in outside
    assert "Larkspur" not in outside
    labels = data_of(page)["homes"]["label"]
    assert HOSTILE[0] in labels
    assert HOSTILE[3] in labels


def test_policy_names_exactly_the_three_scripts(page):
    policy = re.search(r'Content-Security-Policy" content="([^"]*)"', page).group(1)
    assert policy.count("'sha256-") == 3
    script_rule = policy.split("script-src")[1].split(";")[0]
    assert "unsafe" not in script_rule
    assert "default-src 'none'" in policy
    assert page.index("Content-Security-Policy") < page.index("<style")


def test_one_more_script_is_refused(page):
    trusted = (leaflet("leaflet.js"), offline.asset("map.js"))
    with pytest.raises(OutsideReferenceError, match="4 scripts"):
        script_policy(page.replace("</body>", "<script>1</script></body>"), trusted)
    with pytest.raises(OutsideReferenceError):
        script_policy(page.replace("use strict", "use  strict"), trusted)


@pytest.mark.parametrize(
    "piece",
    [
        '<script src="https://cdn.invalid/x.js"></script>',
        '<link rel="stylesheet" href="//cdn.invalid/x.css">',
        '<img src="http://x.invalid/a.png">',
        '<iframe src="x.html"></iframe>',
        "<script>L.tileLayer('a')</script>",
        "<script>fetch('https://x.invalid')</script>",
        "<style>@import 'x.css';</style>",
        "<style>a { background: url(x.png) }</style>",
        '<p style="background: url(http://x.invalid)">',
        '<p onclick="x()">',
        '<form action="http://x.invalid">',
    ],
)
def test_guard_sees_each_way_out(piece):
    with pytest.raises(OutsideReferenceError, match="nothing was written"):
        refuse_outside_references(f"<html><body>{piece}</body></html>")


def test_guard_stops_a_common_folium_map():
    view = folium.Map((40.0, 6.0))
    with pytest.raises(OutsideReferenceError):
        refuse_outside_references(view.get_root().render())


def test_guard_stops_the_page_before_it_is_handed_out():
    bad = '<img src="https://x.invalid/a.png">'
    with pytest.raises(OutsideReferenceError):
        offline_page("t", "{}", 10.0, 10.0, before=bad, after="")


def test_page_is_the_same_twice_and_leaves_folium_alone(page):
    before = list(folium.Map.default_js)
    assert map_html(SCENE, FINDINGS) == page
    assert folium.Map.default_js == before


def test_page_is_small(page):
    assert len(page.encode()) < 2_000_000
    many = make_scene(5000)
    assert len(map_html(many, make_findings(many)).encode()) < 15_000_000


def test_changed_leaflet_is_refused(monkeypatch):
    leaflet.cache_clear()
    monkeypatch.setitem(offline.LEAFLET_SHA256, "leaflet.js", "0" * 64)
    with pytest.raises(OutsideReferenceError, match=re.escape("1.9.3.0")):
        leaflet("leaflet.js")
    leaflet.cache_clear()


def test_data_text_cannot_end_its_block():
    text = data_text({"a": "</script><!--\u2028&"})
    assert "<" not in text
    assert "\u2028" not in text
    assert json.loads(text) == {"a": "</script><!--\u2028&"}


def test_data_holds_levels_to_a_tenth_and_no_people(page):
    data = data_of(page)
    homes = data["homes"]
    assert len(homes["x"]) == 60
    assert "people" not in homes
    silent = np.flatnonzero(np.isneginf(FINDINGS.before.l_night))
    assert all(homes["before"]["night"][index] is None for index in silent)
    loud = int(np.argmax(FINDINGS.before.l_a_max))
    assert homes["before"]["peak"][loud] == round(float(FINDINGS.before.l_a_max[loud]), 1)
    for number, result in enumerate(FINDINGS.zones):
        assert homes["nightQuieter"][number][loud] == round(float(result.quieter_by[loud]), 1)


def test_zones_keep_noise_and_brakes_together(page):
    zones = data_of(page)["zones"]
    assert [zone["refused"] for zone in zones] == [False, True, False]
    for zone, result in zip(zones, FINDINGS.zones, strict=True):
        assert len(zone["brakes"]) == len(result.brakes)
        assert "480" in zone["brakes"][0]["cells"][2]  # the planning limit, 249 °C


def test_metric_study_shows_metric_first():
    data = map_data(SCENE, replace(FINDINGS, units="metric"))
    assert data["zones"][0]["brakes"][0]["cells"][2].startswith("249")
    assert data["stretches"]["from"][1].endswith("km")


def test_places_are_metres_from_the_corner():
    west, south, east, north = relief_bounds(SCENE.terrain)
    data = map_data(SCENE, FINDINGS)
    assert data["bounds"] == [[0.0, 0.0], [north - south, east - west]]
    assert data["homes"]["x"][0] == pytest.approx(SCENE.homes.x[0] - west, abs=0.051)
    start = data["zones"][0]["line"][0]
    road = SCENE.roads[0]
    chainage = FINDINGS.zones[0].zone.from_m
    assert start[0] == pytest.approx(np.interp(chainage, road.chainage, road.y) - south, abs=0.06)


def test_study_without_zones_has_a_map():
    data = map_data(SCENE, without_zones(FINDINGS))
    assert data["zones"] == []
    assert map_html(SCENE, without_zones(FINDINGS))


def test_slopes_facing_the_light_are_brighter():
    rows, columns = np.mgrid[0:20, 0:20]
    lit = replace(SCENE.terrain, height=(columns - rows) * 2.0)  # faces north-west
    dark = replace(SCENE.terrain, height=(rows - columns) * 2.0)
    flat = replace(SCENE.terrain, height=np.zeros((20, 20)))
    light = [shaded_relief(item).mean() for item in (lit, flat, dark)]
    assert light[0] > light[1] > light[2]
    assert light[1] == pytest.approx(np.sin(np.radians(45.0)))


def test_backdrop_stays_small():
    rows, columns = np.mgrid[0:2000, 0:3000]
    rough = replace(SCENE.terrain, height=40.0 * np.sin(rows / 30.0) * np.cos(columns / 40.0))
    picture = relief_picture(rough)
    assert picture[:4] == b"\x89PNG"
    assert len(picture) < 700_000


@pytest.mark.parametrize(
    "chosen", [bands.PEAK_BANDS, bands.NIGHT_BANDS, bands.PASS_BANDS, bands.QUIETER_BANDS]
)
def test_colours_darken_and_marks_grow_with_the_value(chosen):
    def light(colour):
        red, green, blue = (int(colour[at : at + 2], 16) for at in (1, 3, 5))
        return 0.2126 * red + 0.7152 * green + 0.0722 * blue

    shades = [light(band.colour) for band in chosen]
    assert shades == sorted(shades, reverse=True)
    assert min(np.diff(shades)) < 0
    assert np.all(np.diff([band.radius for band in chosen]) > 0)
    assert np.all(np.diff(shades) < -10)  # told apart without any colour


def test_bands_hold_their_lower_edge():
    assert bands.band_of(bands.PEAK_BANDS, 70.0).label == "70 to 75 dB"
    assert bands.band_of(bands.PEAK_BANDS, 69.99).label == "65 to 70 dB"
    assert bands.band_of(bands.PEAK_BANDS, float("-inf")).label == "under 50 dB or none"
    assert bands.band_of(bands.PEAK_BANDS, float("nan")).label == "under 50 dB or none"
    assert bands.band_of(bands.PEAK_BANDS, 99.0).label == "80 dB and more"
