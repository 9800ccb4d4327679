"""A small scene made of arrays: one straight road down a plane, a few homes beside it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from noisemap.descent.brake_temperature import Conditions
from noisemap.descent.truck import packaged_truck
from noisemap.exposure.driving import Practice, TruckClass
from noisemap.scene.model import (
    GroundCover,
    Homes,
    Obstacles,
    Receivers,
    Road,
    Scene,
    Stretches,
    Terrain,
)

PRACTICE = Practice(Conditions())


def truck(mass: float = 36_000.0, retarder: str = "compression_release") -> TruckClass:
    return TruckClass("full", packaged_truck("15L"), mass, 1.0, retarder)  # type: ignore[arg-type]


def scene(
    grade: float = -0.06,
    length: float = 2000.0,
    piece: float = 20.0,
    offsets: tuple[float, ...] = (60.0, 150.0, 400.0),
    ground_factor: float = 0.5,
    speed_kmh: float = 60.0,
) -> Scene:
    """The road runs east from the origin; one home stands at each offset north of its middle."""
    cell, margin = 10.0, 600.0
    columns = int((length + 2 * margin) / cell) + 1
    rows = int(2 * margin / cell) + 1
    x = np.arange(columns) * cell - margin
    height = np.broadcast_to(500.0 + grade * x, (rows, columns)).copy()
    nodes = np.arange(0.0, length + 1e-9, piece)
    middle = 0.5 * (nodes[1:] + nodes[:-1])
    count = len(middle)
    zero = np.zeros(count)
    road = Road(
        road_id="hill",
        name="Hill Road",
        road_class="primary",
        x=nodes,
        y=np.zeros(count + 1),
        chainage=nodes,
        height=500.0 + grade * nodes,
        grade_sigma=np.full(count, 0.002),
        structure=np.zeros(count, dtype=np.uint8),
        speed_limit_kmh=np.full(count, speed_kmh),
        speed_limit_assumed=np.zeros(count, dtype=bool),
        trucks_allowed=np.ones(count, dtype=bool),
        one_way=0,
        surface=500.0 + grade * nodes,
        direction=np.zeros(count, dtype=np.int8),
        emits=np.ones(count, dtype=bool),
    )
    stretches = Stretches(
        road=np.zeros(count, dtype=np.int64),
        from_m=nodes[:-1],
        to_m=nodes[1:],
        x=middle,
        y=zero,
        z=500.0 + grade * middle,
        ends=np.column_stack([nodes[:-1], zero, nodes[1:], zero]),
        grade=np.full(count, grade),
        grade_sigma=np.full(count, 0.002),
        speed_limit_kmh=np.full(count, speed_kmh),
        covered=np.zeros(count, dtype=bool),
        bridge=np.zeros(count, dtype=bool),
        near_portal=np.zeros(count, dtype=bool),
        direction=np.zeros(count, dtype=np.int8),
        trucks_allowed=np.ones(count, dtype=bool),
        paving=np.full(count, "asphalt"),
        lanes=np.full(count, 2.0),
    )
    homes = len(offsets)
    shape = height.shape
    return Scene(
        crs="EPSG:32606",
        terrain=Terrain(-margin, -margin, cell, height, np.zeros(shape, dtype=bool), 10.0),
        ground=GroundCover(
            -margin,
            -margin,
            cell,
            np.full(shape, ground_factor),
            np.zeros(shape, dtype=bool),
            15.0,
        ),
        roads=(road,),
        stretches=stretches,
        homes=Homes(
            home_id=tuple(f"H{index}" for index in range(homes)),
            label=tuple(f"{index} Hill Road" for index in range(homes)),
            kind=("home",) * homes,
            x=np.full(homes, length / 2),
            y=np.array(offsets),
            people=np.full(homes, 2.5),
            estimated=np.zeros(homes, dtype=bool),
            single_dwelling=np.ones(homes, dtype=bool),
        ),
        receivers=Receivers(
            home=np.arange(homes),
            x=np.full(homes, length / 2),
            y=np.array(offsets),
            height=np.full(homes, 4.0),
            share=np.ones(homes),
        ),
        obstacles=Obstacles(
            np.zeros((0, 4)), np.zeros(0), np.zeros(0, dtype=np.int64), np.zeros(0, dtype=bool)
        ),
    )


def receivers(place: Scene) -> np.ndarray:
    return np.column_stack([place.receivers.x, place.receivers.y, place.receivers.height])


def moved(place: Scene, dz: float) -> Scene:
    """The same scene with its whole ground and road lifted."""
    return replace(
        place,
        terrain=replace(place.terrain, height=place.terrain.height + dz),
        stretches=replace(place.stretches, z=place.stretches.z + dz),
    )
