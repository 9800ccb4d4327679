"""The offline map: one HTML file that opens from an e-mail, without any network."""

from __future__ import annotations

from noisemap.exposure.results import Findings
from noisemap.outputs.map_data import data_text, map_data
from noisemap.outputs.offline import asset, offline_page
from noisemap.outputs.wording import plain
from noisemap.scene.model import Scene


def map_html(scene: Scene, findings: Findings) -> str:
    """HTML of the study's map: homes, grades, retarder use, zones and level areas."""
    data = map_data(scene, findings)
    north, east = data["bounds"][1]
    return offline_page(
        title=f"{plain(findings.study_name)}: engine-brake noise map",
        data=data_text(data),
        north=north,
        east=east,
        before=asset("map_controls.html"),
        after=asset("map_details.html"),
    )
