"""The scene: terrain, roads, stretches, homes, ground and obstacles as plain arrays.

Every coordinate is in the study's metric coordinate system, every height in
metres in one vertical datum.  Geometry objects end here; the floors above read
arrays.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

ON_GROUND, BRIDGE, TUNNEL = 0, 1, 2


def _empty() -> FloatArray:
    return np.zeros(0)


def _no_indices() -> IntArray:
    return np.zeros(0, np.int64)


def _no_flags() -> BoolArray:
    return np.zeros(0, np.bool_)


def _no_direction() -> npt.NDArray[np.int8]:
    return np.zeros(0, np.int8)


def _no_words() -> npt.NDArray[np.str_]:
    return np.zeros(0, np.str_)


@dataclass(frozen=True)
class Terrain:
    """Ground heights on a square grid; row 0 is the southern row, column 0 the western."""

    x0: float  # centre of cell [0, 0] [m]
    y0: float  # [m]
    cell: float  # spacing of the grid used [m]
    height: FloatArray  # (rows, columns) [m]
    filled: BoolArray  # (rows, columns) True where a void was filled
    native_cell: float  # spacing of the file the heights came from [m]


@dataclass(frozen=True)
class GroundCover:
    """Ground factor and dense trees on a square grid, oriented as the terrain."""

    x0: float
    y0: float
    cell: float
    factor: FloatArray  # (rows, columns) 0 hard .. 1 porous [1]
    foliage: BoolArray  # (rows, columns) True where trees are dense enough for Annex A.1
    foliage_height: float  # height of those trees [m]
    site: BoolArray | None = None  # (rows, columns) industrial site of annex A.2
    site_height: float = 0.0  # height of its installations [m]
    housing: FloatArray | None = None  # (rows, columns) built share of annex A.3 [1]
    housing_height: float = 0.0  # mean height of the houses [m]


@dataclass(frozen=True)
class Road:
    """One continuous road: points every few metres along the driving line."""

    road_id: str  # unique
    name: str  # what the user's file calls it; untrusted text
    road_class: str
    x: FloatArray  # (n,) [m]
    y: FloatArray
    chainage: FloatArray  # (n,) distance along the road from its first point [m]
    height: FloatArray  # (n,) fitted height of the road surface [m]
    grade_sigma: FloatArray  # (n-1,) standard uncertainty of the grade [1]
    structure: npt.NDArray[np.uint8]  # (n-1,) ON_GROUND, BRIDGE or TUNNEL
    speed_limit_kmh: FloatArray  # (n-1,)
    speed_limit_assumed: BoolArray  # (n-1,)
    trucks_allowed: BoolArray  # (n-1,)
    one_way: int  # 0 both directions, 1 with the points, -1 against them
    also: tuple[str, ...] = ()  # other names the road answers to; untrusted text
    surface: FloatArray = field(default_factory=_empty)  # (n,) where the road lies [m], see below
    direction: npt.NDArray[np.int8] = field(default_factory=_no_direction)  # (n-1,) as one_way
    emits: BoolArray = field(default_factory=_no_flags)  # (n-1,) has stretches
    aadt: float = float("nan")  # vehicles of an average day by the file, mean over the length
    truck_pct: float = float("nan")  # heavy trucks among them by the file [%]
    paving: npt.NDArray[np.str_] = field(default_factory=_no_words)  # (n-1,) untrusted, or blank
    lanes: FloatArray = field(default_factory=_empty)  # (n-1,) not a number where not given

    # `height` is what a truck drives: from coarse terrain a descent has one mean grade.
    # `surface` is where the road lies on the ground: it serves sound paths only.

    def answers_to(self, key: str) -> bool:
        """Whether the key is the road's id, name or another of its names, capitals apart."""
        known = {name.casefold() for name in (self.road_id, self.name, *self.also)}
        return bool(key) and key.casefold() in known

    @property
    def grade(self) -> FloatArray:
        """Grade between the points, positive where the road climbs with them [1]."""
        return np.diff(self.height) / np.diff(self.chainage)


@dataclass(frozen=True)
class Descent:
    """A long way down: from_m < to_m along the road, driven with the points when direction is 1."""

    road: int  # index into Scene.roads
    from_m: float
    to_m: float
    direction: int  # 1 downhill with the points, -1 downhill against them
    length: float  # [m]
    drop: float  # [m]
    mean_grade: float  # drop by length, above 0 [1]
    max_grade: float | None  # steepest over the shortest base reported; None if terrain is coarse


