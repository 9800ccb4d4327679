"""Measurement sites as sentences, a table, JSON, a layer and a page with the map."""

from __future__ import annotations

import math
import tempfile
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

from noisemap.inspection.site_choice import Check, Site, Sites
from noisemap.outputs.cautions import INVENTED
from noisemap.outputs.inspection_site_map import site_drawing, sites_map
from noisemap.outputs.layers import field_names
from noisemap.outputs.offline import refuse_outside_references
from noisemap.outputs.route_page import FRAME
from noisemap.outputs.tables import Cell, Table, csv_text
from noisemap.outputs.wording import hours_text, plain
from noisemap.scene.crs import WGS84, project
from noisemap.scene.model import Scene
from noisemap.states import EXHAUST_STATES
from noisemap.storage import write_bytes, write_json, write_text
from noisemap.units import show_length

FOLDER = "sites"
FAR_AWAY_FT = 3000.0

CAUTIONS: tuple[str, ...] = (
    "A site is proposed from maps. Go there before anybody is measured: parked vehicles, signs, "
    "guard rails, crops, signals of other sound and the lawful right to stand there are not in "
    "the data.",
    "Poles, hydrants, mail boxes, open railings and curbs up to 1 ft are allowed and not looked "
    "for. Buildings and walls count as far as the study's files hold them.",
    "Traffic is taken to keep right. A lane's centre is taken at a quarter of the road's width "
    "from its line where the road has two directions.",
    "Wind, precipitation and a dry lane are conditions of the day, not of the place.",
    "The rule was read in the edition of 2015: look up the current one, and ask counsel who may "
    "enforce it.",
    "Ambient: the study's background and all modelled traffic but trucks that brake with a "
    "retarder. Measure it before and after.",
    "Whoever measures must not make a driver hesitate to brake: choose places where no sign or "
    "person surprises anybody.",
)

PAGE = """
{% if invented %}<p class="head">{{ invented }}</p>{% endif %}
<h1>{{ title }}</h1>
<p><b>{{ answer }}</b></p>
{{ drawing }}
<p class="small">Green: where a place fits, on its side of the road; the number stands at its \
microphone. Blue rings: places the study names. Small grey: places refused. Red roads: \
4 % downhill or more. Dots: homes. Dashed: tunnel.</p>
<h2>Sites in order</h2>
<div class="wide"><table>
<tr>{% for cell in headers %}<th>{{ cell }}</th>{% endfor %}</tr>
{% for row in rows %}<tr>{% for cell in row %}<td>{{ cell }}</td>{% endfor %}</tr>{% endfor %}
</table></div>
<h2>Why places were refused</h2>
<p>{{ refused }}</p>
<table><tr><th>condition</th><th>asked</th><th>clause</th><th>places that fail it</th>\
<th>that fail nothing else</th></tr>
{% for row in refusals %}<tr>{% for cell in row %}<td>{{ cell }}</td>{% endfor %}</tr>{% endfor %}
</table>
{% for site in sheets %}
<section style="break-inside:avoid"><h2>{{ site.title }}</h2>
<p>{{ site.sentence }}</p>
<div style="display:flex;flex-wrap:wrap;gap:1rem"><div style="flex:0 0 15rem">{{ site.drawing }}\
</div><div class="wide" style="flex:1 1 34rem"><table class="small">
<tr><th>condition</th><th>asked</th><th>here</th><th></th><th>clause</th></tr>
{% for row in site.checks %}\
<tr>{% for cell in row %}<td>{{ cell }}</td>{% endfor %}</tr>{% endfor %}
</table></div></div></section>
{% endfor %}
{% if notes %}<h2>Stated by the study</h2><ul class="small">{% for text in notes %}<li>{{ text }}\
</li>{% endfor %}</ul>{% endif %}
"""

