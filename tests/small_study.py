"""The smallest study that does everything: one road down a plane, some homes, a zone."""

from __future__ import annotations

from pathlib import Path

from scene_files import Y0, box, line, write_geojson, write_terrain

TEXT = """
schema = 1
[study]
name = "Small hill (invented)"
invented = true
[terrain]
files = ["terrain.tif"]
vertical_unit = "m"
[roads]
file = "roads.geojson"
[homes]
file = "homes.geojson"
placement = "centre"
[traffic.assumed]
vehicles_per_day = 4000.0
heavy_share = 0.2
[[truck]]
name = "full"
mass_kg = 36000.0
share = 1.0
[[zone]]
name = "by the homes"
road = "Hill Road"
from_m = 300.0
to_m = 900.0
[run]
max_distance_m = 400.0
grid_points = 60
[output]
folder = "results"
formats = ["csv", "map"]
"""


def write(folder: Path, text: str = TEXT) -> Path:
    """Write the study and its files; gives the study file."""
    folder.mkdir(parents=True, exist_ok=True)
    write_terrain(
        folder / "terrain.tif",
        lambda x, y: 600.0 - 0.06 * (y - Y0) + 0.0 * x,
        size=220,
        dtype="float32",
    )
    road = {"name": "Hill Road", "highway": "primary", "maxspeed": "60"}
    write_geojson(folder / "roads.geojson", [(road, line((1100.0, 400.0), (1100.0, 1600.0)))])
    places = [(1000.0 - 60.0 * (number % 3), 600.0 + 80.0 * number) for number in range(8)]
    homes = [
        ({"label": f"{number} Hill Road"}, box(x, y, 12.0, 10.0))
        for number, (x, y) in enumerate(places)
    ]
    write_geojson(folder / "homes.geojson", homes)
    path = folder / "study.toml"
    path.write_text(text, encoding="utf-8")
    return path
