"""Counts of vehicles by road, direction, hour, class and exhaust state."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from noisemap.data_tables import table_rows, toml_table
from noisemap.errors import BadDataError
from noisemap.readers.coordinates import any_table
from noisemap.readers.faults import told
from noisemap.readers.tables import TextTable
from noisemap.scene.model import Road
from noisemap.states import EXHAUST_STATES, VEHICLE_CLASSES, ExhaustState, VehicleClass

FloatArray = npt.NDArray[np.float64]

DIRECTIONS = ("downhill", "uphill", "both")
LARGEST_FLOW = 20_000.0  # vehicles an hour on one road: beyond it the number is a slip
COUNT_COLUMNS = (
    "road",
    "direction",
    "hour",
    "vehicle_class",
    "exhaust_state",
    "vehicles_per_hour",
)
NEEDED_COLUMNS = ("road", "hour", "vehicle_class", "vehicles_per_hour")
SUM_TOLERANCE = 0.005


@dataclass(frozen=True)
class Flow:
    """Vehicles of one kind on one road in one direction."""

    road: int  # index into the scene's roads
    direction: int  # 1 with the road's points, -1 against them
    vehicle_class: VehicleClass
    exhaust_state: ExhaustState | None  # for heavy trucks
    per_hour: FloatArray  # (24,) [1/h]


@dataclass(frozen=True)
class CountsFile:
    """How a file of counts is written; the maps go from the study's words to ours or back."""

    path: Path
    sheet: str | None = None
    encoding: str | None = None
    decimal: str = "."
    columns: Mapping[str, str] = field(default_factory=dict)  # our column -> the file's
    classes: Mapping[str, VehicleClass] = field(default_factory=dict)  # the file's word -> ours


_HOUR = re.compile(r"^(\d{1,2})(?::00){0,2}(?:\s*(?:-|–|to)\s*(\d{1,2})(?::00){0,2})?$")


def plain_hour(text: str) -> str:
    """Hour of the day that a cell means; the cell itself where it means none.

    >>> plain_hour("7"), plain_hour("07:00:00"), plain_hour("23:00 - 24:00"), plain_hour("7-9")
    ('7', '7', '23', '7-9')
    """
    match = _HOUR.match(text.strip())
    if match is None:
        return text
    start = int(match[1])
    one_hour = match[2] is None or int(match[2]) in (start + 1, (start + 1) % 24)
    return str(start) if one_hour else text


def read_counts(source: CountsFile) -> tuple[TextTable, list[str]]:
    """Table of counts with our column names and words, and what was assumed reading it.

    Parameters
    ----------
    source : CountsFile
        CSV or XLSX file, and how it is written.

    Raises
    ------
    BadDataError
        When a column is missing, or not known and no columns are named in the study.
    """
    table = any_table(source.path, "traffic", source.sheet, source.encoding, source.decimal)
    lower = {name.lower(): name for name in table.header}
    strange = sorted(set(source.columns) - set(COUNT_COLUMNS))
    if strange:
        raise BadDataError(
            f"[traffic] columns: {', '.join(strange)} is not a name this reads "
            f"(allowed: {', '.join(COUNT_COLUMNS)})"
        )
    theirs = {ours: source.columns.get(ours, lower.get(ours, "")) for ours in COUNT_COLUMNS}
    missing = [theirs[ours] or ours for ours in NEEDED_COLUMNS if theirs[ours] not in table.header]
    missing += [name for name in source.columns.values() if name not in (*table.header, *missing)]
    if missing:
        raise BadDataError(
            f"{table.name}: no column {', '.join(missing)}; the file has: "
            f'{", ".join(table.header)}; name them: columns = {{ road = "..." }} in [traffic]'
        )
    used = {ours: name for ours, name in theirs.items() if name in table.header}
    others = [name for name in table.header if name not in used.values()]
    notes = [text if text.endswith(".") else f"{text}." for text in table.said]
    if others and not source.columns:
        raise BadDataError(
            f"{table.name}: column {', '.join(map(repr, others))} is not known (allowed: "
            f"{', '.join(COUNT_COLUMNS)}); remove it, or name those to read: columns = {{ ... }} "
            "in [traffic]"
        )
    if others:
        notes.append(f"{table.name}: columns that are not read: {', '.join(others)}.")
    if "direction" not in used:
        notes.append(f"{table.name} names no direction: half of each count is taken each way.")
    return _plain_table(table, used, source.classes), notes


