"""The hill above: how warm brakes are when trucks reach a road from the roads before it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from noisemap.data_tables import toml_table
from noisemap.descent.brake_temperature import heat_model
from noisemap.exposure.driving import Practice, TruckClass, drive_road, road_rows
from noisemap.scene.model import Scene
from noisemap.states import RetarderKind

FloatArray = npt.NDArray[np.float64]
Way = tuple[int, int]
"""A road and the direction in which it is driven: 1 with its points, -1 against them."""


def _choice(name: str) -> float:
    return float(toml_table("noisemap.exposure", "arrivals.toml")[name]["value"])


@dataclass(frozen=True)
class Junction:
    """Where a road, driven one way, reaches the beginning of another."""

    way: Way  # that arrives
    at_m: float  # along that drive


class HillsAbove:
    """Brakes where a road begins, from every modelled road that leads to it.

    A truck that arrives has come down what lies above with its retarder used as
    asked.  Of all roads that lead to the beginning the warmest brakes count, never
    cooler than the study's entry.  Loops are driven until temperatures settle.
    """

    def __init__(self, scene: Scene) -> None:
        self.scene = scene
        self._before = junctions_before(scene)
        self._known: dict[object, dict[Way, float]] = {}

    def leads_to(self, road: int, direction: int) -> tuple[int, ...]:
        """Roads that lead to the beginning of a road."""
        return tuple(sorted({one.way[0] for one in self._before.get((road, direction), ())}))

    def practice(
        self,
        road: int,
        direction: int,
        truck: TruckClass,
        practice: Practice,
        *,
        retarder: RetarderKind | None = None,
        steeper: float | FloatArray = 0.0,
    ) -> Practice:
        """The practice with brakes as warm as trucks bring them to this road.

        `retarder` replaces the truck's own kind on the way; `steeper` is added to
        every downgrade there [1].
        """
        way = (road, direction)
        if not self._before.get(way):
            return practice
        key = (truck, practice, retarder, np.asarray(steeper).tobytes())
        known = self._known.setdefault(key, {})
        if way not in known:
            known.update(self._settled(way, truck, practice, retarder, steeper))
        return replace(practice, conditions=replace(practice.conditions, entry_c=known[way]))

    def _settled(
        self,
        way: Way,
        truck: TruckClass,
        practice: Practice,
        retarder: RetarderKind | None,
        steeper: float | FloatArray,
    ) -> dict[Way, float]:
        conditions = practice.conditions
        sink = heat_model(truck.model, conditions)
        before = self._upstream(way)
        drives = {
            one: drive_road(
                self.scene.stretches, *one, truck, practice, retarder=retarder, steeper=steeper
            )
            for one in before
        }
        entry = dict.fromkeys(before, conditions.entry_c)
        for _ in range(int(_choice("longest_settling"))):
            nodes = {
                one: sink.march(
                    entry[one],
                    conditions.ambient_c,
                    drives[one].brake_w,
                    drives[one].speed_ms,
                    drives[one].time_s,
                )
                for one in before
            }
            warmed = {
                one: max(
                    (
                        float(np.interp(other.at_m, drives[other.way].chainage_m, nodes[other.way]))
                        for other in self._before.get(one, ())
                        if other.way in nodes
                    ),
                    default=conditions.entry_c,
                )
                for one in before
            }
            warmed = {one: max(found, conditions.entry_c) for one, found in warmed.items()}
            change = max(abs(warmed[one] - entry[one]) for one in before)
            entry = warmed
            if change < _choice("settled_k"):
                break
        return entry

    def _upstream(self, way: Way) -> list[Way]:
        """The road and all that lead to it, as far as heat is carried."""
        farthest = _choice("carry_m")
        distance = {way: 0.0}
        waiting = [way]
        while waiting:
            here = waiting.pop(0)
            if distance[here] >= farthest:
                continue
            for other in self._before.get(here, ()):
                far = distance[here] + other.at_m
                if far < distance.get(other.way, np.inf):
                    distance[other.way] = far
                    waiting.append(other.way)
        return sorted(distance)


def junctions_before(scene: Scene) -> Mapping[Way, tuple[Junction, ...]]:
    """What leads to the beginning of every modelled road, by road and direction.

    A road leads there wherever one of its links ends at the junction in which the other
    road begins; turning back on the same road is left out.
    """
    links, stretches = scene.links, scene.stretches
    begins: dict[int, list[Way]] = {}
    spans: dict[int, tuple[float, float]] = {}
    for road in np.unique(stretches.road).tolist():
        rows, own = road_rows(stretches, road), np.flatnonzero(links.road == road)
        spans[road] = float(stretches.from_m[rows[0]]), float(stretches.to_m[rows[-1]])
        if len(own) == 0:
            continue
        ends = ((1, int(links.start[own[0]])), (-1, int(links.end[own[-1]])))
        for direction, junction in ends:
            if scene.roads[road].one_way in (0, direction):
                begins.setdefault(junction, []).append((road, direction))
    found: dict[Way, set[Junction]] = {}
    for index, road in enumerate(links.road.tolist()):
        if road not in spans:
            continue
        chainage, (first, last) = scene.roads[road].chainage, spans[road]
        for direction, junction, point in (
            (1, int(links.end[index]), int(links.last[index])),
            (-1, int(links.start[index]), int(links.first[index])),
        ):
            if scene.roads[road].one_way not in (0, direction):
                continue
            at = float(np.clip(chainage[point], first, last))
            for way in begins.get(junction, ()):
                if way[0] != road:
                    along = at if direction > 0 else last - at
                    found.setdefault(way, set()).add(Junction((road, direction), along))
    return {
        way: tuple(sorted(ones, key=lambda one: (one.way, one.at_m))) for way, ones in found.items()
    }
