"""The fit of the demo's main road against its designed grades, tunnel and bridge included."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

from noisemap.scene.build import build_scene
from noisemap.study.prepare import prepare

DATA = Path(__file__).parents[1] / "data"


def test_grades_of_the_main_road_are_those_designed() -> None:
    """Over 100 m on 10 m cells: within 0.15 points, root mean square."""
    truth = pd.read_csv(DATA / "truth.csv")
    designed = truth[truth.road == "SR 77"]
    scene = build_scene(prepare(DATA / "study.toml").inputs)
    road = max(
        (road for road in scene.roads if road.answers_to("SR 77")), key=lambda r: r.chainage[-1]
    )
    x, y, height = (designed[name].to_numpy() for name in ("x_m", "y_m", "height_m"))
    along = designed.chainage_m.to_numpy()
    if np.hypot(road.x[0] - x[0], road.y[0] - y[0]) > 100.0:  # counted from the other end
        along, height = along[-1] - along[::-1], height[::-1]
    start = np.arange(0.0, min(along[-1], road.chainage[-1]) - 100.0, 10.0)
    truly = np.interp(start + 100.0, along, height) - np.interp(start, along, height)
    fitted = np.interp(start + 100.0, road.chainage, road.height)
    fitted = fitted - np.interp(start, road.chainage, road.height)
    assert float(np.sqrt(np.mean((fitted - truly) ** 2))) <= 0.15
    assert float(np.abs(road.height - np.interp(road.chainage, along, height)).max()) < 1.0
