"""What the pages on routes and descents share: one frame, one style, the cautions."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from noisemap.outputs.cautions import (
    GOOD_BRAKES,
    INVENTED,
    MODELLED_LEVELS,
    NO_BAN_ON_CONTROL,
    RECALLED_CONSTANTS,
    SCREENING_BRAKES,
)

PLANNING_ONLY = (
    "Advice for planning only. The driver's judgement and the law come first: signs, orders and "
    "the state of road, load, weather and brakes overrule everything on this sheet."
)
BEFORE_DEPARTURE = "To be read before departure, not while driving."
WINTER = (
    "Made for a dry road. On slippery roads the handbooks have retarders switched off, and no "
    "figure here holds."
)
ANALYST = "Calculation input, not driving advice"

FRAME = """<!doctype html>
<html lang="en"><head><meta charset="utf-8">
<meta http-equiv="Content-Security-Policy" \
content="default-src 'none'; style-src 'unsafe-inline'; img-src data:">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>{{ title }}</title>
<style>
body{font:15px/1.4 system-ui,sans-serif;color:#1b1b1b;max-width:60rem;margin:1rem auto;
padding:0 1rem}
h1{font-size:1.4rem;margin:.2rem 0}h2{font-size:1.08rem;margin:.9rem 0 .2rem}
p,ul,table{margin:.3rem 0}li{margin:.1rem 0}
table{border-collapse:collapse;width:100%}caption{text-align:left;font-weight:600}
th,td{border:1px solid #999;padding:.15rem .45rem;text-align:left;vertical-align:top}
th{background:#eee}.head{border:2px solid #1b1b1b;padding:.3rem .7rem;font-weight:700}
.small{font-size:.86rem}.wide{overflow-x:auto}img,svg{max-width:100%;height:auto}
@page{margin:11mm}
@media print{body{font-size:8.4pt;line-height:1.22;margin:0;padding:0;max-width:none}
h1{font-size:13pt}h2{font-size:10pt;margin:.45em 0 .1em;break-after:avoid}
p,ul,table{margin:.15em 0}th,td{padding:.05rem .3rem}.small{font-size:7.6pt}
tr{break-inside:avoid}}
</style></head><body>
{% for text in notes %}<p class="head">{{ text }}</p>
{% endfor %}{{ content }}
<h2>Read with care</h2>
<ul class="small">{% for text in cautions %}<li>{{ text }}</li>{% endfor %}</ul>
{% for text in notices %}<p class="small">{{ text }}</p>{% endfor %}
</body></html>
"""


@dataclass(frozen=True)
class Occasion:
    """The study that a sheet belongs to."""

    name: str
    units: str  # "us" or "metric"
    invented: bool
    notes: tuple[str, ...] = ()  # what changes every figure, such as a calibration


def cautions(invented: bool) -> tuple[str, ...]:
    """What stands on every sheet about routes and descents."""
    start = (INVENTED,) if invented else ()
    return (
        *start,
        PLANNING_ONLY,
        NO_BAN_ON_CONTROL,
        SCREENING_BRAKES,
        GOOD_BRAKES,
        WINTER,
        RECALLED_CONSTANTS,
        MODELLED_LEVELS,
    )


def page(
    title: str,
    template: str,
    content: Mapping[str, Any],
    study: Occasion,
    notices: tuple[str, ...] = (),
) -> str:
    """A page that needs nothing else; every text in it is escaped."""
    import jinja2
    from markupsafe import Markup

    environment = jinja2.Environment(autoescape=True, undefined=jinja2.StrictUndefined)
    inner = environment.from_string(template).render({"title": title, **content})
    return environment.from_string(FRAME).render(
        title=title,
        content=Markup(inner),
        cautions=cautions(study.invented),
        notes=study.notes,
        notices=notices,
    )


def file_stem(text: str) -> str:
    """A name from a file as the plain stem of a file name.

    >>> file_stem("SR 77"), file_stem("../a<b>"), file_stem("É")
    ('sr-77', 'a-b', 'unnamed')
    """
    kept = "".join(sign if sign.isascii() and sign.isalnum() else " " for sign in text.lower())
    return "-".join(kept.split())[:40] or "unnamed"
