"""The map in a real browser: nothing leaves, nothing foreign runs, the controls work."""

import re

import pytest
from browser_support import opened
from outputs_fixture import (
    CREATED,
    LOUDER_HOME,
    make_findings,
    make_provenance,
    make_scene,
    without_zones,
)

from noisemap.outputs.map import map_html
from noisemap.outputs.report import report_html

pytestmark = pytest.mark.browser

SCENE = make_scene()
FINDINGS = make_findings(SCENE)


@pytest.fixture(scope="module")
def map_file(tmp_path_factory):
    path = tmp_path_factory.mktemp("map with 'quotes' & ünicode") / "map.html"
    path.write_text(map_html(SCENE, FINDINGS), encoding="utf-8")
    return path


def painted(page):
    """How often the strong colours of the level and difference ramps stand on the map."""
    return page.evaluate(
        """() => {
            const canvas = document.querySelector("#map_noisemap canvas");
            const d = canvas.getContext("2d").getImageData(0, 0, canvas.width, canvas.height).data;
            const n = {blue: 0, violet: 0, magenta: 0, ochre: 0};
            for (let i = 0; i < d.length; i += 4) {
                const [r, g, b, a] = [d[i], d[i + 1], d[i + 2], d[i + 3]];
                if (a < 200) continue;
                if (b > r + 40 && g > r + 15) n.blue++;
                if (b > g + 40 && r > g + 20 && b > r + 15) n.violet++;
                if (r > g + 90 && b > g + 50 && r > b + 25) n.magenta++;
                if (r > b + 70 && g > b + 30 && r > g) n.ochre++;
            }
            return n;
        }"""
    )


def pick(page, control, value):
    page.select_option(f"#{control}", value)
    page.wait_for_timeout(120)


def test_map_runs_without_fault_or_request(map_file, tmp_path):
    with opened(map_file) as watched:
        page = watched.page
        page.wait_for_timeout(300)
        for view in ("after", "quieter", "before"):
            page.check(f"input[name=view][value={view}]")
        for indicator in ("peak", "night", "passes"):
            pick(page, "indicator", indicator)
        for zone in ("0", "1", "2"):
            pick(page, "zone", zone)
        for layer in ("areas", "duty", "grade", "zones", "homes", "relief"):
            page.click(f"input[name=layer][value={layer}]")
        canvas = page.locator("#map_noisemap")
        box = canvas.bounding_box()
        for share in range(1, 20):
            page.mouse.move(box["x"] + box["width"] * share / 20, box["y"] + box["height"] / 2)
        page.screenshot(path=tmp_path / "map.png")
        assert (tmp_path / "map.png").stat().st_size > 20_000
        assert watched.faults == []
        assert watched.requests == [map_file.as_uri()]


def test_hostile_names_are_only_text(map_file):
    with opened(map_file) as watched:
        page = watched.page
        for number in range(3, 15):
            page.fill("#find", str(number))
            page.press("#find", "Enter")
        page.fill("#find", "onerror")
        page.press("#find", "Enter")
        assert "<img src=x onerror=alert(1)>" in page.inner_text("#home-says")
        assert page.locator("img[src=x], svg[onload]").count() == 0
        assert page.evaluate("window.hit") is None
        assert watched.faults == []


def test_switches_change_what_is_painted(map_file):
    with opened(map_file) as watched:
        page = watched.page
        page.wait_for_timeout(200)
        page.uncheck("input[name=layer][value=zones]")
        page.wait_for_timeout(150)
        now = painted(page)
        assert now["blue"] > 200
        assert now["violet"] < now["blue"] / 10
        page.check("input[name=view][value=quieter]")
        page.wait_for_timeout(150)
        quieter = painted(page)
        assert quieter["violet"] > 200
        assert quieter["blue"] < now["blue"] / 4
        page.check("input[name=view][value=before]")
        pick(page, "indicator", "peak")
        assert painted(page)["blue"] != now["blue"]
        page.uncheck("input[name=layer][value=homes]")
        page.wait_for_timeout(150)
        bare = painted(page)
        assert bare["blue"] < 50
        assert bare["ochre"] > 200
        page.uncheck("input[name=layer][value=duty]")
        page.wait_for_timeout(150)
        assert painted(page)["ochre"] == 0
        assert bare["magenta"] == 0
        page.check("input[name=layer][value=zones]")
        page.wait_for_timeout(150)
        assert painted(page)["magenta"] > 500
        assert watched.faults == []


def test_zone_panel_shows_brakes_beside_the_sentence(map_file):
    with opened(map_file) as watched:
        page = watched.page
        assert "Zone 2" in page.inner_text("#refused")
        pick(page, "zone", "1")
        text = page.inner_text("#zone-panel")
        assert "refused for brakes" in text
        assert FINDINGS.zones[1].sentence in text
        assert "over the hard limit" in text
        assert re.search(r"756\s°F \(402\s°C\)", text)
        assert re.search(r"480\s°F \(249\s°C\)", text)
        legend = page.inner_text("#legend")
        page.check("input[name=view][value=quieter]")
        assert page.inner_text("#legend") != legend
        assert "louder than before" in page.inner_text("#legend")
        assert watched.faults == []