HEADERS = (
    "site", "state", "road", "direction", "side", "at [m]", "from [m]", "to [m]",
    "longitude", "latitude", "distance [ft]", "surface", "limit [dB(A)]",
    "grade [%]", "retarders at work [1]", "braking passes in the hours", "hours that fit",
    "ambient below the limit [dB]", "open radius [ft]", "ground off a line [ft]",
    "ground over the lane [ft]", "hard ground [1]", "tunnel or road overhead [ft]",
    "rise and fall [dB]", "after-treatment [dB(A)]", "muffled [dB(A)]", "worn [dB(A)]",
    "straight [dB(A)]", "refused by",
)  # fmt: skip

SHORT_HEADERS = (
    "site", "state", "road", "at", "microphone", "limit, dB(A)", "ambient below it", "grade",
    "braking passes in the hours", "hours that fit", "maxima muffled / straight, dB(A)",
)  # fmt: skip


def write_sites(
    folder: Path, scene: Scene, sites: Sites, units: str, invented: bool, created: datetime
) -> list[Path]:
    """Paths of page, table, layer and JSON, written into a folder of the results.

    Raises
    ------
    CannotWriteError
        When a file cannot be written.
    """
    place = folder / FOLDER
    page = sites_html(scene, sites, units, invented)
    files = [place / name for name in ("sites.html", "sites.csv", "sites.gpkg", "sites.json")]
    write_text(files[0], page)
    write_text(files[1], csv_text(sites_table(scene, sites)))
    write_bytes(files[2], sites_layer(scene, sites, created))
    write_json(files[3], sites_json(sites) | {"crs": scene.crs})
    return files


def sites_lines(sites: Sites) -> Iterator[str]:
    """The answer in plain sentences."""
    yield answer(sites)
    for number, site in enumerate(sites.sites, start=1):
        yield f"{number}. {sentence(site, sites)}"
    for site in sites.named:
        failed = "; ".join(f"{check.name}: {figure(check)}" for check in site.failed)
        told = f"refused: {failed}" if failed else sentence(site, sites)
        yield f"named “{plain(site.name)}”: {told}"
    yield refused_words(sites)
    for row in sites.refusals:
        if row.places:
            yield f"  {row.places:5,} {row.name} ({row.clause}); {row.alone:,} of them nothing else"
    yield from (f"- {text}" for text in (*sites.notes, *CAUTIONS))


def answer(sites: Sites) -> str:
    """The answer in a sentence."""
    if not sites.runs:
        return (
            f"No place fits: all {sites.tried:,} places tried along the lanes with braking trucks "
            "are refused."
        )
    told = f", the first {len(sites.sites)} are told" if sites.runs > len(sites.sites) else ""
    return (
        f"{sites.fitting:,} of {sites.tried:,} places tried along the lanes with braking trucks "
        f"are not refused; they make {sites.runs} sites{told}."
    )


def refused_words(sites: Sites) -> str:
    """How many places were refused, and how the reasons are counted."""
    return (
        f"{sites.tried - sites.fitting:,} places refused at every distance tried; reasons at the "
        "rule's standard distance of 50 ft, each place under every condition that it fails:"
    )


def sentence(site: Site, sites: Sites) -> str:
    """One site in a sentence."""
    ambient = site.check("ambient")
    hours = f"{len(site.hours)} of the hours" if site.hours else "no hour"
    loud = ", ".join(
        f"{state.replace('_', '-')} {site.maxima[state]:.0f}"
        for state in EXHAUST_STATES
        if math.isfinite(site.maxima[state])
    )
    return (
        f"{plain(sites.road(site))}: {site.distance_ft:.0f} ft from the lane at {site.at_m:,.0f} m "
        f"({'near side' if site.near_side else 'across the other lane'}; it fits from "
        f"{site.from_m:,.0f} to {site.to_m:,.0f} m), {site.surface} site, limit "
        f"{site.limit:.0f} dB(A); grade {site.check('grade').figure:+.1f} %, "
        f"{site.passes:.0f} braking passes in the hours; ambient {figure(ambient)} below the "
        f"limit in the quietest hour, {hours} fit; predicted maxima: {loud} dB(A)"
        f"{'; to be looked at on the spot' if site.state == 'look at the place' else ''}"
    )


