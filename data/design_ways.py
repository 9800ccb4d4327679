"""The invented road file of Brindle Gap: ways, tags, and the faults put in on purpose."""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from design_roads import (
    BENCH_FORK,
    BRIDGE,
    CROSS_STREETS,
    ESCAPE_RAMP,
    LONG_STREETS,
    MILL_JOINS,
    MILL_LEAVES,
    OLD_GRADE_FOOT,
    OLD_GRADE_TOP,
    RIDGE_FORK,
    SR77_LENGTH,
    TUNNEL,
    Line,
)
from design_town import creek
from shapely.geometry import LineString, Point

Tags = dict[str, object]

LIMITS = (  # SR 77 from chainage [m]: posted limit, truck limit
    (0.0, "55 mph", None),
    (1300.0, "45 mph", "35 mph"),
    (6200.0, "45 mph", None),
    (6900.0, "35 mph", None),
    (8300.0, "45 mph", None),
    (8900.0, "55 mph", None),
)
PASSING_LANE = (2500.0, 3300.0)  # uphill
SIDE_ROADS_LEAVE = {"Summit Lane": 560.0, "Hairpin Lane": 1560.0, "Bench Lane": 6020.0}
LAY_BY = (600.0, 690.0)

STREET_FAULTS: dict[str, tuple[Tags, Tags]] = {  # name: tags that replace, what the manifest says
    "Alder Street": (
        {"oneway": "-1"},
        {"fault": "oneway against the drawing", "field": "oneway", "value": "-1"},
    ),
    "Birch Street": (
        {"maxspeed": "25mph"},
        {"fault": "speed without a space", "field": "maxspeed", "value": "25mph"},
    ),
    "Water Street": (
        {"maxspeed": "25 mph;35 mph"},
        {"fault": "list of speeds", "field": "maxspeed", "value": "25 mph;35 mph"},
    ),
    "Second Street": (
        {"maxspeed": None},
        {"fault": "no speed", "field": "maxspeed", "value": None},
    ),
}


@dataclass(frozen=True)
class Way:
    """One way of the road file; `dirt` says what is wrong with it on purpose."""

    way_id: str
    line: LineString
    tags: Tags
    dirt: Tags = field(default_factory=dict)


def _sr77(main: Line) -> list[Way]:
    joins = (
        *(c for c, _ in CROSS_STREETS),
        *SIDE_ROADS_LEAVE.values(),
        *LAY_BY,
        OLD_GRADE_TOP,
        OLD_GRADE_FOOT,
        MILL_LEAVES,
        MILL_JOINS,
        ESCAPE_RAMP,
    )
    cuts = {0.0, SR77_LENGTH, *(row[0] for row in LIMITS), *TUNNEL, *BRIDGE, *PASSING_LANE}
    ends = sorted(cuts)
    out = []
    for number, (start, end) in enumerate(pairwise(ends), start=1):
        _, posted, trucks = [row for row in LIMITS if row[0] <= start][-1]
        tags: Tags = {"name": "SR 77", "ref": "SR 77", "highway": "primary", "maxspeed": posted}
        if trucks:
            tags["maxspeed:hgv"] = trucks
        tags |= {"oneway": "no", "lanes": 3 if start == PASSING_LANE[0] else 2}
        tags |= {"hgv": "designated", "surface": "asphalt"}
        if start == TUNNEL[0]:
            tags |= {"tunnel": "yes", "layer": "-1"}
        if start == BRIDGE[0]:
            tags |= {"bridge": "yes", "layer": "1"}
        out.append(Way(f"sr77-{number:02d}", main.part(start, end, joins), tags))
    return out


