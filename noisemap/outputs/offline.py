"""A folium page that needs nothing from outside its own file.

Leaflet is inlined from a packaged copy whose hash is checked.  The page forbids
the network to itself by a content security policy that names the hash of each
of its scripts, and a scan refuses to hand out a page that points outside.
"""

from __future__ import annotations

import base64
import hashlib
import re
from functools import cache
from html.parser import HTMLParser
from importlib.resources import files

import folium
from branca.element import Element, Figure, MacroElement
from folium.template import Template

LEAFLET_SHA256 = {
    "leaflet.js": "5819285cec137b229c94e1ee5ad73e8b6b84345a4367d60f75fe477fe0fb7b03",
    "leaflet.css": "90b693d86392a4779c861b28cf307e7e59c3fb35328c4d8b95f58f814d38c722",
}
MAP_ID = "noisemap"
POLICY_SLOT = "policy-goes-here"
SCRIPTS_OF_A_MAP = 3  # Leaflet, folium's own, ours
SCRIPTS = (
    "what_if_table.js",
    "what_if_model.js",
    "what_if_brakes.js",
    "what_if_scenarios.js",
    "what_if_road.js",
    "what_if_panel.js",
    "what_if.js",
    "map.js",
)
"""Our own scripts in the order in which they run, in the saved file and in the served page."""

STYLES = ("map.css", "what_if.css")


class OutsideReferenceError(RuntimeError):
    """A page would point outside its own file; nothing was written."""


def asset(name: str) -> str:
    """Text of a file packaged with the outputs."""
    return files("noisemap.outputs").joinpath("assets", name).read_text(encoding="utf-8")


def app_script() -> str:
    """All our scripts as one text."""
    return "\n".join(asset(name) for name in SCRIPTS)


def app_style() -> str:
    """All our styles as one text."""
    return "\n".join(asset(name) for name in STYLES)


@cache
def leaflet(name: str) -> str:
    """Text of Leaflet's script or style sheet, of the one version folium pins.

    Raises
    ------
    OutsideReferenceError
        The installed copy is not the one that was checked.
    """
    folder = files("xstatic.pkg.leaflet").joinpath("data")
    content = folder.joinpath(name).read_bytes()
    if hashlib.sha256(content).hexdigest() != LEAFLET_SHA256[name]:
        raise OutsideReferenceError(
            f"{name}: the installed XStatic-Leaflet is not version 1.9.3.0; install that version"
        )
    text = content.decode("utf-8")
    for picture in re.findall(r"url\((images/[a-z0-9-]+\.png)\)", text):
        data = base64.b64encode(folder.joinpath(picture).read_bytes()).decode()
        text = text.replace(f"url({picture})", f"url(data:image/png;base64,{data})")
    return text


class Page(Figure):  # type: ignore[misc]
    """The HTML frame: policy first, then styles, the body, the data and the scripts."""

    _template = Template(
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta http-equiv="Content-Security-Policy" content="{{ this.policy }}">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        "<title>{{ this.title|e }}</title>\n"
        "<!--\n{{ this.notice }}\n-->\n"
        "<style>{{ this.leaflet_css }}</style>\n<style>{{ this.css }}</style>\n"
        "</head>\n<body>\n{{ this.html.render(**kwargs) }}\n"
        '<script type="application/json" id="study-data">{{ this.data }}</script>\n'
        "<script>{{ this.leaflet_js }}</script>\n"
        "<script>{{ this.script.render(**kwargs) }}</script>\n"
        "<script>{{ this.app }}</script>\n"
        "</body>\n</html>\n"
    )

    def __init__(self, title: str, data: str, app: str, css: str) -> None:
        super().__init__()
        self.title = title
        self.data = data
        self.app = app
        self.css = css
        self.policy = POLICY_SLOT
        self.notice = asset("leaflet-notice.txt")
        self.leaflet_js = leaflet("leaflet.js")
        self.leaflet_css = leaflet("leaflet.css")


class OfflineMap(folium.Map):  # type: ignore[misc]
    """A folium map without any outside asset, drawn in plane metres."""

    default_js: tuple[tuple[str, str], ...] = ()
    default_css: tuple[tuple[str, str], ...] = ()

    _template = Template(
        """
        {% macro html(this, kwargs) %}
        <div class="folium-map" id={{ this.get_name()|tojson }} role="application"
         aria-label="Map; arrow keys move it, plus and minus zoom" tabindex="0"></div>
        {% endmacro %}
        {% macro script(this, kwargs) %}
        var {{ this.get_name() }} = L.map({{ this.get_name()|tojson }}, {
            center: {{ this.location|tojson }}, crs: L.CRS.{{ this.crs }},
            ...{{ this.options|tojavascript }}
        });
        {% endmacro %}
        """
    )

    def __init__(self, north: float, east: float) -> None:
        super().__init__(
            location=(north / 2.0, east / 2.0),
            crs="Simple",
            tiles=None,
            zoom_start=-3,
            minZoom=-7,
            maxZoom=4,
            prefer_canvas=True,
            zoom_snap=0.25,
        )
        self._id = MAP_ID


