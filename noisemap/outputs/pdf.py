"""The report as PDF, condensed, with a packaged Unicode font."""

from __future__ import annotations

import io
import logging
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

from fpdf import FPDF, FontFace

from noisemap.exposure.results import Findings
from noisemap.outputs.report import BRAKE_COLUMNS, Story, ZoneCard, story
from noisemap.outputs.table import Table
from noisemap.outputs.wording import sentence_start
from noisemap.scene.model import Scene

FONT = "DejaVu"
STYLES = {"": "DejaVuSans.ttf", "B": "DejaVuSans-Bold.ttf", "I": "DejaVuSans-Oblique.ttf"}
BODY, FINE, SMALL, HEAD, TITLE = 8.8, 8.2, 7.2, 10.5, 16.0  # letter heights [pt]
MARGIN_MM = 16.0
COUNCIL_PAGES = 2
SCALES = (1.0, 0.95, 0.9, 0.85, 0.8)  # below 80 % the summary would be too small to read


class Paper(FPDF):  # type: ignore[misc]
    """A letter or A4 page with running foot and our few kinds of paragraph."""

    def __init__(self, paper: str, title: str, scale: float) -> None:
        super().__init__(format=paper, unit="mm")
        self.foot = title[:70]
        self.scale = scale
        self.set_title(title)
        self.set_lang("en")
        self.set_producer("noisemap")
        self.set_margins(MARGIN_MM, MARGIN_MM)
        self.set_auto_page_break(True, MARGIN_MM + 2.0)
        for style, file in STYLES.items():
            self.add_font(FONT, style, str(_fonts() / file))
        self.set_font(FONT, size=BODY)

    def footer(self) -> None:
        """Study and page number at the foot of a page."""
        self.set_y(-12.0)
        self.set_font(FONT, size=SMALL)
        self.cell(0, 4, f"{self.foot}   ·   page {self.page_no()} of {{nb}}", align="C")

    def heading(self, text: str, size: float = HEAD, room: float = 8.0) -> None:
        """Heading that does not stay alone at the foot of a page: `room` is kept below it [mm]."""
        size *= self.scale
        if self.will_page_break(size + room):
            self.add_page()
        self.ln(1.6)
        self.set_font(FONT, "B", size)
        self.multi_cell(0, size * 0.46, text, new_x="LMARGIN", new_y="NEXT")
        self.ln(0.6)

    def sentence(self, text: str, style: str = "", size: float = BODY) -> None:
        """Paragraph."""
        size *= self.scale
        self.set_font(FONT, style, size)
        self.multi_cell(0, size * 0.47, text, align="L", new_x="LMARGIN", new_y="NEXT")
        self.ln(0.5)

    def bullets(self, texts: Iterable[str], size: float = BODY) -> None:
        """List of sentences."""
        size *= self.scale
        for text in texts:
            self.set_font(FONT, size=size)
            self.set_x(self.l_margin)
            self.cell(4.0, size * 0.47, "•")
            self.multi_cell(0, size * 0.47, text, align="L", new_x="LMARGIN", new_y="NEXT")
            self.ln(0.3)

    def grid(
        self, headers: Sequence[str], rows: Sequence[Sequence[str]], widths: Sequence[float]
    ) -> None:
        """Table with a repeated head."""
        size = SMALL * self.scale
        self.set_font(FONT, size=size)
        with self.table(
            col_widths=tuple(widths),
            line_height=size * 0.47,
            text_align="LEFT",
            v_align="TOP",
            padding=0.7,
            headings_style=FontFace(emphasis="BOLD", fill_color=(238, 238, 238)),
        ) as table:
            for line in (headers, *rows):
                row = table.row()
                for text in line:
                    row.cell(text)
        self.ln(1.2)

    def picture(self, png: bytes, words: str, height: float) -> None:
        """Picture with the words that stand for it."""
        height *= self.scale
        if self.will_page_break(height):
            self.add_page()
        self.image(io.BytesIO(png), h=height, alt_text=words, x="C")
        self.ln(1.0)

    def finished(self) -> bytes:
        """Bytes of the document; its font files are closed."""
        try:
            return bytes(self.output())
        finally:
            self.close_fonts()

    def close_fonts(self) -> None:
        """Close the font files of a document that is finished or given up."""
        for font in self.fonts.values():
            font.close()


def report_pdf(
    scene: Scene, findings: Findings, provenance: Mapping[str, Any], created: datetime
) -> bytes:
    """PDF of the report: two pages for the council, then the engineer's tables."""
    content = story(scene, findings, provenance, created)
    logger = logging.getLogger("fpdf")
    level = logger.level
    logger.setLevel(logging.ERROR)  # a sign that the font lacks is drawn as a box
    try:
        page = _council_pages(content)
        page.set_creation_date(created)
        page.add_page()
        page.scale = 1.0
        _engineer(page, content)
        return page.finished()
    finally:
        logger.setLevel(level)


def _council_pages(content: Story) -> Paper:
    """The council's pages in the largest letters that keep them on two pages."""
    for scale in SCALES:
        page = Paper(content.paper.lower(), content.title, scale)
        page.add_page()
        _council(page, content)
        if page.page_no() <= COUNCIL_PAGES or scale == SCALES[-1]:
            break
        page.close_fonts()
    return page