def _mill(line: Line) -> list[Way]:
    """Mill Road with a bridge wherever it crosses the creek."""
    axis = LineString(np.column_stack([line.x, line.y]))
    wet = axis.intersection(creek())
    pieces = list(getattr(wet, "geoms", [wet]))
    cuts = [0.0]
    for piece in pieces:
        at = sorted(axis.project(Point(p)) for p in (piece.coords[0], piece.coords[-1]))
        cuts += [round(at[0]) - 12.0, round(at[1]) + 12.0]
    cuts.append(float(line.s[-1]))
    tags: Tags = {"name": "Mill Road", "highway": "tertiary", "maxspeed": "35 mph", "oneway": "no"}
    tags |= {"lanes": 2, "hgv": "yes", "surface": "asphalt"}
    out = []
    bridges = 0
    for number, (start, end) in enumerate(pairwise(cuts), start=1):
        way_id, part = f"mill-{number}", line.part(start, end, (RIDGE_FORK,))
        if number % 2:
            out.append(Way(way_id, part, tags))
            continue
        bridges += 1
        layer = "-1" if bridges == 1 else "1"
        dirt: Tags = {"fault": "bridge below the ground", "field": "layer", "value": layer}
        out.append(
            Way(
                way_id,
                part,
                {**tags, "bridge": "yes", "layer": layer},
                dirt if bridges == 1 else {},
            )
        )
    return out


def _streets(lines: dict[str, Line]) -> list[Way]:
    out = []
    crossings = [c for c, _ in CROSS_STREETS]
    offsets = sorted([0.0, *(o for o, _ in LONG_STREETS)], reverse=True)
    long_names = {n for _, n in LONG_STREETS}
    for name in [n for _, n in CROSS_STREETS] + sorted(long_names):
        line = lines[name]
        if name in long_names:
            joins = tuple(c - 7090.0 for c in crossings)
        else:
            joins = tuple(offsets[0] - o for o in offsets)
        tags: Tags = {"name": name, "highway": "residential", "maxspeed": "25 mph"}
        tags |= {"oneway": "no", "lanes": 2, "hgv": "no", "surface": "asphalt"}
        change, dirt = STREET_FAULTS.get(name, ({}, {}))
        tags = {k: v for k, v in {**tags, **change}.items() if v is not None}
        way_id = "street-" + name.split()[0].lower()
        out.append(Way(way_id, line.part(0.0, float(line.s[-1]), joins), tags, dirt))
    return out


def ways(main: Line, lines: dict[str, Line]) -> list[Way]:
    """Every way of the road file."""
    out = [*_sr77(main), *_mill(lines["Mill Road"]), *_streets(lines)]

    def add(way_id: str, name: str, **tags: object) -> None:
        line = lines[name]
        joins = (BENCH_FORK,) if name == "Bench Lane" else ()
        base: Tags = {"name": name, "oneway": "no", "surface": "asphalt"}
        out.append(Way(way_id, line.part(0.0, float(line.s[-1]), joins), {**base, **tags}))

    lane: Tags = {"highway": "residential", "maxspeed": "25 mph", "lanes": 2, "hgv": "no"}
    add(
        "old-grade",
        "Old Grade Road",
        highway="secondary",
        maxspeed="45 mph",
        **{"maxspeed:hgv": "30 mph"},
        lanes=2,
        hgv="yes",
    )
    for name in ("Summit Lane", "Hairpin Lane", "Bench Lane", "Upper Bench Lane"):
        add("lane-" + name.rsplit(" ", 1)[0].lower().replace(" ", "-"), name, **lane)
    add("ridge", "Ridge Road", highway="unclassified", maxspeed="25 mph", lanes=1, hgv="no")
    add("ramp", "Escape ramp", highway="escape", lanes=1, hgv="yes", surface="gravel", oneway="yes")
    start, end = LAY_BY
    bay = LineString(
        [main.at(start), main.at(start + 20, -9.0), main.at(end - 20, -9.0), main.at(end)]
    )
    out.append(
        Way(
            "lay-by",
            bay,
            {
                "name": "Brake check area",
                "highway": "service",
                "oneway": "yes",
                "maxspeed": "15 mph",
                "lanes": 1,
                "hgv": "yes",
                "surface": "asphalt",
            },
        )
    )
    twin = next(w for w in out if w.tags["name"] == "Cedar Street")
    says: Tags = {"fault": "duplicate way", "field": "geometry", "value": twin.way_id}
    out.append(Way("street-cedar-again", twin.line, twin.tags, says))
    return out
