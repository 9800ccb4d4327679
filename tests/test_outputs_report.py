import io
import re
from dataclasses import replace
from html.parser import HTMLParser

import numpy as np
import pytest
from outputs_fixture import (
    CREATED,
    HOSTILE,
    make_findings,
    make_provenance,
    make_scene,
    without_zones,
)
from PIL import Image

from noisemap.exposure.results import VERDICT_ORDER, BrakeRow, Interval
from noisemap.outputs import cautions
from noisemap.outputs.figures import gain_and_brakes_picture, map_picture
from noisemap.outputs.offline import scan
from noisemap.outputs.pdf import report_pdf
from noisemap.outputs.provenance import (
    flat_facts,
    ordered_zones,
    provenance_record,
    summary_text,
)
from noisemap.outputs.report import report_html, story
from noisemap.outputs.wording import brake_verdict, hours_text, plain, temperature_margin

SCENE = make_scene()
FINDINGS = make_findings(SCENE)


class Reader(HTMLParser):
    """Text of a page, its headings in order and its table heads."""

    def __init__(self):
        super().__init__()
        self.tags, self.text, self.headings, self.open = [], [], [], []

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        self.open.append(tag)

    def handle_endtag(self, tag):
        while self.open and self.open.pop() != tag:
            pass

    def handle_data(self, data):
        if "style" in self.open:
            return
        self.text.append(data)
        if self.open and self.open[-1] in ("h1", "h2"):
            self.headings.append(data)


def read(page):
    reader = Reader()
    reader.feed(page)
    return reader


@pytest.fixture(scope="module")
def page():
    return report_html(SCENE, FINDINGS, make_provenance(), CREATED)


@pytest.fixture(scope="module")
def pdf():
    return report_pdf(SCENE, FINDINGS, make_provenance(), CREATED)


@pytest.fixture(scope="module")
def pdf_pages(pdf):
    pypdf = pytest.importorskip("pypdf")
    return [" ".join(p.extract_text().split()) for p in pypdf.PdfReader(io.BytesIO(pdf)).pages]


def test_report_needs_nothing_outside_and_runs_nothing(page):
    found = scan(page)
    assert found.references == []
    assert found.scripts == []
    assert found.handlers == []


def test_hostile_names_are_text_in_the_report(page):
    text = "".join(read(page).text)
    assert "Brindle Gap <study>" in text
    assert "Town, unmuffled <b>only</b>" in text
    assert "<script>alert(3)</script>" in text
    assert "${7*7}{{7*7}}{% raw %}" in text or HOSTILE[3] not in SCENE.homes.label[:15]
    assert not any(tag in ("script", "svg", "b", "i") for tag, _ in read(page).tags)
    assert "\u202e" not in page


def test_council_reads_question_refusal_answer_first(page):
    headings = read(page).headings
    wanted = [
        "Brindle Gap <study>",
        "Refused first, for brakes",
        "The answer",
        "The zones side by side",
        "Who gains",
        "Other ways to the same quiet",
        "What was assumed",
        "Read this with every figure",
        "Law to check locally",
        "For the engineer",
        "Method",
        "Uncertainty",
        "Sources",
        "Where these figures come from",
    ]
    places = [headings.index(name) for name in wanted]
    assert places == sorted(places)
    assert page.index(cautions.QUESTION) < page.index("Refused first")


def test_report_says_every_caution_and_law(page):
    text = " ".join("".join(read(page).text).split())
    for sentence in (*cautions.all_cautions(FINDINGS), *cautions.LAW_TO_CHECK):
        assert sentence in text


def test_invention_is_said_only_where_it_holds(page):
    real = replace(FINDINGS, invented=False)
    assert cautions.INVENTED in page
    assert cautions.INVENTED not in report_html(SCENE, real, {}, CREATED)
    assert cautions.INVENTED in summary_text(FINDINGS)
    assert cautions.INVENTED not in summary_text(real)


def test_every_table_has_a_caption_and_scoped_heads(page):
    tags = read(page).tags
    names = [tag for tag, _ in tags]
    assert names.count("table") == names.count("caption") > 8
    assert all(attrs.get("scope") in ("col", "row") for tag, attrs in tags if tag == "th")
    assert all(len(attrs["alt"]) > 20 for tag, attrs in tags if tag == "img")
    assert ("html", {"lang": "en"}) in tags


def test_noise_and_brakes_stand_in_one_row(page):
    start = page.index("The zones side by side")
    rows = re.findall(r"<tr.*?</tr>", page[start : page.index("</table>", start)], re.S)
    assert len(rows) == 4
    assert "refused for brakes" in rows[1]
    assert "185 (111 to 240)" in rows[1]
    assert "730\u00a0°F (388\u00a0°C)" in rows[1]
    assert "250\u00a0°F\u00a0above" in rows[1]
    assert "41\u00a0°F\u00a0below" in rows[3]