def _council(page: Paper, content: Story) -> None:
    page.heading(content.title, TITLE)
    page.sentence(content.question, "I")
    if content.refused:
        page.heading("Refused first, for brakes")
        page.bullets(content.refused)
    page.heading("The answer")
    page.sentence(content.answer, "B")
    page.heading("How sure this is")
    page.bullets(content.certainty, FINE)
    page.picture(content.map_picture.png, content.map_picture.text, 66.0)
    page.sentence(
        "Dashed zones are refused for brakes. " + "; ".join(content.attribution), size=SMALL
    )
    if content.zones:
        page.heading("The zones side by side")
        page.grid(
            (
                "Zone",
                "Finding",
                "Loud passes a night spared, all residents together",
                "People quieter by 1 dB or more",
                "Night level quieter by, mean",
                "Hottest brakes with the zone, below or above the planning limit",
            ),
            [_zone_row(zone) for zone in content.zones_first],
            (30, 17, 20, 18, 17, 54),
        )
    if content.balance_picture is not None:
        height = 16.0 + 7.5 * len(content.zones_first)
        page.picture(content.balance_picture.png, content.balance_picture.text, height)
        page.sentence(
            "Bars: brakes in normal condition, the truck that heats them most.", size=SMALL
        )
    page.heading("Who gains")
    page.bullets(content.who_gains, FINE)
    if content.who_pays:
        page.heading("Who pays")
        page.bullets(content.who_pays, FINE)
    if content.own_hours:
        page.heading("School, shift-sleep and other hours of their own")
        page.bullets(content.own_hours, FINE)
    if content.alternatives:
        page.heading("Other ways to the same quiet")
        page.bullets(content.alternatives, FINE)
    page.heading("What was assumed")
    page.bullets(content.assumptions_first, FINE)
    page.heading("Read this with every figure")
    page.bullets(content.cautions, FINE)
    page.heading("Law to check locally")
    page.bullets(content.law, FINE)


def _zone_row(zone: ZoneCard) -> tuple[str, ...]:
    brakes = "\n".join(f"{truck}: {heat}" for truck, heat in zone.brakes)
    return (
        f"{zone.number}. {zone.name}\n{zone.place}; {zone.hours}",
        zone.verdict,
        zone.spared,
        zone.gain,
        zone.quieter,
        brakes or "no truck uses its retarder there",
    )


def _engineer(page: Paper, content: Story) -> None:
    page.heading("For the engineer", TITLE)
    for zone in content.zones:
        page.heading(f"Zone {zone.number}: {zone.name}")
        page.sentence(f"{sentence_start(zone.verdict)}. {zone.sentence}")
        page.bullets(zone.reasons)
        page.grid(("What", "Figure or rule"), zone.facts, (62, 108))
        if zone.criteria:
            page.grid(
                ("Criterion", "People over it now", "With the zone", "Within 2 dB of it then"),
                zone.criteria,
                (74, 34, 34, 28),
            )
    _people(page, content)
    if content.background:
        page.heading("What remains of the gain with other noise present")
        page.grid(
            ("Assumed background", "Total night level quieter by"), content.background, (1, 2)
        )
    if content.optional:
        page.heading("Further effects")
        page.grid(("Effect", "Estimate"), content.optional, (1, 3))
    for title, texts in (
        ("Method", content.method),
        ("Uncertainty", content.uncertainty),
        (
            "Who gains, who pays, alternatives and assumptions in full",
            (
                *content.who_gains_all,
                *content.who_pays_all,
                *content.alternatives_all,
                *content.assumptions,
            ),
        ),
        ("Warnings of this run", content.warnings or ("None.",)),
    ):
        page.heading(title)
        page.bullets(texts)
    page.heading("Sources")
    page.grid(
        ("Key", "Title", "Edition", "Mark"),
        [(row["key"], row["title"], row["edition"], row["mark"]) for row in content.sources],
        (28, 74, 34, 20),
    )
    page.heading("Where these figures come from")
    page.grid(("Fact", "Value"), content.provenance, (1, 2))
    for zone in content.zones:
        if zone.brake_rows:
            page.heading(f"Brake table of zone {zone.number}: {zone.name}")
            page.grid(BRAKE_COLUMNS, zone.brake_rows, (26, 18, 17, 17, 14, 17, 17, 20, 24))


def _people(page: Paper, content: Story) -> None:
    """Rooms, character and homes that become louder."""
    page.heading("Inside bedrooms")
    page.sentence(
        "Braking trucks alone, at night: 15 dB from outside to inside with the window slightly "
        "open, 10 to 28 dB from open to closed. Effects of different sources are never added."
    )
    if content.inside.rows:
        page.grid(content.inside.headers, _texts(content.inside), _even(content.inside))
    page.heading("Character of the passes")
    page.bullets(content.character)
    if content.character_groups.rows:
        groups = content.character_groups
        widths = {"group": 8, "where": 34, "homes": 9, "exhaust": 14}
        page.grid(groups.headers, _texts(groups), [widths.get(name, 12) for name in groups.headers])
    page.heading("Homes that become louder")
    if content.louder.rows:
        page.grid(content.louder.headers, _texts(content.louder), _even(content.louder))
    else:
        page.sentence("None, by any measure that was computed.")


def _texts(table: Table) -> list[tuple[str, ...]]:
    return [tuple("" if cell is None else str(cell) for cell in row) for row in table.rows]


def _even(table: Table) -> tuple[int, ...]:
    return (1,) * len(table.headers)


def _fonts() -> Path:
    import matplotlib

    return Path(matplotlib.get_data_path()) / "fonts" / "ttf"
