"""The road network of a scene: from files to continuous roads with heights."""

from __future__ import annotations

import difflib
from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import shapely

from noisemap.errors import BadDataError, StudyError
from noisemap.scene.crs import project
from noisemap.scene.grades import (
    SURVEY_SIGMA,
    Chain,
    grade_sigma,
    is_coarse,
    shortest_base,
)
from noisemap.scene.inputs import SceneInputs
from noisemap.scene.model import Repair, Road
from noisemap.scene.network import Edge, Stroke, Way
from noisemap.scene.road_files import RawRoads, RawWay, road_class_of
from noisemap.scene.runs import runs
from noisemap.scene.tags import RoadTags, class_rows, road_tags

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

SAME_PLACE_M = 0.01
LEVEL_M = 0.5


def place_roads(
    raw: RawRoads, crs: str, ground: shapely.Geometry
) -> tuple[tuple[Way, ...], list[Repair]]:
    """Ways in study coordinates, on the ground given, one-way ways along their traffic.

    Parts outside the ground are cut off; a way drawn twice is kept once.
    """
    known = set(class_rows())
    counts = np.array([len(way.x) for way in raw.ways])
    ends = np.cumsum(counts)[:-1]
    x = np.concatenate([way.x for way in raw.ways])
    y = np.concatenate([way.y for way in raw.ways])
    xy = project(raw.crs, crs, x, y)
    shapely.prepare(ground)
    inside = shapely.contains_xy(ground, xy[:, 0], xy[:, 1])
    repairs = _moved(raw.repairs, raw.crs, crs)
    prepared: list[tuple[RawWay, FloatArray, BoolArray, RoadTags]] = []
    for way, place, within in zip(
        raw.ways, np.split(xy, ends), np.split(inside, ends), strict=True
    ):
        if not within.any() or road_class_of(way.tags) not in known:
            continue
        tags = road_tags(way.tags)
        at = (float(place[0, 0]), float(place[0, 1]))
        item = _item(way, tags)
        repairs.extend(Repair("roads", item, what, *at) for what in tags.odd)
        prepared.append((way, place, within, tags))
    keys = _node_keys(prepared)
    ways: list[Way] = []
    drawn: dict[tuple[int, ...], str] = {}
    cut = 0
    for (way, place, within, tags), nodes in zip(prepared, keys, strict=True):
        at = (float(place[0, 0]), float(place[0, 1]))
        shape = min(tuple(nodes.tolist()), tuple(nodes[::-1].tolist()))
        if shape in drawn:
            what = f"drawn twice, the same as {drawn[shape]}: kept once"
            repairs.append(Repair("roads", _item(way, tags), what, *at))
            continue
        drawn[shape] = way.way_id
        if tags.direction == -1:
            nodes, place, within = nodes[::-1], place[::-1], within[::-1]
            grade = None if tags.grade_pct is None else -tags.grade_pct
            tags = replace(tags, direction=1, grade_pct=grade)
            what = "one-way against its points: turned round"
            repairs.append(Repair("roads", _item(way, tags), what, *at))
        pieces = [(a, b) for a, b in runs(within) if b - a > 1]
        cut += len(pieces) != 1 or pieces[0] != (0, len(nodes))
        for first, last in pieces:
            piece = place[first:last]
            ways.append(Way(way.way_id, nodes[first:last], piece[:, 0], piece[:, 1], tags))
    if cut:
        what = f"{cut} ways reach beyond the terrain or the window: cut off there"
        repairs.append(Repair("roads", "file", what))
    return tuple(ways), repairs


def _moved(repairs: Sequence[Repair], source: str, crs: str) -> list[Repair]:
    """Repairs with their places in study coordinates."""
    moved: list[Repair] = []
    for repair in repairs:
        if np.isfinite([repair.x, repair.y]).all():
            place = project(source, crs, np.array([repair.x]), np.array([repair.y]))[0]
            repair = replace(repair, x=float(place[0]), y=float(place[1]))
        moved.append(repair)
    return moved


def _item(way: RawWay, tags: RoadTags) -> str:
    label = tags.ref or tags.name
    return f"way {way.way_id} ({label})" if label else f"way {way.way_id}"


def _node_keys(
    prepared: Sequence[tuple[RawWay, FloatArray, BoolArray, RoadTags]],
) -> list[IntArray]:
    """Keys of the ways' nodes: the file's ids, else one key a place.

    Where places are compared, the inner points of a bridge or tunnel stay apart:
    a road that passes exactly above or below does not meet it.
    """
    keys: list[IntArray] = []
    by_place: dict[tuple[int, int], int] = {}
    apart = -1
    for way, place, _, tags in prepared:
        if way.nodes is not None:
            keys.append(way.nodes)
            continue
        own = np.empty(len(place), np.int64)
        for index, point in enumerate(np.round(place / SAME_PLACE_M).astype(np.int64).tolist()):
            if tags.structure and 0 < index < len(place) - 1:
                own[index], apart = apart, apart - 1
            else:
                own[index] = by_place.setdefault((point[0], point[1]), len(by_place))
        keys.append(own)
    return keys


