"""The blocks of the weighing as one HTML file and as PDF."""

from __future__ import annotations

import base64
import logging
from collections.abc import Sequence
from datetime import datetime
from typing import TYPE_CHECKING

from noisemap.outputs.blocks import Block, Bullets, Grid, Heading, NewPage, Shown, Words
from noisemap.outputs.offline import asset, refuse_outside_references

if TYPE_CHECKING:
    from noisemap.outputs.pdf import Paper

TABLE_HEAD_MM, TEXT_MM = 26.0, 8.0  # what a heading keeps below it

TEMPLATE = """<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta http-equiv="Content-Security-Policy" content="default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>{{ title }}</title>
<style>@page { size: {{ paper }}; margin: 14mm; }
{{ css|safe }}</style>
</head>
<body><main><section id="summary">
{% for kind, block in blocks %}
{% if kind == "NewPage" %}</section><section class="engineer">
{% elif kind == "Heading" %}<h{{ block.level }}>{{ block.text }}</h{{ block.level }}>
{% elif kind == "Words" %}<p class="{{ block.style }}">{{ block.text }}</p>
{% elif kind == "Bullets" %}<ul>{% for text in block.texts %}<li>{{ text }}</li>{% endfor %}</ul>
{% elif kind == "Shown" %}<figure><img src="{{ block.picture|picture }}" alt="{{ block.picture.text }}"><figcaption>{{ block.caption }}</figcaption></figure>
{% else %}<div class="wide"><table><caption>{{ block.caption }}</caption>
<thead><tr>{% for head in block.headers %}<th scope="col">{{ head }}</th>{% endfor %}</tr></thead>
<tbody>{% for row in block.rows %}<tr>{% for cell in row %}<td>{{ cell }}</td>{% endfor %}</tr>{% endfor %}</tbody></table></div>
{% endif %}
{% endfor %}
</section></main></body>
</html>
"""  # noqa: E501


def weigh_html(blocks: Sequence[Block], title: str, units: str) -> str:
    """HTML of the blocks, complete in one file.

    Raises
    ------
    OutsideReferenceError
        The page would point outside its own file.
    """
    import jinja2

    environment = jinja2.Environment(
        autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    environment.filters["picture"] = lambda picture: (
        "data:image/png;base64," + base64.b64encode(picture.png).decode()
    )
    page = environment.from_string(TEMPLATE).render(
        title=title,
        paper="letter" if units == "us" else "A4",
        css=asset("report.css"),
        blocks=[(type(block).__name__, block) for block in blocks],
    )
    refuse_outside_references(page)
    return page


def weigh_pdf(blocks: Sequence[Block], title: str, units: str, created: datetime) -> bytes:
    """PDF of the blocks: two pages for the council, then the engineer's tables."""
    council, engineer = split(blocks)
    logger = logging.getLogger("fpdf")
    level = logger.level
    logger.setLevel(logging.ERROR)  # a sign that the font lacks is drawn as a box
    try:
        page = _council_pages(council, title, units)
        page.set_creation_date(created)
        page.add_page()
        page.scale = 1.0
        draw(page, engineer)
        return page.finished()
    finally:
        logger.setLevel(level)


def split(blocks: Sequence[Block]) -> tuple[list[Block], list[Block]]:
    """Blocks before and after the page that begins the engineer's part."""
    place = next(i for i, block in enumerate(blocks) if isinstance(block, NewPage))
    return list(blocks[:place]), list(blocks[place + 1 :])


def _council_pages(blocks: Sequence[Block], title: str, units: str) -> Paper:
    """The council's pages in the largest letters that keep them on two pages."""
    from noisemap.outputs.pdf import COUNCIL_PAGES, SCALES, Paper

    for scale in SCALES:
        page = Paper("letter" if units == "us" else "a4", title, scale)
        page.add_page()
        draw(page, blocks)
        if page.page_no() <= COUNCIL_PAGES or scale == SCALES[-1]:
            break
        page.close_fonts()
    return page


def draw(page: Paper, blocks: Sequence[Block]) -> None:
    """Put blocks onto paper."""
    from noisemap.outputs.pdf import FINE, SMALL, TITLE

    styles = {"question": ("I", FINE), "answer": ("B", FINE), "small": ("", SMALL)}
    for block, after in zip(blocks, [*blocks[1:], None], strict=True):
        if isinstance(block, Heading):
            size = TITLE - 2.0 if block.level == 1 else FINE + 1.0
            page.heading(block.text, size, _room(after, page.scale))
        elif isinstance(block, Words):
            style, size = styles.get(block.style, ("", FINE))
            page.sentence(block.text, style, size)
        elif isinstance(block, Bullets):
            page.bullets(block.texts, SMALL)
        elif isinstance(block, Shown):
            page.picture(block.picture.png, block.picture.text, block.height_mm)
            page.sentence(block.caption, size=SMALL)
        elif isinstance(block, Grid):
            page.sentence(block.caption, "I", SMALL)
            page.grid(block.headers, block.rows, block.widths)


def _room(after: Block | None, scale: float) -> float:
    """Height that has to fit below a heading: the picture, or the head of the table [mm]."""
    if isinstance(after, Shown):
        return after.height_mm * scale
    return TABLE_HEAD_MM * scale if isinstance(after, Grid) else TEXT_MM