def figure(check: Check) -> str:
    """A condition's figure with its unit; a structure in words."""
    if not math.isfinite(check.figure):
        return "not computed"
    if check.key == "structure":
        return "on a bridge or in a tunnel" if check.figure else "on the ground"
    if check.unit == "ft" and check.figure > FAR_AWAY_FT:
        return f"none within {FAR_AWAY_FT:,.0f} ft"
    digits = {"1": ".2f", "%": "+.1f", "dB": ".1f"}.get(check.unit, ".1f")
    unit = {"1": "", "%": " %", "dB": " dB"}.get(check.unit, f" {check.unit}")
    return f"{check.figure:{digits}}{unit}"


def sites_table(scene: Scene, sites: Sites) -> Table:
    """Sites in order, then the places that the study names, refused ones with their reasons."""
    told = [(str(number), site) for number, site in enumerate(sites.sites, start=1)]
    told += [(plain(site.name), site) for site in sites.named]
    return Table("sites", HEADERS, tuple(_row(scene, sites, label, site) for label, site in told))


def _row(scene: Scene, sites: Sites, label: str, site: Site) -> tuple[Cell, ...]:
    lon, lat = project(scene.crs, WGS84, *np.array([[site.microphone[0]], [site.microphone[1]]]))[0]
    number = [
        _digits(site.check(key).figure, digits) for key, digits in (("grade", 1), ("retarders", 2))
    ]
    more = [
        _digits(site.check(key).figure, digits)
        for key, digits in (
            ("ambient", 1), ("open_radius", 0), ("flat", 1), ("microphone", 1), ("surface", 2),
            ("tunnel", 0), ("rise_fall", 1),
        )
    ]  # fmt: skip
    return (
        label, site.state, plain(sites.road(site)),
        "with the distances" if site.direction > 0 else "against the distances",
        "near" if site.near_side else "across the other lane",
        round(site.at_m), round(site.from_m), round(site.to_m),
        round(float(lon), 6), round(float(lat), 6), round(site.distance_ft, 1), site.surface,
        _digits(site.limit, 0), *number, round(site.passes, 1),
        " ".join(map(str, site.hours)), *more,
        *(_digits(site.maxima[state], 1) for state in EXHAUST_STATES),
        "; ".join(check.name for check in site.failed),
    )  # fmt: skip


def _digits(value: float, digits: int) -> float | None:
    return round(value, digits) + 0.0 if math.isfinite(value) else None


def sites_json(sites: Sites) -> dict[str, Any]:
    """The answer as plain data."""
    return {
        "version": 1,
        "study": plain(sites.study),
        "verdict": "sites found" if sites.runs else "no place fits",
        "tried": sites.tried,
        "fitting": sites.fitting,
        "runs": sites.runs,
        "hours": list(sites.hours),
        "sites": [_site_json(site, sites) for site in sites.sites],
        "named": [_site_json(site, sites) for site in sites.named],
        "refusals": [
            {
                "condition": row.name, "asked": row.asked, "clause": row.clause,
                "places": row.places, "alone": row.alone,
            }
            for row in sites.refusals
        ],
        "notes": list(sites.notes),
        "cautions": list(CAUTIONS),
    }  # fmt: skip


def _site_json(site: Site, sites: Sites) -> dict[str, Any]:
    return {
        "name": plain(site.name),
        "state": site.state,
        "road": site.road,
        "road_name": plain(sites.road(site)),
        "direction": site.direction,
        "near_side": site.near_side,
        "at_m": round(site.at_m, 1),
        "from_m": round(site.from_m, 1),
        "to_m": round(site.to_m, 1),
        "distance_ft": round(site.distance_ft, 1),
        "microphone": [round(value, 1) for value in site.microphone],
        "target": [round(value, 1) for value in site.target],
        "surface": site.surface,
        "limit_dba": _digits(site.limit, 1),
        "braking_passes": round(site.passes, 1),
        "hours": list(site.hours),
        "predicted_maxima_dba": {key: _digits(value, 1) for key, value in site.maxima.items()},
        "conditions": [
            {
                "key": check.key, "condition": check.name, "asked": check.asked,
                "clause": check.clause, "figure": _digits(check.figure, 2), "unit": check.unit,
                "state": check.state,
            }
            for check in site.checks
        ],
    }  # fmt: skip