@dataclass(frozen=True)
class Naming:
    """What each stroke is called."""

    road_id: str
    name: str
    also: tuple[str, ...]


def name_strokes(edges: Sequence[Edge], roads: Sequence[Stroke]) -> tuple[Naming, ...]:
    """Names of the strokes: the ref of most of the length, else the name, made unique."""
    labels: list[tuple[str, float, tuple[str, ...]]] = []
    for road in roads:
        refs: dict[str, float] = defaultdict(float)
        names: dict[str, float] = defaultdict(float)
        for member in road:
            edge = edges[member.edge]
            refs[edge.way.tags.ref] += edge.length
            names[edge.way.tags.name] += edge.length
        longest = max(
            (edges[member.edge] for member in road), key=lambda edge: (edge.length, edge.way.way_id)
        )
        label = _most(refs) or _most(names) or f"way {longest.way.way_id}"
        also = sorted({text for text in (*refs, *names) if text} - {label})
        labels.append((label, sum(refs.values()), tuple(also)))
    places = [_place(edges, road) for road in roads]
    order = sorted(range(len(labels)), key=lambda i: (-round(labels[i][1], 3), places[i]))
    used: Counter[str] = Counter()
    ids = [""] * len(labels)
    for index in order:
        label = labels[index][0]
        used[label] += 1
        ids[index] = label if used[label] == 1 else f"{label} ({used[label]})"
    return tuple(
        Naming(road_id, label, also) for road_id, (label, _, also) in zip(ids, labels, strict=True)
    )


def _place(edges: Sequence[Edge], road: Stroke) -> tuple[float, float]:
    """The most western, then most southern, point of a stroke [m]."""
    x = np.concatenate([edges[member.edge].x for member in road])
    y = np.concatenate([edges[member.edge].y for member in road])
    first = int(np.lexsort((y, x))[0])
    return float(x[first]), float(y[first])


def _most(lengths: Mapping[str, float]) -> str:
    named = {label: length for label, length in lengths.items() if label}
    return max(named, key=lambda label: (named[label], label)) if named else ""


def emitting_edges(
    inputs: SceneInputs, edges: Sequence[Edge], roads: Sequence[Stroke], names: Sequence[Naming]
) -> BoolArray:
    """Whether each edge carries the modelled trucks.

    Raises
    ------
    StudyError
        When a road named in the study is not in the file.
    BadDataError
        When no road carries trucks.
    """
    rows = class_rows()
    if inputs.truck_classes is None:
        classes = {name for name, row in rows.items() if row["trucks"] == "1"}
    else:
        classes = set(inputs.truck_classes)
        strange = sorted(classes - set(rows))
        if strange:
            raise StudyError(
                f"roads.truck_classes: {', '.join(strange)} is not allowed "
                f"(allowed: {', '.join(rows)})"
            )
    carries = np.array(
        [edge.way.tags.road_class in classes and edge.way.tags.trucks for edge in edges], np.bool_
    )
    if inputs.road_names is not None:
        carries &= _named_edges(inputs.road_names, edges, roads, names)
    if not carries.any():
        raise BadDataError(
            f"{inputs.roads_file.name}: no road carries trucks; its classes are "
            f"{', '.join(sorted({edge.way.tags.road_class for edge in edges}))}, those with trucks "
            f"{', '.join(sorted(classes))}; set truck_classes or names in [roads]"
        )
    return carries


def _named_edges(
    wanted: Sequence[str], edges: Sequence[Edge], roads: Sequence[Stroke], names: Sequence[Naming]
) -> BoolArray:
    named = np.zeros(len(edges), np.bool_)
    known: set[str] = set()
    hit: set[str] = set()
    for road, naming in zip(roads, names, strict=True):
        known.update((naming.road_id, naming.name))
        for member in road:
            edge = edges[member.edge]
            own = {naming.road_id, edge.way.tags.ref, edge.way.tags.name, edge.way.way_id} - {""}
            known.update(own)
            found = own.intersection(wanted)
            named[member.edge] = bool(found)
            hit |= found
    for name in wanted:
        if name not in hit:
            close = difflib.get_close_matches(name, sorted(known), 3)
            hint = f"; near it: {', '.join(close)}" if close else ""
            raise StudyError(f"roads.names: no road is called {name!r} in the road file{hint}")
    return named


