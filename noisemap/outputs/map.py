"""The offline map: one HTML file that opens from an e-mail, without any network."""

from __future__ import annotations

from noisemap.exposure.results import Findings
from noisemap.outputs.backdrop import relief_bounds
from noisemap.outputs.map_data import data_text, map_data
from noisemap.outputs.offline import asset, offline_page
from noisemap.outputs.what_if_data import what_if_data
from noisemap.outputs.wording import plain
from noisemap.scene.model import Scene
from noisemap.zones.what_if import NoTable, WhatIf


def map_html(scene: Scene, findings: Findings, what_if: WhatIf | NoTable | None = None) -> str:
    """HTML of the study's map: homes, grades, retarder use, zones and level areas.

    With the table of the what-if any zone can be tried in the file itself; a map without
    one says why.
    """
    data = map_data(scene, findings)
    if isinstance(what_if, NoTable):
        data["noWhatIf"] = what_if.reason
    elif what_if is not None:
        zones = [result.zone for result in findings.zones]
        corner = relief_bounds(scene.terrain)[:2]
        data["whatIf"] = what_if_data(what_if, corner, findings.units, zones)
    north, east = data["bounds"][1]
    return offline_page(
        title=f"{plain(findings.study_name)}: engine-brake noise map",
        data=data_text(data),
        north=north,
        east=east,
        before=asset("map_controls.html"),
        after=asset("map_details.html"),
    )
