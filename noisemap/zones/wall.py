"""A wall beside the zone, computed: sound paths built anew for the homes within its reach."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import numpy.typing as npt

from noisemap.data_tables import toml_table
from noisemap.exposure.levels import loudest, passes_above, scenario
from noisemap.exposure.product import PassLevels, PassSound, pass_levels
from noisemap.exposure.traffic import matching_roads
from noisemap.exposure.uncertainty import ZonePasses, interval, people_passes_spared, spread
from noisemap.levels import from_energy
from noisemap.scene.model import Road
from noisemap.states import Zone
from noisemap.transfer.build import Air, build_store
from noisemap.zones.alternatives import Alternative, louder_homes
from noisemap.zones.verdict import LEADING_LEVEL
from noisemap.zones.weigh import HELPED_DB, Base

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]


def wall_choice(name: str) -> float:
    """One of the wall's stated choices, see `alternatives.toml`."""
    return float(toml_table("noisemap.zones", "alternatives.toml")[name]["value"])


def wall_alternative(
    base: Base, sound: PassSound, zone: Zone, air: Air, folder: Path, max_distance: float
) -> Alternative:
    """A wall along the zone, on the side where more people live, for trucks of every kind.

    Computed for the receivers within its reach; farther homes keep their levels.  A zone
    with more receivers than stated is left out, for the time it would take.
    """
    height = wall_choice("wall_height_m")
    road = base.scene.roads[matching_roads(zone.road, base.scene.roads)[0]]
    line, side = wall_line(base, road, zone)
    reached = within_reach(base, line)
    length = float(np.hypot(*np.diff(line, axis=0).T).sum())
    name = f"a wall of {height:g} m along {length:,.0f} m of the road, {side} side"
    most = int(wall_choice("wall_receivers"))
    if len(reached) > most or not base.classes:
        reason = (
            f"not computed: {len(reached):,} receivers lie within its reach, more than {most:,}; "
            "draw it into the study's obstacles and run again"
        )
        return Alternative("build", name, None, None, None, None, None, None, None, None, reason)
    levels = levels_with_wall(base, sound, line, height, reached, air, folder, max_distance)
    return _row(base, name, levels, air.reflection_order > 0)


def wall_line(base: Base, road: Road, zone: Zone) -> tuple[FloatArray, str]:
    """Points of the wall (n, 2) [m], and its side of the road, seen along the distances."""
    step = wall_choice("wall_step_m")
    count = max(int((zone.to_m - zone.from_m) / step), 1)
    at = np.linspace(zone.from_m, zone.to_m, count + 1)
    x, y = np.interp(at, road.chainage, road.x), np.interp(at, road.chainage, road.y)
    along = np.column_stack([np.gradient(x), np.gradient(y)])
    along /= np.maximum(np.hypot(*along.T), 1e-9)[:, None]
    left = np.column_stack([-along[:, 1], along[:, 0]])
    homes = np.column_stack([base.scene.homes.x, base.scene.homes.y])
    away = homes[:, None, :] - np.column_stack([x, y])[None, :, :]
    distance = np.hypot(away[..., 0], away[..., 1])
    nearest = distance.argmin(axis=1)
    rows = np.arange(len(homes))
    beside = np.einsum("ij,ij->i", away[rows, nearest], left[nearest])
    near = distance[rows, nearest] <= wall_choice("wall_reach_m")
    people = base.scene.homes.people * near
    sign = 1.0 if people[beside > 0.0].sum() >= people[beside <= 0.0].sum() else -1.0
    points = np.column_stack([x, y]) + sign * wall_choice("wall_offset_m") * left
    return points, "left" if sign > 0.0 else "right"


def within_reach(base: Base, line: FloatArray) -> IntArray:
    """Receivers within the reach of the wall."""
    x, y = base.scene.receivers.x, base.scene.receivers.y
    nearest = np.full(len(x), np.inf)
    for px, py in line:
        nearest = np.minimum(nearest, np.hypot(x - px, y - py))
    return np.flatnonzero(nearest <= wall_choice("wall_reach_m"))


def levels_with_wall(
    base: Base,
    sound: PassSound,
    line: FloatArray,
    height: float,
    reached: IntArray,
    air: Air,
    folder: Path,
    max_distance: float,
) -> PassLevels:
    """What one pass of each class leaves at every receiver with the wall standing."""
    old, count = base.scene.obstacles, len(line) - 1
    walled = replace(
        base.scene,
        obstacles=replace(
            old,
            edges=np.vstack([old.edges, np.hstack([line[:-1], line[1:]])]),
            height=np.append(old.height, np.full(count, height)),
            block=np.append(old.block, np.full(count, -1, dtype=np.int64)),
            assumed_height=np.append(old.assumed_height, np.ones(count, dtype=bool)),
        ),
    )
    place = base.scene.receivers
    points = np.column_stack([place.x, place.y, place.height])[reached]
    store = build_store(folder, walled, points, air, max_distance)
    new = pass_levels(store, sound)
    out = PassLevels(
        base.passes.energy.copy(),
        base.passes.running_energy.copy(),
        base.passes.maximum.copy(),
        base.passes.exhaust_share.copy(),
    )
    out.energy[reached], out.running_energy[reached] = new.energy, new.running_energy
    out.maximum[reached], out.exhaust_share[reached] = new.maximum, new.exhaust_share
    return out


def _row(base: Base, name: str, levels: PassLevels, reflects: bool) -> Alternative:
    night, fleet = base.periods.night, spread("fleet_spread")
    counts = np.array([one.per_hour for one in base.classes])
    after = scenario(levels, counts, base.other_by_hour)
    fewer = passes_above(base.free, night, LEADING_LEVEL, fleet)
    fewer = fewer - passes_above(after, night, LEADING_LEVEL, fleet)
    draws = base.draws
    samples = people_passes_spared(
        ZonePasses(
            free=base.passes.maximum.astype(float),
            free_exhaust=base.passes.exhaust_share.astype(float),
            silent=levels.maximum.astype(float),
            silent_exhaust=levels.exhaust_share.astype(float),
            counts=counts[:, sorted(night)].sum(axis=1),
            exhaust=[one.exhaust_state for one in base.classes],
        ),
        base.people,
        base.scene.receivers.home,
        base.home_sigma,
        np.ones(draws.samples),
        LEADING_LEVEL,
        draws,
    )
    quiet = _night_level(base, after.braking_by_hour)
    louder = louder_homes(base.before.l_night, quiet)
    people = base.scene.homes.people
    heard = np.isfinite(quiet)
    fall = np.subtract(base.before.l_night, quiet, out=np.zeros_like(quiet), where=heard)
    helped = float(people[fall >= HELPED_DB].sum())
    return Alternative(
        group="build",
        name=name,
        zone=None,
        spared=interval(float(fewer @ base.people), samples),
        helped=None,
        louder=float(people[[home for home, _ in louder]].sum()),
        bound_a_day=0.0,
        hottest_c=None,
        hottest_worn_c=None,
        verdict=None,
        remark=f"quieter by 1 dB or more for about {helped:,.0f} people; no brake is asked; what "
        f"it throws back is {'' if reflects else 'not '}in these figures, its cost and the "
        "accuracy of screening are not",
        louder_homes=louder,
    )


def _night_level(base: Base, by_hour: FloatArray) -> FloatArray:
    energy = by_hour[:, sorted(base.periods.night)].mean(axis=1)
    return loudest(from_energy(energy), base.scene.receivers, base.scene.homes)