@dataclass(frozen=True)
class Stretches:
    """Pieces of road short enough to stand for point sources; one row each."""

    road: IntArray  # (m,) index into Scene.roads
    from_m: FloatArray  # (m,) chainage of the start [m]
    to_m: FloatArray  # (m,) chainage of the end [m]
    x: FloatArray  # (m,) middle point [m]
    y: FloatArray
    z: FloatArray  # (m,) road surface at the middle point, on a bridge the deck [m]
    ends: FloatArray  # (m, 4) x, y of the start, x, y of the end [m]
    grade: FloatArray  # (m,) positive with the chainage [1]
    grade_sigma: FloatArray  # (m,) [1]
    speed_limit_kmh: FloatArray  # (m,)
    covered: BoolArray  # (m,) in a tunnel: emits nothing
    bridge: BoolArray  # (m,)
    near_portal: BoolArray  # (m,) within 100 m of a tunnel's mouth
    passive: BoolArray = field(default_factory=_no_flags)  # (m,) driven over, no modelled traffic
    # what else the file says at the middle of a stretch
    direction: npt.NDArray[np.int8] = field(default_factory=_no_direction)  # (m,) as Road.one_way
    trucks_allowed: BoolArray = field(default_factory=_no_flags)  # (m,)
    paving: npt.NDArray[np.str_] = field(default_factory=_no_words)  # (m,) untrusted, or blank
    lanes: FloatArray = field(default_factory=_empty)  # (m,) not a number where not given
    # where curves count; infinite where the road is straight [m], [m/s]
    curve_radius: FloatArray = field(default_factory=_empty)  # (m,) smallest on the stretch
    curve_speed: FloatArray = field(default_factory=_empty)  # (m,) what it leaves to trucks

    @property
    def sounding(self) -> BoolArray:
        """Which stretches emit sound: in the open, and with modelled traffic."""
        open_air = ~self.covered
        return open_air & ~self.passive if len(self.passive) else open_air

    @property
    def length(self) -> FloatArray:
        """Length along the road [m]."""
        return self.to_m - self.from_m


@dataclass(frozen=True)
class Homes:
    """Where people live or stay; one row a building or address."""

    home_id: tuple[str, ...]  # unique; untrusted text
    label: tuple[str, ...]  # address or name; untrusted text
    kind: tuple[str, ...]  # home, school, clinic, hotel, other
    x: FloatArray
    y: FloatArray
    people: FloatArray
    estimated: BoolArray  # True where the home itself was assumed, not mapped
    single_dwelling: BoolArray = field(default_factory=_no_flags)  # one household in the building


@dataclass(frozen=True)
class Receivers:
    """Calculation points; each belongs to a home and carries a share of its people."""

    home: IntArray  # (n,) index into Homes
    x: FloatArray
    y: FloatArray
    height: FloatArray  # (n,) above local ground [m]
    share: FloatArray  # (n,) share of the home's people; sums to 1 a home [1]


@dataclass(frozen=True)
class Obstacles:
    """Walls and buildings as plan edges with heights above local ground."""

    edges: FloatArray  # (k, 4) x1, y1, x2, y2 [m]
    height: FloatArray  # (k,) [m]
    block: IntArray  # (k,) number of the building the edge belongs to, -1 for a wall
    assumed_height: BoolArray  # (k,)
    wall_reflection: float | None = None  # [1]; None: as the standard's table says
    building_reflection: float | None = None


@dataclass(frozen=True)
class Repair:
    """One thing that was wrong in the data and what was done about it."""

    layer: str
    item: str  # untrusted text
    what: str
    x: float = float("nan")
    y: float = float("nan")


@dataclass(frozen=True)
class Links:
    """Pieces of road between junctions, one row each, in the order of the roads' points."""

    road: IntArray  # (k,) index into Scene.roads
    first: IntArray  # (k,) index of the road's point where the link begins
    last: IntArray  # (k,) index of the road's point where it ends
    start: IntArray  # (k,) key of the junction at `first`
    end: IntArray  # (k,) key of the junction at `last`
    way: tuple[str, ...]  # (k,) id of the line in the file; untrusted text
    height_m: FloatArray  # (k,) highest vehicle; not a number where nothing is tagged [m]
    mass_t: FloatArray  # (k,) heaviest vehicle; as above [t]
    access: tuple[str, ...]  # (k,) heavy trucks: "yes", "no", "local" or "unknown"
    hazmat: tuple[str, ...]  # (k,) hazardous loads: the same words


def _no_links() -> Links:
    none = np.zeros(0, np.int64)
    return Links(none, none, none, none, none, (), np.zeros(0), np.zeros(0), (), ())


@dataclass(frozen=True)
class TurnRule:
    """A turn from one way into another that is forbidden, or the only one allowed.

    It happens at a junction, or over one or more other ways.
    """

    from_way: str
    node: int | None  # key of the junction; None where it leads over ways
    to_way: str
    only: bool
    over: tuple[str, ...] = ()  # the ways over which it leads


@dataclass(frozen=True)
class NamedPlace:
    """A town, village or part of one."""

    name: str  # untrusted text
    kind: str
    x: float  # [m]
    y: float


@dataclass(frozen=True)
class Scene:
    """Everything the propagation and the descent need to know about the place."""

    crs: str  # EPSG code of the metric system
    terrain: Terrain
    ground: GroundCover
    roads: tuple[Road, ...]
    stretches: Stretches  # divided at the ends of zones
    homes: Homes
    receivers: Receivers
    obstacles: Obstacles
    repairs: tuple[Repair, ...] = ()
    assumptions: tuple[str, ...] = ()  # plain sentences for the report
    warnings: tuple[str, ...] = ()  # plain sentences for the report
    attribution: tuple[str, ...] = ()  # must stand on every map and table
    facts: Mapping[str, float] = field(default_factory=dict)  # counts: voids, homes, km, ...
    whole: Stretches | None = None  # before that division: what sound paths are built from
    part_of: IntArray = field(default_factory=_no_indices)  # stretch -> index into `whole`
    links: Links = field(default_factory=_no_links)
    turns: tuple[TurnRule, ...] = ()
    places: tuple[NamedPlace, ...] = ()
