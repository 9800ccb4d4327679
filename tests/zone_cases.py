"""A small town beside a small hill, weighed: the base that zones and searches are tested on."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import hill
import numpy as np

from noisemap.community.indicators import Periods
from noisemap.descent.truck import packaged_truck
from noisemap.exposure.arrivals import HillsAbove
from noisemap.exposure.driving import Practice, TruckClass, drive_road
from noisemap.exposure.levels import home_levels, scenario
from noisemap.exposure.passes import FREE, PassClass, pass_sound
from noisemap.exposure.product import PassSound, pass_levels
from noisemap.exposure.uncertainty import draw, spread
from noisemap.scene.model import Scene
from noisemap.states import EXHAUST_STATES
from noisemap.transfer.build import Air, build_store
from noisemap.zones.weigh import Base

PERIODS = Periods(frozenset({22, 23, 0, 1, 2, 3, 4, 5, 6}), frozenset({19, 20, 21}))
SHARES = {"after_treatment": 0.5, "muffled": 0.4, "worn": 0.06, "straight": 0.04}


def trucks() -> tuple[TruckClass, ...]:
    model = packaged_truck("13L")
    return (
        TruckClass("light", model, 18_000.0, 0.4, "compression_release"),
        TruckClass("middle", model, 28_000.0, 0.3, "compression_release"),
        TruckClass("heavy", model, 36_287.0, 0.1, "compression_release"),
        TruckClass("heavy, none", model, 36_287.0, 0.1, "none"),
        TruckClass("heavy, throttle", model, 36_287.0, 0.1, "exhaust_throttle"),
    )


def town(
    *,
    length: float = 3000.0,
    piece: float = 50.0,
    grades: tuple[float, ...] = (-0.02, -0.07, -0.03, -0.07),
    homes: int = 8,
    seed: int = 3,
    speed_kmh: float = 60.0,
) -> Scene:
    """The straight hill with its grade changed along the road, homes at random places."""
    rng = np.random.default_rng(seed)
    place = hill.scene(
        grade=-0.05, length=length, piece=piece, offsets=(60.0,) * homes, speed_kmh=speed_kmh
    )
    count = len(place.stretches.x)
    grade = np.array(grades)[np.arange(count) * len(grades) // count]
    x = rng.uniform(0.1 * length, 0.9 * length, homes)
    y = rng.uniform(25.0, 250.0, homes)
    people = rng.uniform(1.0, 6.0, homes)
    return replace(
        place,
        stretches=replace(place.stretches, grade=grade),
        homes=replace(place.homes, x=x, y=y, people=people),
        receivers=replace(place.receivers, x=x, y=y),
    )


def weighed(
    folder: Path,
    place: Scene | None = None,
    *,
    practice: Practice = hill.PRACTICE,
    planning_limit: float = 190.0,
    passes_an_hour: float = 4.0,
    fleet: tuple[TruckClass, ...] | None = None,
) -> tuple[Base, PassSound]:
    """Base and sound of the small town, with heavy trucks both ways at every hour."""
    place = place or town()
    fleet = fleet or trucks()
    store = build_store(folder, place, hill.receivers(place), Air(10.0, 70.0, 101.325), 3000.0)
    drives = {
        (0, direction, index, FREE): drive_road(place.stretches, 0, direction, truck, practice)
        for direction in (1, -1)
        for index, truck in enumerate(fleet)
    }
    hour = np.linspace(1.5, 0.5, 24)
    classes = tuple(
        PassClass(0, way, truck, state, FREE, passes_an_hour * share * fleet[truck].share * hour)
        for (_, way, truck, _), drive in drives.items()
        for state, share in SHARES.items()
        if drive.braking_cylinders.any()
    )
    sound = pass_sound(
        classes, drives, place.stretches, fleet, temperature=10.0, calibration_offset=0.0
    )
    passes = pass_levels(store, sound)
    other = np.full((store.receivers, 24), 1e3, dtype=np.float32)
    free = scenario(passes, np.array([one.per_hour for one in classes]).reshape(-1, 24), other)
    homes = len(place.homes.home_id)
    base = Base(
        scene=place,
        store=store,
        trucks=fleet,
        practice=practice,
        hard_limit=260.0,
        planning_limit=planning_limit,
        temperature=10.0,
        calibration_offset=0.0,
        classes=classes,
        passes=passes,
        other_by_hour=other,
        free=free,
        before=home_levels(
            free, place.receivers, place.homes, PERIODS, spread("fleet_spread"), None
        ),
        people=place.homes.people,
        loudest_receiver=np.arange(homes),
        home_sigma=np.full(homes, 2.0),
        draws=draw(1000, homes, 7),
        periods=PERIODS,
        background=None,
        criteria=(),
        worth_people_passes=0.5,
        units="metric",
        hills=HillsAbove(place),
    )
    assert set(SHARES) == set(EXHAUST_STATES)
    return base, sound
