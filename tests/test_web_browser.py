"""The page in a real browser: files, work, tabs, names, sound, the map, a phone."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
import zone_cases
from browser_support import Watched, opened_at
from outputs_fixture import make_findings, make_scene
from web_support import Stand, served, stand_in, study_in

from noisemap.exposure.driving import drive_road
from noisemap.exposure.passes import FREE
from noisemap.outputs.map import map_html
from noisemap.study.demo import copy_demo
from noisemap.study.hours import parse_hours
from noisemap.zones.what_if import what_if

pytestmark = pytest.mark.browser

SCREENS = ("Set up", "Check", "Compute", "Decide", "Listen", "Routes", "Inspect", "Studies")
MARKUP = '<img src=x onerror=alert(1)>"</script><b>'
WAITING = 'tell(stage="first")\ntell(done=1, total=4)\nwait("go")\ntell(result={})\n'


def plan(name: str = "Hill Road") -> dict[str, Any]:
    """A scene as a check hands it over: one road, two homes."""
    return {
        "size": [1000.0, 500.0],
        "relief": "data:image/gif;base64,R0lGODlhAQABAAAAACwAAAAAAQABAAA=",
        "homes": {
            "id": ["H1", name], "label": [f"1 {name}", ""], "kind": ["home", "home"],
            "x": [300.0, 600.0], "y": [200.0, 200.0],
        },
        "roads": [
            {
                "id": "hill", "name": name, "length_m": 1000.0, "limit_kmh": [60.0, 60.0],
                "from_m": [0.0, 500.0], "to_m": [500.0, 1000.0], "x": [250.0, 750.0],
                "y": [100.0, 100.0], "grade": [-6.0, -1.0], "class": [3, 0],
                "ends": [[0.0, 100.0, 500.0, 100.0], [500.0, 100.0, 1000.0, 100.0]],
            }
        ],
        "grades": [{"label": f"class {n}", "colour": "#444444"} for n in range(4)],
        "attribution": [],
    }  # fmt: skip


def checked(name: str = "Hill Road", problems: tuple[str, ...] = ()) -> dict[str, Any]:
    """What a check leaves."""
    road = {
        "id": "hill", "name": name, "length_m": 1000.0, "start": "0 N", "upper_m": 600.0,
        "lower_m": 540.0, "stretches": 2, "vehicles_per_day": 900.0, "heavy_per_day": 90.0,
    }  # fmt: skip
    found = {
        "study": "s", "name": name, "units": "metric", "crs": "EPSG:32606", "homes": 2,
        "people": 5.0, "receivers": 2, "paths": 4, "memory_gb": 0.1, "terrain_cell_m": 10.0,
        "roads": [road], "descents": [], "facts": {}, "assumptions": [name], "warnings": [name],
        "repairs": [name], "attribution": [],
    }  # fmt: skip
    rows = [{"where": "", "field": "", "text": text} for text in problems]
    return {"found": found, "problems": rows, "plan": plan(name), "sheet": None}


def says(**results: Any) -> str:
    """A stand-in that answers each kind of work at once."""
    return f"answers = json.loads({json.dumps(results)!r})\ntell(result=answers[ask['kind']])\n"


@contextmanager
def at(root: Path, screen: str = "", width: int = 1280, refused: int = 0) -> Iterator[Watched]:
    """The page of the one study in a folder, at a screen, with so many requests refused."""
    with served(root) as (address, _), opened_at(address, width, 800) as watched:
        page = watched.page
        page.wait_for_selector("#steps a[aria-current]")
        if screen:
            page.click(".studies a")
            page.wait_for_selector("#steps a >> text=Compute")
            page.click(f"nav >> text={screen}")
            page.wait_for_selector(f"h1:has-text('{screen.split()[0]}')")
        yield watched
        conflicts = [text for text in watched.faults if "status of 409" in text]
        assert watched.faults == conflicts
        assert len(conflicts) == refused
        outside = [url for url in watched.requests if not url.startswith(("http://127.", "data:"))]
        assert outside == []


def test_a_study_is_set_up_and_a_spoiled_file_is_told(tmp_path: Path) -> None:
    study = copy_demo(tmp_path / "town")
    spoiled = tmp_path / "terrain.tif"
    spoiled.write_bytes((study.parent / "terrain.tif").read_bytes()[:20_000])
    with at(tmp_path, "Set up", refused=1) as watched:
        page = watched.page
        page.set_input_files(".file-pick input", spoiled)
        page.wait_for_selector("text=is there already")
        page.check("text=replace files of the same name")
        page.set_input_files(".file-pick input", spoiled)
        page.wait_for_selector("text=terrain.tif is in the study's folder")
        page.get_by_label("Name", exact=True).first.fill("Renamed")
        page.click("button:has-text('Save') >> nth=0")
        page.wait_for_selector("text=Saved.")
        page.click("text=Check the scene ›")
        page.click("main >> button:has-text('Check the scene')")
        page.wait_for_selector(".fault-box", timeout=90_000)
        assert "terrain.tif" in page.inner_text(".fault-box")
    assert tomllib.loads(study.read_text())["study"]["name"] == "Renamed"


def test_two_tabs_see_one_run_and_a_reload_finds_it_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    study_in(tmp_path / "hill")
    stand: Stand = stand_in(monkeypatch, tmp_path, WAITING)
    with at(tmp_path, "Compute") as watched:
        first = watched.page
        second = first.context.new_page()
        second.goto(first.url)
        first.click("text=Compute the study")
        second.wait_for_selector(".stages >> text=first, 25 %")
        assert second.is_disabled("main .main")
        first.reload()
        first.wait_for_selector(".stages >> text=first, 25 %")
        assert first.inner_text("#busy") == "● Computing the study"
        second.focus(".progress button")
        second.keyboard.press("Enter")
        for page in (first, second):
            page.wait_for_selector("text=Stopped. What was finished is kept")
        stand.let("go")
        assert first.is_enabled("main .main")


def test_names_that_hold_markup_are_only_text(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    study = study_in(tmp_path / "hill")
    quoted = json.dumps(MARKUP)
    study.write_text(study.read_text().replace('"Test hill"', quoted).replace('"SR 1"', quoted))
    (tmp_path / "hill" / "<img src=x onerror=alert(1)>.geojson").write_text("x")
    stand_in(monkeypatch, tmp_path, says(check=checked(MARKUP, (MARKUP,))))
    with at(tmp_path, "Set up") as watched:
        page = watched.page
        assert page.inner_text("#which") == MARKUP
        assert page.input_value(".zone-row input >> nth=1") == MARKUP
        page.click("nav >> text=Check the scene")
        page.click("main >> button:has-text('Check the scene')")
        page.wait_for_selector(".plan canvas")
        box = page.locator(".plan").bounding_box()
        for share in range(1, 20):
            page.mouse.move(
                box["x"] + box["width"] * share / 20, box["y"] + box["height"] * (share % 5) / 5
            )
        assert MARKUP in page.inner_text(".fault-box")
        for screen in ("Listen", "Routes", "Studies"):
            page.click(f"nav >> text={screen}")
            page.wait_for_timeout(250)
            assert page.locator("main img[src=x], main b, main script").count() == 0
        assert MARKUP in page.inner_text(".studies")


def test_sounds_wait_for_the_volume(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    study = study_in(tmp_path / "hill")
    folder = study.parent / "noisemap-output" / "listen"
    folder.mkdir(parents=True)
    soundfile.write(folder / "ILLUSTRATION-a.wav", np.zeros(4800), 48_000, subtype="PCM_24")
    heard = {
        "home": "H1", "road": "hill", "speed_kmh": 50.0, "zone": "town", "folder": "listen",
        "full_scale_sine_db": 104.0, "share_of_pass_in_zone": 0.5, "cautions": ["An illustration."],
        "files": [
            {
                "file": "ILLUSTRATION-a.wav", "state": state, "zone": zone, "l_af_max_db": 71.4,
                "standard_uncertainty_db": 5.0,
            }
            for state, zone in (("muffled", None), ("straight", None), ("straight", "town"))
        ],
    }  # fmt: skip
    stand_in(monkeypatch, tmp_path, says(check=checked(), listen=heard))
    with at(tmp_path, "Listen") as watched:
        page = watched.page
        page.click("text=Read the scene")
        page.wait_for_selector(".plan canvas")
        page.click("text=Make it audible")
        page.wait_for_selector("text=Choose a home first.")
        page.fill("input[type=search]", "1 Hill")
        page.click(".hits button")
        page.click("text=Make it audible")
        page.wait_for_selector("text=Before you play: turn the volume down")
        assert not page.is_visible("audio >> nth=0")
        page.check("text=I have turned the volume down")
        assert page.locator("audio").count() == 3
        assert "does not bind this exhaust" in page.inner_text(".sounds")
        assert "71 dB(A)" in page.inner_text(".sounds")
        seconds = page.evaluate(
            """() => new Promise((done) => {
                const audio = document.querySelector("audio");
                audio.addEventListener("loadedmetadata", () => done(audio.duration));
                audio.addEventListener("error", () => done(-1));
                audio.preload = "metadata"; audio.load();
            })"""
        )
        assert seconds == pytest.approx(0.1, abs=0.01)


def test_every_screen_fits_a_phone_and_has_names_for_its_controls(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    study_in(tmp_path / "hill")
    stand_in(monkeypatch, tmp_path, says(check=checked()))
    with at(tmp_path, "Check the scene", width=390) as watched:
        page = watched.page
        page.click("main >> button:has-text('Check the scene')")
        page.wait_for_selector(".plan canvas")
        for screen in SCREENS:
            page.click(f"nav >> text={screen}")
            page.wait_for_timeout(250)
            wide = page.evaluate("document.documentElement.scrollWidth")
            assert wide <= 390, screen
            nameless = page.evaluate(
                """() => [...document.querySelectorAll(
                    "main input, main select, main textarea, main button, main iframe")]
                    .filter((one) => !(one.labels && one.labels.length) && !one.title
                        && !one.getAttribute("aria-label") && !one.textContent.trim())
                    .map((one) => one.outerHTML)"""
            )
            assert nameless == [], screen
            assert page.locator("#cautions li >> text=under control").first.is_visible()


def map_with_table(folder: Path) -> str:
    """A map of sixty homes on a grade of 6 %, in which zones can be tried."""
    scene = make_scene()
    base, _ = zone_cases.weighed(folder, zone_cases.town(homes=len(scene.homes.home_id)))
    drives = {
        (0, way, index, FREE): drive_road(base.scene.stretches, 0, way, truck, base.practice)
        for way in (1, -1)
        for index, truck in enumerate(base.trucks)
    }
    table = what_if(base, drives, np.zeros_like(base.other_by_hour), [900.0, 1500.0])
    return map_html(scene, make_findings(scene), table)


def test_a_zone_tried_on_the_map_is_kept_in_the_study(tmp_path: Path) -> None:
    study = study_in(tmp_path / "hill")
    text = map_with_table(tmp_path / "store")
    foreign = text.replace("</body>", "<script>alert(1)</script></body>")
    (study.parent / "noisemap-output").mkdir()
    (study.parent / "noisemap-output" / "map.html").write_text(foreign, encoding="utf-8")
    with at(tmp_path, "Decide") as watched:
        page = watched.page
        frame = page.wait_for_selector("iframe").content_frame()
        frame.click("#try")
        start = frame.wait_for_selector("[role=slider][aria-label='Start of the zone']")
        assert start is not None
        before = frame.evaluate("window.noisemapTrial.scenario().from_m")
        start.focus()
        page.keyboard.press("ArrowRight")
        frame.wait_for_function("(old) => noisemapTrial.scenario().from_m > old", arg=before)
        kept = frame.evaluate("window.noisemapTrial.scenario()")
        for name in ("Tried zone", "Tried zone (2)"):
            frame.click("text=Save into the study")
            frame.wait_for_selector(f"text=Saved into the study as “{name}”")
            page.wait_for_selector(f"text=“{name}” stands in the study now")
    zones = tomllib.loads(study.read_text())["zone"]
    assert [zone["name"] for zone in zones] == ["town", "Tried zone", "Tried zone (2)"]
    for key in ("road", "from_m", "to_m", "binds", "observance"):
        assert zones[1][key] == kept[key]
    assert parse_hours(zones[1]["hours"]) == set(kept["hours"])