def sites_html(scene: Scene, sites: Sites, units: str, invented: bool) -> str:
    """The page; it needs and calls nothing outside itself."""
    import jinja2
    from markupsafe import Markup

    environment = jinja2.Environment(autoescape=True, undefined=jinja2.StrictUndefined)
    title = f"{plain(sites.study)}: measurement sites"
    sheets = [
        {
            "title": f"Site {number}: {plain(sites.road(site))}, "
            f"{show_length(site.at_m, units)} along",
            "sentence": sentence(site, sites),
            "drawing": Markup(site_drawing(scene, site)),
            "checks": [_check_row(check) for check in site.checks],
        }
        for number, site in enumerate(sites.sites, start=1)
    ] + [
        {
            "title": f"Named by the study: {plain(site.name)}",
            "sentence": sentence(site, sites),
            "drawing": Markup(site_drawing(scene, site)),
            "checks": [_check_row(check) for check in site.checks],
        }
        for site in sites.named
    ]
    told = [(str(number), site) for number, site in enumerate(sites.sites, start=1)]
    told += [(plain(site.name), site) for site in sites.named]
    content = environment.from_string(PAGE).render(
        title=title,
        invented=INVENTED if invented else "",
        answer=answer(sites),
        drawing=Markup(sites_map(scene, sites)),
        headers=SHORT_HEADERS,
        rows=[_short_row(sites, label, site, units) for label, site in told],
        refused=refused_words(sites),
        refusals=[(r.name, r.asked, r.clause, f"{r.places:,}", f"{r.alone:,}")
                  for r in sites.refusals],
        sheets=sheets,
        notes=[plain(text, 600) for text in sites.notes],
    )  # fmt: skip
    page = environment.from_string(FRAME).render(
        title=title,
        content=Markup(content),
        cautions=CAUTIONS,
        notes=(),
        notices=tuple(plain(text, 300) for text in scene.attribution),
    )
    refuse_outside_references(page)
    return page


def _short_row(sites: Sites, label: str, site: Site, units: str) -> tuple[str, ...]:
    return (
        label,
        site.state,
        plain(sites.road(site)),
        show_length(site.at_m, units) + (f" ({site.at_m:,.0f} m)" if units == "us" else ""),
        f"{site.distance_ft:.0f} ft, {site.surface}, "
        + ("near side" if site.near_side else "across the other lane"),
        f"{site.limit:.0f}" if math.isfinite(site.limit) else "no row",
        figure(site.check("ambient")),
        figure(site.check("grade")),
        f"{site.passes:,.0f}",
        hours_text(frozenset(site.hours)) if site.hours else "none",
        " / ".join(
            f"{site.maxima[state]:.0f}" if math.isfinite(site.maxima[state]) else "-"
            for state in ("muffled", "straight")
        ),
    )


def _check_row(check: Check) -> tuple[str, ...]:
    return check.name, check.asked, figure(check), check.state, check.clause


def sites_layer(scene: Scene, sites: Sites, created: datetime) -> bytes:
    """GeoPackage with the microphones as points, in the study's coordinate system."""
    import geopandas
    import pyogrio
    import shapely

    table = sites_table(scene, sites)
    fields = field_names(table.headers)
    columns = {name: [row[i] for row in table.rows] for i, name in enumerate(fields)}
    shapes = [shapely.Point(site.microphone) for site in (*sites.sites, *sites.named)]
    frame = geopandas.GeoDataFrame(columns, geometry=shapes, crs=scene.crs)
    moment = created.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.000Z")
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": moment})
    with tempfile.TemporaryDirectory(prefix="noisemap-") as folder:
        path = Path(folder) / "sites.gpkg"
        pyogrio.write_dataframe(
            frame, path, layer="sites", driver="GPKG", geometry_type="Point",
            layer_metadata={"CREATED": created.isoformat(), "CRS": scene.crs},
        )  # fmt: skip
        return path.read_bytes()