def _plain_table(
    table: TextTable, used: Mapping[str, str], classes: Mapping[str, VehicleClass]
) -> TextTable:
    """The table in our words."""
    words = {word.lower(): kind for word, kind in classes.items()}
    count = len(table.rows)
    cells = {ours: list(table.text(theirs)) for ours, theirs in used.items()}
    cells.setdefault("direction", ["both"] * count)
    cells["hour"] = [plain_hour(text) for text in cells["hour"]]
    cells["direction"] = [text.lower() for text in cells["direction"]]
    cells["vehicle_class"] = [
        words.get(text.lower(), text.lower()) for text in cells["vehicle_class"]
    ]
    return replace(table, header=tuple(cells), rows=tuple(zip(*cells.values(), strict=True)))


def read_profile(path: Path, encoding: str | None, decimal: str) -> dict[str, FloatArray]:
    """Shares of the hours in the day's traffic by vehicle class, each (24,) [1].

    Raises
    ------
    BadDataError
        When an hour is missing or the shares of a class do not sum to 1.
    """
    table = any_table(path, "traffic.assumed", None, encoding, decimal)
    found = [plain_hour(text) for text in table.text("hour")]
    if sorted(found) != sorted(str(hour) for hour in range(24)):
        raise BadDataError(f"{table.name}: hour: write each of 0..23 once")
    order = np.argsort([int(hour) for hour in found])
    profile: dict[str, FloatArray] = {}
    for kind in VEHICLE_CLASSES:
        shares = table.number(kind, minimum=0.0, maximum=1.0)[order]
        if abs(float(shares.sum()) - 1.0) > SUM_TOLERANCE:
            raise BadDataError(
                f"{table.name}: {kind}: the shares of the 24 hours sum to {shares.sum():.3f}; "
                "they must sum to 1"
            )
        profile[kind] = shares / shares.sum()
    return profile


def downhill_direction(road: Road) -> int:
    """The direction in which the road as a whole descends: 1 with its points, -1 against."""
    return 1 if road.height[0] >= road.height[-1] else -1


def directions(road: Road, text: str) -> list[int]:
    """Directions meant by `downhill`, `uphill` or `both`, as far as the road allows them."""
    down = downhill_direction(road)
    wanted = {"downhill": [down], "uphill": [-down], "both": [1, -1]}[text]
    return [sign for sign in wanted if road.one_way in (0, sign)]


def names_every_state(table: TextTable) -> bool:
    """Whether every heavy row of a counts table names its exhaust state."""
    kinds, states = table.text("vehicle_class"), table.text("exhaust_state", "")
    return all(state for kind, state in zip(kinds, states, strict=True) if kind == "heavy")


