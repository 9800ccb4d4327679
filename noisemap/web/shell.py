"""What the server hands out of the package: the page, its scripts and styles, the map's frame."""

from __future__ import annotations

import json
import re
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any

from noisemap.errors import MissingInputError, UsageError

ENTRY_PAGE = (
    '<!doctype html><html lang="en"><meta charset="utf-8"><title>noisemap</title>'
    '<link rel="icon" href="data:,"><meta http-equiv="refresh" content="0; url=/">'
    '<p><a href="/">Go to the page</a></p></html>'
)
TOKEN_SLOT = "token-goes-here"
KINDS = {".js": "text/javascript", ".css": "text/css", ".svg": "image/svg+xml"}


@cache
def _packaged(name: str) -> str:
    return files("noisemap.web").joinpath("assets", name).read_text(encoding="utf-8")


def page_html(token: str) -> str:
    """The page with the token that lets it write."""
    return _packaged("page.html").replace(TOKEN_SLOT, token, 1)


def asset(name: str) -> tuple[str, str]:
    """Text and kind of a script or style sheet.

    Raises
    ------
    MissingInputError
        When there is none of this name.
    """
    kind = KINDS.get(Path(name).suffix)
    if kind is None or name not in _names():
        raise MissingInputError(f"{name[:60]!r} is no part of this page.")
    if name in LEAFLET:
        from noisemap.outputs.offline import leaflet

        return leaflet(name), kind
    if name in OF_THE_MAP:
        from noisemap.outputs.offline import app_script, app_style

        return app_script() if name.endswith(".js") else app_style(), kind
    return _packaged(name), kind


LEAFLET = ("leaflet.js", "leaflet.css")
OF_THE_MAP = ("map_app.js", "map_app.css")
_DATA = re.compile(r'<script type="application/json" id="study-data">(.*?)</script>', re.DOTALL)


@cache
def _names() -> frozenset[str]:
    """Names of all scripts and style sheets."""
    folder = files("noisemap.web").joinpath("assets")
    return frozenset((*LEAFLET, *OF_THE_MAP, *(item.name for item in folder.iterdir())))


def cautions() -> dict[str, list[str]]:
    """What stands on the screens, by what they can do harm with."""
    from noisemap.outputs.cautions import CAUTIONS, NO_BAN_ON_CONTROL, SCREENING_BRAKES
    from noisemap.outputs.route_page import cautions as of_routes

    return {
        "always": [NO_BAN_ON_CONTROL, SCREENING_BRAKES],
        "study": list(CAUTIONS),
        "routes": list(of_routes(invented=False)),
    }


def example_readings() -> str:
    """The demo's record sheet."""
    from noisemap.study.demo import demo_folder

    return (demo_folder() / "readings.csv").read_text(encoding="utf-8")


def json_object(body: bytes) -> dict[str, Any]:
    """The JSON object that a request carries.

    Raises
    ------
    UsageError
        When it is none.
    """
    try:
        value = json.loads(body)
    except (ValueError, RecursionError) as error:
        raise UsageError("The page sent something that is no JSON; reload it.") from error
    if not isinstance(value, dict):
        raise UsageError("The page sent something that is no JSON object; reload it.")
    return value


MAP_PAGE = """<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta name="noisemap-token" content="{token}" data-key="{key}">
<title>Map</title>
<link rel="icon" href="data:,">
<link rel="stylesheet" href="/assets/leaflet.css">
<link rel="stylesheet" href="/assets/map_app.css">
</head>
<body>
{before}
<div class="folium-map" id="map_noisemap" role="application"
 aria-label="Map; arrow keys move it, plus and minus zoom" tabindex="0"></div>
{after}
<script type="application/json" id="study-data">{data}</script>
<script src="/assets/leaflet.js"></script>
<script src="/assets/map_start.js"></script>
<script src="/assets/map_app.js"></script>
</body>
</html>
"""


def map_html(file: Path, key: str, token: str) -> str | None:
    """The map page: our own frame and scripts, and of the saved map nothing but its data.

    None when the map was made for other scripts than ours.
    """
    from noisemap.outputs.map_data import data_text
    from noisemap.outputs.offline import app_script
    from noisemap.outputs.offline import asset as of_outputs

    text = file.read_text(encoding="utf-8")
    found = _DATA.search(text) if app_script() in text else None
    try:
        data = json.loads(found[1]) if found else None
    except (ValueError, RecursionError):
        data = None
    if not isinstance(data, dict):
        return None
    return MAP_PAGE.format(
        token=token,
        key=key,
        before=of_outputs("map_controls.html"),
        after=of_outputs("map_details.html"),
        data=data_text(data),
    )