def test_search_answers_in_one_sentence_with_its_certainty(map_file):
    with opened(map_file) as watched:
        page = watched.page
        page.fill("#find", "1 larkspur")
        page.press("#find", "Enter")
        pick(page, "zone", "1")
        text = page.inner_text("#home-says")
        assert text.startswith("1 Larkspur Lane (home 1, school): ")
        assert "a night above 70 dB now" in text
        assert f"{round(FINDINGS.before.l_a_max[0])} dB now" in text
        assert f"{round(FINDINGS.zones[1].levels.l_a_max[0])} dB with zone 2" in text
        assert f"give or take {round(FINDINGS.home_halfwidth[0])} dB" in text
        assert "by 1 dB or more, is certain" in text
        assert text.count(". ") == 0
        page.fill("#find", "Lane")
        page.press("#find", "Enter")
        assert page.locator("#matches button").count() == 8
        page.locator("#matches button").nth(3).click()
        assert page.locator("#matches button").nth(3).inner_text() in page.inner_text("#home-says")
        page.fill("#find", "no such place")
        page.press("#find", "Enter")
        assert "No home found" in page.inner_text("#home-says")
        assert watched.faults == []


def test_homes_that_become_louder_are_named_and_marked(map_file):
    with opened(map_file) as watched:
        page = watched.page
        pick(page, "zone", "2")
        assert f"(home {LOUDER_HOME + 1})" in page.inner_text("#zone-panel")
        page.fill("#find", str(LOUDER_HOME + 1))
        page.press("#find", "Enter")
        assert "makes it LOUDER here" in page.inner_text("#home-says")
        pick(page, "zone", "0")
        assert "none, by any measure" in page.inner_text("#zone-panel")
        assert watched.faults == []


def test_names_of_roads_scale_and_north_are_drawn(map_file):
    with opened(map_file) as watched:
        page = watched.page
        assert "SR 77" in page.locator(".road-name").all_inner_texts()
        assert page.locator(".measure .north").inner_text().startswith("N")
        words = page.locator(".measure").inner_text()
        assert "ft" in words or "mile" in words
        page.uncheck("input[name=layer][value=names]")
        assert page.locator(".road-name").count() == 0
        pick(page, "indicator", "own")
        assert "08:00 to 16:00" in page.inner_text("#legend")
        assert watched.faults == []


def test_keyboard_reaches_the_controls_in_reading_order(map_file):
    with opened(map_file) as watched:
        page = watched.page
        order = []
        for _ in range(18):
            page.keyboard.press("Tab")
            order.append(
                page.evaluate(
                    """() => { const e = document.activeElement;
                    const named = e.name && e.name + ":" + e.value;
                    return e.id || named || e.className || e.tagName; }"""
                )
            )
        wanted = ["skip", "find", "view:before", "zone", "indicator", "layer:homes", "map_noisemap"]
        places = [order.index(name) for name in wanted]
        assert places == sorted(places)
        page.focus("#views input")
        page.keyboard.press("ArrowDown")
        assert page.is_checked("input[name=view][value=after]")
        for control in page.locator("input, select, button").all():
            label = control.evaluate("e => (e.labels && e.labels.length) || e.textContent.length")
            assert label
        assert watched.faults == []


@pytest.mark.parametrize("width", [390, 820])
def test_narrow_screens_do_not_scroll_sideways(map_file, width):
    with opened(map_file, width, 844) as watched:
        page = watched.page
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        box = page.locator("#map_noisemap").bounding_box()
        assert box["width"] >= 0.5 * width
        assert box["height"] >= 300
        assert watched.faults == []


def test_map_without_zones_runs(tmp_path):
    path = tmp_path / "bare.html"
    path.write_text(map_html(SCENE, without_zones(FINDINGS)), encoding="utf-8")
    with opened(path) as watched:
        assert watched.page.is_disabled("#zone")
        assert "no zone" in watched.page.inner_text("#zone-panel")
        watched.page.fill("#find", "2")
        watched.page.press("#find", "Enter")
        assert "home 2" in watched.page.inner_text("#home-says")
        assert watched.faults == []


def test_report_runs_alone_and_fits_a_phone(tmp_path):
    path = tmp_path / "report.html"
    path.write_text(report_html(SCENE, FINDINGS, make_provenance(), CREATED), encoding="utf-8")
    with opened(path, 390, 844) as watched:
        assert watched.requests == [path.as_uri()]
        assert watched.faults == []
        assert watched.page.evaluate("document.documentElement.scrollWidth") <= 390
        assert watched.page.evaluate("window.hit") is None
        assert all(
            image.evaluate("e => e.complete && e.naturalWidth > 100 && e.alt.length > 20")
            for image in watched.page.locator("img").all()
        )


def test_report_summary_prints_on_two_pages(tmp_path):
    pypdf = pytest.importorskip("pypdf")
    path, printed = tmp_path / "report.html", tmp_path / "report.pdf"
    path.write_text(report_html(SCENE, FINDINGS, make_provenance(), CREATED), encoding="utf-8")
    with opened(path) as watched:
        watched.page.pdf(path=printed, prefer_css_page_size=True)
    pages = [page.extract_text() for page in pypdf.PdfReader(printed).pages]
    assert pages[2].lstrip().startswith("For the engineer")
    box = pypdf.PdfReader(printed).pages[0].mediabox
    assert (float(box.width), float(box.height)) == pytest.approx((612, 792), abs=1)