def flows_from_table(
    table: TextTable,
    roads: Sequence[Road],
    shares: Mapping[ExhaustState, float],
    *,
    replace_states: bool = False,
) -> tuple[list[Flow], list[str]]:
    """Flows of a counts table, and sentences about what was assumed in it.

    An empty exhaust state of a heavy row shares its trucks out; with
    `replace_states` a named one does so too.

    Raises
    ------
    BadDataError
        With the faults of every column, the unknown roads and the double rows.
    """
    columns = _columns(table, roads)
    pieces = {name: named_roads(name, roads) for name in set(columns[0])}
    counts: dict[tuple[int, int, VehicleClass, ExhaustState | None], FloatArray] = {}
    shared_out = 0
    replaced = dict.fromkeys(EXHAUST_STATES, 0.0)
    for name, direction, hour, kind, state, count in zip(*columns, strict=True):
        parts: list[tuple[ExhaustState | None, float]] = [(state or None, 1.0)]
        if kind == "heavy" and state and replace_states:
            replaced[state] += count
        if kind == "heavy" and (replace_states or not state):
            parts = [(each, shares[each]) for each in EXHAUST_STATES]
            shared_out += not state
        indices = pieces[name]
        ways = _carriageways([roads[index] for index in indices])[direction]
        for index in indices:
            for sign in directions(roads[index], direction):
                for each, share in parts:
                    hours = counts.setdefault((index, sign, kind, each), np.zeros(24))
                    hours[int(hour)] += count * share / ways
    notes = [
        f"The counts of {name} are put on each of its {len(indices)} pieces, "
        f"{sum(float(roads[index].chainage[-1]) for index in indices) / 1000.0:.1f} km together."
        for name, indices in sorted(pieces.items())
        if len(indices) > 1
    ]
    if shared_out:
        notes.append(
            f"{shared_out} rows of {table.name} name no exhaust state: "
            f"their trucks are shared out by {_shares_text(shares)}"
        )
    notes += _replaced_note(table.name, replaced, shares)
    return _flows(counts), notes + _missing_hours(columns)


def _replaced_note(
    name: str, replaced: Mapping[ExhaustState, float], shares: Mapping[ExhaustState, float]
) -> list[str]:
    """Sentence about counted exhaust states that the shares stand in place of."""
    total = sum(replaced.values())
    if total <= 0.0:
        return []
    counted = {state: count / total for state, count in replaced.items()}
    return [
        f"The exhaust states counted in {name} ({_shares_text(counted)}) are not used: "
        f'counted_states = "replace" shares their trucks out by {_shares_text(shares)}'
    ]


def _missing_hours(columns: Sequence[Sequence[Any]]) -> list[str]:
    """Sentences about hours of the day for which a road's counts have no row."""
    seen: dict[tuple[str, str, str], set[int]] = {}
    for name, direction, hour, kind, *_ in zip(*columns, strict=True):
        seen.setdefault((name, direction, kind), set()).add(int(hour))
    short = [key for key, hours in sorted(seen.items()) if len(hours) < 24]
    if not short:
        return []
    shown = ", ".join(f"{name} ({direction}, {kind})" for name, direction, kind in short[:3])
    return [
        f"Hours without a row count as none; {len(short)} series miss some: "
        f"{shown}{', ...' if len(short) > 3 else ''}."
    ]


def require_plain_counts(table: TextTable) -> None:
    """Nothing, when every cell of a counts table is one that is read, whatever the roads.

    Raises
    ------
    BadDataError
        With the faults of all columns.
    """
    _, faults = _cells(table)
    if faults:
        raise BadDataError("\n".join(faults))


def _cells(table: TextTable) -> tuple[list[Sequence[Any]], list[str]]:
    """Columns in the order of COUNT_COLUMNS, and the faults in them."""
    faults: list[str] = []

    def tried(read: Callable[[], Sequence[Any]]) -> Sequence[Any]:
        try:
            return read()
        except BadDataError as error:
            faults.append(str(error))
            return ()

    wanted = [
        table.text("road"),
        tried(lambda: table.choice("direction", DIRECTIONS)),
        tried(lambda: table.choice("hour", [str(hour) for hour in range(24)])),
        tried(lambda: table.choice("vehicle_class", VEHICLE_CLASSES)),
        tried(lambda: table.choice("exhaust_state", ("", *EXHAUST_STATES), "")),
        tried(
            lambda: table.number("vehicles_per_hour", minimum=0.0, maximum=LARGEST_FLOW).tolist()
        ),
    ]
    return wanted, faults