class AfterMap(MacroElement):  # type: ignore[misc]
    """A fixed piece of HTML of our own that follows the map."""

    _template = Template("{% macro html(this, kwargs) %}{{ this.text }}{% endmacro %}")

    def __init__(self, text: str) -> None:
        super().__init__()
        self._id = "after"
        self.text = text


def offline_page(title: str, data: str, north: float, east: float, before: str, after: str) -> str:
    """HTML of a map page: our `before`, the map, our `after`, the data block, the scripts.

    Raises
    ------
    OutsideReferenceError
        The page would point outside, or holds a script that is not ours.
    """
    page = Page(title, data, app_script(), app_style())
    view = OfflineMap(north, east)
    page.add_child(view)
    page.html.add_child(Element(before), name="before", index=0)
    view.add_child(AfterMap(after))
    text = page.render()
    policy = script_policy(text, trusted=(page.leaflet_js, page.app))
    text = text.replace(POLICY_SLOT, policy, 1)
    refuse_outside_references(text, exempt=(page.leaflet_js, page.leaflet_css))
    return str(text)


def script_policy(page: str, trusted: tuple[str, ...]) -> str:
    """Content security policy that lets exactly the page's own scripts run.

    Raises
    ------
    OutsideReferenceError
        The page holds more or other scripts than those it was made of.
    """
    found = scan(page).scripts
    if len(found) != SCRIPTS_OF_A_MAP or any(text not in found for text in trusted):
        raise OutsideReferenceError(
            f"the page holds {len(found)} scripts, {SCRIPTS_OF_A_MAP} known ones were expected; "
            "nothing was written"
        )
    hashes = " ".join(
        "'sha256-" + base64.b64encode(hashlib.sha256(text.encode()).digest()).decode() + "'"
        for text in found
    )
    return (
        f"default-src 'none'; script-src {hashes}; style-src 'unsafe-inline'; "
        "img-src data:; base-uri 'none'; form-action 'none'"
    )


class PageScan(HTMLParser):
    """What a page holds: its scripts, styles, references and event attributes."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.scripts: list[str] = []
        self.styles: list[str] = []
        self.references: list[str] = []
        self.handlers: list[str] = []
        self._into: list[str] | None = None

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Note a tag's references and where its text goes."""
        values = {name: value or "" for name, value in attrs}
        self.references += [
            f"{tag} {name}={value[:80]}"
            for name, value in values.items()
            if name in ("src", "srcset", "href", "action", "data", "poster", "formaction")
            and not value.startswith(("#", "data:image/"))
        ]
        self.handlers += [f"{tag} {name}" for name in values if name.startswith("on")]
        if "style" in values:
            self.styles.append(values["style"])
        if tag == "script" and values.get("type") != "application/json":
            self._into = self.scripts
            self.scripts.append("")
        elif tag == "style":
            self._into = self.styles
            self.styles.append("")

    def handle_endtag(self, tag: str) -> None:
        """End of a script or style."""
        if tag in ("script", "style"):
            self._into = None

    def handle_data(self, data: str) -> None:
        """Text of a script or style."""
        if self._into is not None:
            self._into[-1] += data


def scan(page: str) -> PageScan:
    """What a page holds."""
    result = PageScan()
    result.feed(page)
    result.close()
    return result


def refuse_outside_references(page: str, exempt: tuple[str, ...] = ()) -> None:
    """Check that a page needs and calls nothing outside itself.

    Raises
    ------
    OutsideReferenceError
        A tag, a style or a script points outside, or an attribute holds code.
    """
    found = scan(page)
    faults = found.references + found.handlers
    for text in found.scripts:
        if text not in exempt and re.search(r"https?:|//[a-z0-9.-]+\.[a-z]{2,}/|tileLayer\(", text):
            faults.append("script: " + text.strip()[:60])
    for text in found.styles:
        if text not in exempt and re.search(r"@import|https?:|url\((?!['\"]?(data:|#))", text):
            faults.append("style: " + text.strip()[:60])
    if faults:
        raise OutsideReferenceError(
            "the page would point outside its own file, nothing was written: " + "; ".join(faults)
        )
