"""Vehicles of an average day road by road, from a table of the user's."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from noisemap.errors import BadDataError
from noisemap.exposure.traffic import CountsFile, named_roads
from noisemap.readers.coordinates import any_table
from noisemap.readers.faults import Faults, told
from noisemap.readers.tables import TextTable
from noisemap.scene.model import Road
from noisemap.scene.tags import LARGEST_AADT

COLUMNS = ("road", "aadt", "truck_pct")


def with_daily(roads: Sequence[Road], source: CountsFile) -> tuple[tuple[Road, ...], list[str]]:
    """Roads with the day's traffic of a table, and sentences about it.

    Columns: road, aadt (vehicles of an average day, both directions of the line drawn) and,
    where it is known, truck_pct (heavy trucks among them).  The table wins over columns of
    the road file.

    Raises
    ------
    BadDataError
        With every fault: a column that is missing, a cell that is no such number, a road
        that is not in the study or stands twice.
    """
    table = any_table(source.path, "traffic.assumed", source.sheet, source.encoding, source.decimal)
    table, unread = _in_our_words(table, source)
    faults = Faults()
    nothing = np.zeros(0)
    aadt = faults.tried(lambda: table.number("aadt", minimum=0.0, maximum=LARGEST_AADT), nothing)
    share = faults.tried(
        lambda: table.number("truck_pct", minimum=0.0, maximum=100.0, default=np.nan), nothing
    )
    names = table.text("road")
    faults.tried(lambda: _require_roads(table, names, roads), None)
    faults.raise_all()
    found = list(roads)
    for name, vehicles, trucks in zip(names, aadt.tolist(), share.tolist(), strict=True):
        for index in named_roads(name, roads):
            kept = found[index].truck_pct if np.isnan(trucks) else trucks
            found[index] = replace(found[index], aadt=vehicles, truck_pct=kept)
    notes = [text if text.endswith(".") else f"{text}." for text in table.said]
    notes.append(f"{table.name} gives the vehicles a day of {len(names):,} roads.")
    if unread:
        notes.append(f"{table.name}: columns that are not read: {', '.join(unread)}.")
    return tuple(found), notes


def _in_our_words(table: TextTable, source: CountsFile) -> tuple[TextTable, list[str]]:
    """The table with our names for its columns, and the columns that are not read."""
    strange = sorted(set(source.columns) - set(COLUMNS))
    if strange:
        raise BadDataError(
            f"[traffic] columns: {', '.join(strange)} is not a name this reads "
            f"(allowed: {', '.join(COLUMNS)})"
        )
    lower = {name.lower(): name for name in table.header}
    theirs = {ours: source.columns.get(ours, lower.get(ours, "")) for ours in COLUMNS}
    missing = [theirs[ours] or ours for ours in COLUMNS[:2] if theirs[ours] not in table.header]
    missing += [name for name in source.columns.values() if name not in (*table.header, *missing)]
    if missing:
        raise BadDataError(
            f"{table.name}: no column {', '.join(missing)}; the file has: "
            f'{", ".join(table.header)}; name them: columns = {{ road = "...", aadt = "..." }} in '
            "[traffic]"
        )
    ours = {name: word for word, name in theirs.items() if name}
    unread = [name for name in table.header if name not in ours]
    return replace(table, header=tuple(ours.get(name, name) for name in table.header)), unread


def _require_roads(table: TextTable, names: Sequence[str], roads: Sequence[Road]) -> None:
    """Nothing, when every row names another road of the study."""
    faults = []
    count = Counter(name.casefold() for name in names)
    known = sorted({road.name for road in roads if road.name})
    shown = ", ".join(known[:8]) + (", ..." if len(known) > 8 else "")
    for line, name in zip(table.lines, names, strict=True):
        if not named_roads(name, roads):
            faults.append(f"{table.name}:{line}: road {name} is not in the study ({shown})")
        elif count[name.casefold()] > 1:
            faults.append(f"{table.name}:{line}: road {name} stands more than once")
    if faults:
        raise told(faults)