def test_metric_report_on_a4_shows_celsius_first():
    page = report_html(SCENE, replace(FINDINGS, units="metric"), {}, CREATED)
    assert "size: A4" in page
    assert "388\u00a0°C (730\u00a0°F)" in page


def test_long_lists_do_not_push_the_summary_out():
    many = replace(
        FINDINGS,
        assumptions=tuple(f"Assumption {n}." for n in range(30)),
        zones=FINDINGS.zones * 4,
        answer=FINDINGS.answer * 3,
    )
    told = story(SCENE, many, {}, CREATED)
    assert len(told.assumptions_first) == 6
    assert told.assumptions_first[-1] == "In the part for the engineer: 26 more."
    assert len(told.zones_first) == 4
    assert all(card.refused for card in told.zones_first[:4])
    page = report_html(SCENE, many, {}, CREATED)
    assert "8 more zones stand" in page
    assert "Assumption 29." in page
    pypdf = pytest.importorskip("pypdf")
    pages = pypdf.PdfReader(io.BytesIO(report_pdf(SCENE, many, {}, CREATED))).pages
    assert pages[2].extract_text().startswith("For the engineer")


def test_unused_outputs_of_a_bare_study():
    bare = replace(
        without_zones(FINDINGS), drive={}, areas=(), people_by_band={}, home_halfwidth=None
    )
    page = report_html(SCENE, bare, {}, CREATED)
    assert "asks about no zone" in page
    assert "Refused first" not in page
    assert report_pdf(SCENE, bare, {}, CREATED)
    assert "No zone in this study" in summary_text(bare)


def test_report_and_pdf_are_the_same_twice(page, pdf):
    assert report_html(SCENE, FINDINGS, make_provenance(), CREATED) == page
    assert report_pdf(SCENE, FINDINGS, make_provenance(), CREATED) == pdf


def test_pdf_summary_fills_two_letter_pages(pdf, pdf_pages):
    pypdf = pytest.importorskip("pypdf")
    reader = pypdf.PdfReader(io.BytesIO(pdf))
    assert pdf_pages[2].startswith("For the engineer")
    box = reader.pages[0].mediabox
    assert (float(box.width), float(box.height)) == pytest.approx((612, 792), abs=0.5)
    assert str(reader.metadata.creation_date) == "2026-03-14 09:30:00+00:00"
    assert reader.metadata.title == "Brindle Gap <study>"


def test_pdf_says_the_same_as_the_page(pdf_pages):
    text = " ".join(pdf_pages)
    assert FINDINGS.answer in text
    for sentence in (*cautions.all_cautions(FINDINGS), *cautions.LAW_TO_CHECK):
        assert sentence in text
    assert pdf_pages[0].index("Refused first") < pdf_pages[0].index("The answer")
    assert "Straße" not in text  # names of homes stay out of the condensed report
    assert "730" in text
    assert "=Night|bench" in text


def test_pdf_takes_signs_that_the_font_lacks():
    named = replace(FINDINGS, study_name="漢字 \u202e 😀 Straße −5 °C")
    pypdf = pytest.importorskip("pypdf")
    reader = pypdf.PdfReader(io.BytesIO(report_pdf(SCENE, named, {}, CREATED)))
    assert "Straße −5 °C" in reader.pages[0].extract_text()


def test_no_output_promises_what_a_screening_cannot(page, pdf_pages):
    visible = "".join(read(page).text) + " ".join(pdf_pages) + summary_text(FINDINGS)
    visible += " ".join((*cautions.CAUTIONS, *cautions.LAW_TO_CHECK))
    assert not re.search(r"\b(un)?safe(ty|ly|r)?\b", visible, re.IGNORECASE)
    assert not re.search(r"\brelief\b", visible, re.IGNORECASE)


def test_terminal_summary_says_refusals_first_and_cautions_last():
    text = summary_text(FINDINGS)
    lines = text.splitlines()
    assert max(map(len, lines)) <= 96
    assert len(lines) <= 24
    zones = [int(n) for n in re.findall(r"^Zone (\d+),", text, re.M)]
    assert zones == [2, 3, 1]
    assert text.index("REFUSED FOR BRAKES") < text.index("WORTH SIGNING") < text.index("The place,")
    flat = " ".join(text.split())
    assert FINDINGS.answer in flat
    assert "185 people quieter; brakes" in flat
    assert "\x1b" not in summary_text(replace(FINDINGS, study_name="\x1b[31mred"))