def _columns(table: TextTable, roads: Sequence[Road]) -> tuple[Sequence[Any], ...]:
    wanted, faults = _cells(table)
    names = wanted[0]
    strange = sorted({name for name in names if not named_roads(name, roads)})
    if strange:
        known = sorted({road.name for road in roads if road.name})
        shown = ", ".join(known[:8]) + (", ..." if len(known) > 8 else "")
        faults.append(f"{table.name}: road {', '.join(strange)} is not in the study ({shown})")
    if faults:
        raise BadDataError("\n".join(faults))
    in_rows = _row_faults(table, wanted, roads)
    if in_rows:
        raise told(in_rows)
    return tuple(wanted)


def _row_faults(
    table: TextTable, columns: Sequence[Sequence[Any]], roads: Sequence[Road]
) -> list[str]:
    faults: list[str] = []
    seen: set[tuple[Any, ...]] = set()
    for line, *key, _ in zip(table.lines, *columns, strict=True):
        name, direction, *rest = key
        same = ("both", direction) if direction != "both" else DIRECTIONS
        if any((name, other, *rest) in seen for other in same):
            faults.append(f"{table.name}:{line}: a second row for {', '.join(filter(None, key))}")
        pieces = [roads[index] for index in named_roads(name, roads)]
        if not any(directions(road, direction) for road in pieces):
            faults.append(f"{table.name}:{line}: direction: {name} is one-way against {direction}")
        if key[4] and key[3] != "heavy":
            faults.append(f"{table.name}:{line}: exhaust_state: leave it empty for {key[3]}")
        seen.add(tuple(key))
    return faults


@dataclass(frozen=True)
class DailyTraffic:
    """Traffic of an average day where no hour is counted; shares are of all vehicles [1]."""

    vehicles_per_day: float | None  # on roads whose file gives none
    medium_share: float
    heavy_share: float  # on roads whose file gives none
    heavy_night_share: float
    profile: Mapping[str, FloatArray] | None = None  # shares of the hours by class


def assumed_flows(
    roads: Sequence[Road],
    chosen: Sequence[int],
    daily: DailyTraffic,
    shares: Mapping[ExhaustState, float],
) -> tuple[list[Flow], list[str]]:
    """Flows by average day on the chosen roads, and the sentences that say so.

    A road whose file gives its day's traffic or its share of trucks keeps them.

    Raises
    ------
    BadDataError
        When neither the file nor the study gives a road's traffic, or the shares of
        trucks exceed 1.
    """
    profile = daily.profile or default_profile(daily.heavy_night_share)
    by_file = [index for index in chosen if np.isfinite(roads[index].aadt)]
    bare = [index for index in chosen if not np.isfinite(roads[index].aadt)]
    if bare and daily.vehicles_per_day is None:
        names = sorted({roads[index].name or roads[index].road_id for index in bare})
        raise BadDataError(
            f"traffic.assumed: {len(bare)} roads have no aadt in the road file, first "
            f"{', '.join(names[:5])}; fill the column, give a table with by_road, or set "
            "vehicles_per_day for them"
        )
    counts: dict[tuple[int, int, VehicleClass, ExhaustState | None], FloatArray] = {}
    for index in chosen:
        road = roads[index]
        total = road.aadt if np.isfinite(road.aadt) else daily.vehicles_per_day
        assert total is not None
        own = np.isfinite(road.truck_pct)
        heavy_share = road.truck_pct / 100.0 if own else daily.heavy_share
        light_share = 1.0 - daily.medium_share - heavy_share
        if light_share < -1e-9:
            raise BadDataError(
                f"traffic.assumed: {road.name or road.road_id}: {heavy_share:.0%} heavy and "
                f"{daily.medium_share:.0%} medium vehicles are more than all; "
                "correct truck_pct or medium_share"
            )
        ways = directions(road, "both")
        for sign in ways:
            part = total / len(ways)
            counts[index, sign, "light", None] = part * max(light_share, 0.0) * profile["light"]
            counts[index, sign, "medium", None] = part * daily.medium_share * profile["medium"]
            for state in EXHAUST_STATES:
                counts[index, sign, "heavy", state] = (
                    part * heavy_share * shares[state] * profile["heavy"]
                )
    return _flows(counts), _daily_notes(roads, by_file, bare, daily, shares)


