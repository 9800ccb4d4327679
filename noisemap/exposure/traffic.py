"""Counts of vehicles by road, direction, hour, class and exhaust state."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from noisemap.data_tables import table_rows
from noisemap.errors import BadDataError
from noisemap.readers.tables import TextTable
from noisemap.scene.model import Road
from noisemap.states import EXHAUST_STATES, VEHICLE_CLASSES, ExhaustState, VehicleClass

FloatArray = npt.NDArray[np.float64]

DIRECTIONS = ("downhill", "uphill", "both")
LARGEST_FLOW = 20_000.0  # vehicles an hour on one road: beyond it the number is a slip
ASSUMED_NIGHT = frozenset({22, 23, 0, 1, 2, 3, 4, 5, 6})


@dataclass(frozen=True)
class Flow:
    """Vehicles of one kind on one road in one direction."""

    road: int  # index into the scene's roads
    direction: int  # 1 with the road's points, -1 against them
    vehicle_class: VehicleClass
    exhaust_state: ExhaustState | None  # for heavy trucks
    per_hour: FloatArray  # (24,) [1/h]


def downhill_direction(road: Road) -> int:
    """The direction in which the road as a whole descends: 1 with its points, -1 against."""
    return 1 if road.height[0] >= road.height[-1] else -1


def directions(road: Road, text: str) -> list[int]:
    """Directions meant by `downhill`, `uphill` or `both`, as far as the road allows them."""
    down = downhill_direction(road)
    wanted = {"downhill": [down], "uphill": [-down], "both": [1, -1]}[text]
    return [sign for sign in wanted if road.one_way in (0, sign)]


def flows_from_table(
    table: TextTable, roads: Sequence[Road], shares: Mapping[ExhaustState, float]
) -> tuple[list[Flow], list[str]]:
    """Flows of a counts table, and sentences about what was assumed in it.

    An empty exhaust state of a heavy row shares its trucks out.

    Raises
    ------
    BadDataError
        With every column's first fault, the unknown roads and the double rows.
    """
    columns = _columns(table, roads)
    counts: dict[tuple[int, int, VehicleClass, ExhaustState | None], FloatArray] = {}
    shared_out = 0
    for name, direction, hour, kind, state, count in zip(*columns, strict=True):
        parts: list[tuple[ExhaustState | None, float]] = [(state or None, 1.0)]
        if kind == "heavy" and not state:
            parts = [(each, shares[each]) for each in EXHAUST_STATES]
            shared_out += 1
        for index in matching_roads(name, roads):
            ways = directions(roads[index], direction)
            for sign in ways:
                for each, share in parts:
                    hours = counts.setdefault((index, sign, kind, each), np.zeros(24))
                    hours[int(hour)] += count * share / len(ways)
    notes = []
    if shared_out:
        notes.append(
            f"{shared_out} rows of {table.name} name no exhaust state: "
            f"their trucks are shared out by {_shares_text(shares)}"
        )
    return _flows(counts), notes


def _columns(table: TextTable, roads: Sequence[Road]) -> tuple[Sequence[Any], ...]:
    faults: list[str] = []

    def tried(read: Callable[[], Sequence[Any]]) -> Sequence[Any]:
        try:
            return read()
        except BadDataError as error:
            faults.append(str(error))
            return ()

    names = table.text("road")
    wanted = [
        names,
        tried(lambda: table.choice("direction", DIRECTIONS)),
        tried(lambda: table.choice("hour", [str(hour) for hour in range(24)])),
        tried(lambda: table.choice("vehicle_class", VEHICLE_CLASSES)),
        tried(lambda: table.choice("exhaust_state", ("", *EXHAUST_STATES), "")),
        tried(
            lambda: table.number("vehicles_per_hour", minimum=0.0, maximum=LARGEST_FLOW).tolist()
        ),
    ]
    strange = sorted({name for name in names if not matching_roads(name, roads)})
    if strange:
        known = sorted({road.name for road in roads if road.name})
        shown = ", ".join(known[:8]) + (", ..." if len(known) > 8 else "")
        faults.append(f"{table.name}: road {', '.join(strange)} is not in the study ({shown})")
    if not faults:
        faults += _row_faults(table, wanted)
    if faults:
        raise BadDataError("\n".join(faults))
    return tuple(wanted)


def _row_faults(table: TextTable, columns: Sequence[Sequence[Any]]) -> list[str]:
    faults, seen = [], set()
    for line, *key, _ in zip(table.lines, *columns, strict=True):
        if tuple(key) in seen:
            faults.append(f"{table.name}:{line}: a second row for {', '.join(filter(None, key))}")
        if key[4] and key[3] != "heavy":
            faults.append(f"{table.name}:{line}: exhaust_state: leave it empty for {key[3]}")
        seen.add(tuple(key))
    return faults[:20]


def assumed_flows(
    roads: Sequence[Road],
    chosen: Sequence[int],
    vehicles_per_day: float,
    medium_share: float,
    heavy_share: float,
    heavy_night_share: float,
    shares: Mapping[ExhaustState, float],
) -> tuple[list[Flow], list[str]]:
    """Flows by rule of thumb on the chosen roads, and the sentences that say so."""
    profile = table_rows("noisemap.exposure", "hourly_profile.csv")
    by_hour = np.zeros(24)
    night = np.zeros(24, dtype=bool)
    for row in profile:
        by_hour[int(row["hour"])] = float(row["share_of_period"])
        night[int(row["hour"])] = row["period"] == "night"
    heavy = np.where(night, heavy_night_share, 1.0 - heavy_night_share) * by_hour
    light = np.where(night, 0.10, 0.90) * by_hour
    counts: dict[tuple[int, int, VehicleClass, ExhaustState | None], FloatArray] = {}
    for index in chosen:
        ways = directions(roads[index], "both")
        for sign in ways:
            part = vehicles_per_day / len(ways)
            light_share = 1.0 - medium_share - heavy_share
            counts[index, sign, "light", None] = part * light_share * light
            counts[index, sign, "medium", None] = part * medium_share * light
            for state in EXHAUST_STATES:
                counts[index, sign, "heavy", state] = part * heavy_share * shares[state] * heavy
    notes = [
        f"No counts were given: {vehicles_per_day:,.0f} vehicles a day are assumed on each of "
        f"{len(chosen)} roads, {heavy_share:.0%} heavy ({heavy_night_share:.0%} of these at night) "
        f"and {medium_share:.0%} medium; the exhausts are shared out by {_shares_text(shares)}"
    ]
    return _flows(counts), notes


def matching_roads(name: str, roads: Sequence[Road]) -> list[int]:
    """Indices of the roads that a user's name means: by id, else all with that name."""
    by_id = [index for index, road in enumerate(roads) if road.road_id == name]
    return by_id or [index for index, road in enumerate(roads) if road.name == name]


def _flows(
    counts: Mapping[tuple[int, int, VehicleClass, ExhaustState | None], FloatArray],
) -> list[Flow]:
    return [Flow(*key, hours) for key, hours in counts.items() if hours.any()]


def _shares_text(shares: Mapping[ExhaustState, float]) -> str:
    return ", ".join(f"{name} {share:.0%}" for name, share in shares.items())