def test_zones_are_ordered_by_verdict_then_by_gain():
    verdicts = [VERDICT_ORDER.index(zone.verdict) for _, zone in ordered_zones(FINDINGS)]
    assert verdicts == sorted(verdicts)
    strong = replace(FINDINGS.zones[0], people_passes={70: Interval(9e9, 1.0, 1e10)})
    ranked = ordered_zones(replace(FINDINGS, zones=(FINDINGS.zones[0], strong)))
    assert [number for number, _ in ranked] == [2, 1]


def test_provenance_holds_run_sources_and_warnings():
    record = provenance_record(SCENE, FINDINGS, make_provenance(), CREATED)
    assert record["seed"] == 12345
    assert record["created"] == "2026-03-14T09:30:00+00:00"
    assert [row["key"] for row in record["sources"]] == list(FINDINGS.sources)
    assert record["sources"][0]["edition"] == "1996"
    assert record["warnings"] == ["The terrain has 3 filled cells.", "Hour 3 has no counted truck."]
    facts = dict(flat_facts(record["inputs"] and {"inputs": record["inputs"]}))
    assert facts["inputs roads.geojson"] == "ab" * 32


def test_unknown_source_is_a_fault_of_ours():
    with pytest.raises(KeyError, match="no-such"):
        provenance_record(SCENE, replace(FINDINGS, sources=("no-such",)), {}, CREATED)


def test_pictures_are_small_and_say_what_they_show():
    for picture in (
        map_picture(SCENE, FINDINGS),
        gain_and_brakes_picture(ordered_zones(FINDINGS), "us"),
    ):
        image = Image.open(io.BytesIO(picture.png))
        assert image.width == 1152
        assert len(picture.png) < 400_000
        assert len(picture.text) > 40
    words = gain_and_brakes_picture(ordered_zones(FINDINGS), "us").text
    assert words.startswith("zone 2: about 185 people quieter, hottest brakes 388 °C")


def test_map_picture_of_silent_homes():
    silent = replace(
        FINDINGS,
        before=replace(FINDINGS.before, passes_night={70: np.full(60, np.nan)}),
    )
    assert map_picture(SCENE, silent).png


def brake(free, zone):
    return BrakeRow(
        "t", 36_000.0, "r", "normal", free, zone, 400.0, 40.0, 260.0, 249.0, 10.0
    )  # fmt: skip


@pytest.mark.parametrize(
    ("free", "zone", "words"),
    [
        (200.0, 249.0, "within the planning limit"),
        (200.0, 249.1, "over the planning limit because of the zone"),
        (250.0, 255.0, "over the planning limit even without the zone"),
        (200.0, 260.1, "over the hard limit"),
    ],
)
def test_brake_words_at_the_limits(free, zone, words):
    assert brake_verdict(brake(free, zone)) == words


def test_room_below_the_limit_is_a_difference():
    assert (
        temperature_margin(brake(200.0, 239.0), "us") == "18\u00a0°F\u00a0below the planning limit"
    )
    assert (
        temperature_margin(brake(200.0, 259.0), "metric")
        == "10\u00a0°C\u00a0above the planning limit"
    )


@pytest.mark.parametrize(
    ("hours", "words"),
    [
        (set(), "no hour"),
        ({23}, "23:00 to 24:00"),
        ({23, 0}, "23:00 to 01:00"),
        ({0}, "00:00 to 01:00"),
        (set(range(24)) - {12}, "13:00 to 12:00"),
    ],
)
def test_hours_as_clock_times(hours, words):
    assert hours_text(hours) == words


def test_plain_names_have_no_control_signs():
    for name in HOSTILE:
        shown = plain(name)
        assert "\n" not in shown
        assert "\u202e" not in shown
    assert plain("x" * 500) == "x" * 119 + "…"
    assert plain("\x00\x1b[2Jok") == "[2Jok"


def test_trucks_without_a_retarder_are_no_reason_against_a_zone():
    bare = tuple(
        replace(row, equipped=False, truck="80,000 lb bare") for row in FINDINGS.zones[0].brakes
    )
    zone = replace(FINDINGS.zones[0], brakes=bare)
    told = story(SCENE, replace(FINDINGS, zones=(zone,)), {}, CREATED)
    assert told.zones[0].brakes == ()
    assert told.zones[0].brake_rows[0][0].endswith("without a retarder")
    assert "no truck uses its retarder" in summary_text(replace(FINDINGS, zones=(zone,)))
    mixed = replace(zone, brakes=(*FINDINGS.zones[0].brakes, replace(bare[0], peak_zone_c=900.0)))
    assert "1652" not in summary_text(replace(FINDINGS, zones=(mixed,)))


def test_long_answers_are_told_whole():
    long = replace(FINDINGS, answer="Quiet. " * 200 + "The end.")
    assert "The end." in summary_text(long)
    assert "The end." in story(SCENE, long, {}, CREATED).answer