def build_roads(
    edges: Sequence[Edge],
    chains: Sequence[Chain],
    names: Sequence[Naming],
    fitted: FloatArray,
    emits: BoolArray,
    native_cell: float,
    surveyed_points: BoolArray | None = None,
) -> tuple[Road, ...]:
    """Roads with the fitted heights; driven height and surface are still one."""
    base = 100.0 if is_coarse(native_cell) else shortest_base(native_cell)
    sigma = float(grade_sigma(native_cell, base))
    tags = [edge.way.tags for edge in edges]
    structure = np.array([tag.structure for tag in tags], np.uint8)
    speed = np.array([tag.speed_kmh for tag in tags])
    assumed = np.array([tag.speed_assumed for tag in tags], np.bool_)
    trucks = np.array([tag.trucks for tag in tags], np.bool_)
    one_way = np.array([tag.direction for tag in tags], np.int8)
    aadt = np.array([np.nan if tag.aadt is None else tag.aadt for tag in tags])
    truck_pct = np.array([np.nan if tag.truck_pct is None else tag.truck_pct for tag in tags])
    paving = np.array([tag.surface for tag in tags], np.str_)
    lanes = np.array([np.nan if tag.lanes is None else tag.lanes for tag in tags])
    surveyed = np.array([tag.grade_pct is not None for tag in tags], np.bool_)
    roads: list[Road] = []
    for chain, naming in zip(chains, names, strict=True):
        height = fitted[chain.unknown]
        direction = one_way[chain.edge] * np.where(chain.forward, 1, -1).astype(np.int8)
        lengths: dict[str, float] = defaultdict(float)
        for index, step in zip(chain.edge.tolist(), np.diff(chain.chainage).tolist(), strict=True):
            lengths[tags[index].road_class] += step
        known = surveyed[chain.edge]
        if surveyed_points is not None:
            at = surveyed_points[chain.unknown]
            known = known | (at[1:] & at[:-1])
        uniform = int(direction[0]) if (direction == direction[0]).all() else 0
        roads.append(
            Road(
                road_id=naming.road_id,
                name=naming.name,
                road_class=_most(lengths),
                x=chain.x,
                y=chain.y,
                chainage=chain.chainage,
                height=height,
                grade_sigma=np.where(known, SURVEY_SIGMA, sigma),
                structure=structure[chain.edge],
                speed_limit_kmh=speed[chain.edge],
                speed_limit_assumed=assumed[chain.edge],
                trucks_allowed=trucks[chain.edge],
                one_way=uniform,
                also=naming.also,
                surface=height,
                direction=direction.astype(np.int8),
                emits=emits[chain.edge],
                aadt=_mean(aadt[chain.edge], np.diff(chain.chainage)),
                truck_pct=_mean(truck_pct[chain.edge], np.diff(chain.chainage)),
                paving=paving[chain.edge],
                lanes=lanes[chain.edge],
            )
        )
    return tuple(_from_upper_end(road) for road in roads)


def _mean(values: FloatArray, length: FloatArray) -> float:
    """Mean over the length where a value is known; not a number where none is.

    >>> _mean(np.array([100.0, np.nan, 400.0]), np.array([2.0, 5.0, 1.0]))
    200.0
    """
    known = np.isfinite(values)
    if not known.any():
        return float("nan")
    return float(np.average(values[known], weights=length[known]))


def _from_upper_end(road: Road) -> Road:
    """The road counted from its higher end, so that distances grow on the way down."""
    if road.height[-1] - road.height[0] <= LEVEL_M:  # a level road stays as it was drawn
        return road
    return replace(
        road,
        x=road.x[::-1],
        y=road.y[::-1],
        chainage=road.chainage[-1] - road.chainage[::-1],
        height=road.height[::-1],
        grade_sigma=road.grade_sigma[::-1],
        structure=road.structure[::-1],
        speed_limit_kmh=road.speed_limit_kmh[::-1],
        speed_limit_assumed=road.speed_limit_assumed[::-1],
        trucks_allowed=road.trucks_allowed[::-1],
        one_way=-road.one_way,
        surface=road.surface[::-1],
        direction=-road.direction[::-1],
        emits=road.emits[::-1],
        paving=road.paving[::-1],
        lanes=road.lanes[::-1],
    )


def find_road(roads: Sequence[Road], key: str) -> int | None:
    """Index of the road with this id, else of the longest that answers to the name."""
    for index, road in enumerate(roads):
        if road.road_id == key:
            return index
    answering = [index for index, road in enumerate(roads) if road.answers_to(key)]
    return max(answering, key=lambda i: float(roads[i].chainage[-1]), default=None)