def default_profile(heavy_night_share: float) -> dict[str, FloatArray]:
    """Shares of the hours by vehicle class from the table of this package, each (24,) [1]."""
    by_hour = np.zeros(24)
    night = np.zeros(24, dtype=bool)
    for row in table_rows("noisemap.exposure", "hourly_profile.csv"):
        by_hour[int(row["hour"])] = float(row["share_of_period"])
        night[int(row["hour"])] = row["period"] == "night"
    few = float(toml_table("noisemap.exposure", "daily.toml")["light_night_share"]["value"])
    light = np.where(night, few, 1.0 - few) * by_hour
    heavy = np.where(night, heavy_night_share, 1.0 - heavy_night_share) * by_hour
    return {"light": light, "medium": light, "heavy": heavy}


def _daily_notes(
    roads: Sequence[Road],
    by_file: Sequence[int],
    bare: Sequence[int],
    daily: DailyTraffic,
    shares: Mapping[ExhaustState, float],
) -> list[str]:
    """What was assumed, as sentences."""
    hours = (
        f"{daily.heavy_night_share:.0%} of the heavy trucks at night, hours by an assumed profile"
        if daily.profile is None
        else "hours by the study's own profile"
    )
    parts = (
        f"{daily.heavy_share:.0%} heavy and {daily.medium_share:.0%} medium, {hours}; the "
        f"exhausts are shared out by {_shares_text(shares)}"
    )
    notes = []
    if by_file:
        own = sum(bool(np.isfinite(roads[index].truck_pct)) for index in by_file)
        notes.append(
            f"No hourly counts were given: the vehicles a day of {len(by_file)} roads are the "
            f"aadt stated for them, meant for both directions of each line, {own} of them with "
            f"their own truck_pct; else {parts}"
        )
    if bare:
        notes.append(
            f"No counts were given: {daily.vehicles_per_day:,.0f} vehicles a day are assumed on "
            f"each of {len(bare)} roads, {parts}"
        )
    return notes


def matching_roads(name: str, roads: Sequence[Road]) -> list[int]:
    """Indices of the roads that a user's name means: by id, else all that answer to it.

    Capital letters do not matter.
    """
    by_id = [index for index, road in enumerate(roads) if road.road_id == name]
    return by_id or _answering(name, roads)


def named_roads(name: str, roads: Sequence[Road]) -> list[int]:
    """Indices of all pieces of the road that a count means: by any of its names, else by id."""
    by_id = [index for index, road in enumerate(roads) if road.road_id == name]
    return _answering(name, roads) or by_id


def _answering(name: str, roads: Sequence[Road]) -> list[int]:
    wanted = name.casefold()
    return [
        index
        for index, road in enumerate(roads)
        if wanted in {known.casefold() for known in (road.name, *road.also) if known}
    ]


def _carriageways(pieces: Sequence[Road]) -> dict[str, int]:
    """How many directions a road's pieces serve together: two for a pair of one-way pieces."""
    ways = {sign * downhill_direction(road) for road in pieces for sign in directions(road, "both")}
    return {"both": max(len(ways), 1), "downhill": 1, "uphill": 1}


def _flows(
    counts: Mapping[tuple[int, int, VehicleClass, ExhaustState | None], FloatArray],
) -> list[Flow]:
    return [Flow(*key, hours) for key, hours in counts.items() if hours.any()]


def _shares_text(shares: Mapping[ExhaustState, float]) -> str:
    return ", ".join(f"{name} {share:.0%}" for name, share in shares.items())
