"""The invented buildings, land use and walls of Brindle Gap, in local coordinates."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from design_ground import CREEK
from design_roads import Line
from shapely import dwithin
from shapely.affinity import rotate, translate
from shapely.geometry import LineString, MultiPolygon, Polygon, box
from shapely.geometry.base import BaseGeometry
from shapely.ops import unary_union

Properties = dict[str, object]

CLEAR_OF_MAIN = 14.0  # no building nearer to the axis of SR 77 [m]
CLEAR_OF_STREET = 7.0
GAP = 3.0  # between buildings [m]
STRIP_WIDTH = 80.0  # of the dense forest strip [m]
WALL_FROM, WALL_TO, WALL_OFFSET, WALL_HEIGHT = 6860.0, 7060.0, -12.0, 3.0
MOBILE_OFFSET = 25.0  # nearest wall of the mobile homes to the axis of SR 77 [m]

TOWN_CORNERS = (  # of its residential land: chainage, offset to the left [m]
    (6790.0, -70.0),
    (7060.0, -150.0),
    (8400.0, -150.0),
    (8400.0, 200.0),
    (8070.0, 480.0),
    (7060.0, 480.0),
    (6790.0, 70.0),
)
OPEN_LAND: tuple[tuple[str, Properties], ...] = (  # corners in hundreds of metres, tags
    (
        "19,15.6 33,14.8 46,12.5 67,9 68.5,19 58,23.5 49,24.8 36,24.9 31.5,21.2 25,19.5",
        {"landuse": "meadow"},
    ),
    ("-9,26 4,24.5 21,23.5 27,27.5 24,35 13,33 0,37 -9,39", {"landuse": "forest"}),
    ("30,27 42,26 54,25 52,38 34,39 27,35", {"natural": "wood"}),
    ("-9,9.5 15,9 34,10 53,8.5 68,5 68,-3.5 -9,-3.5", {"landuse": "forest"}),
    ("-9,42 12,40.5 15,53 -9,53.5", {"natural": "heath"}),
    ("27.5,27 30,25.9 34,25.6 35.5,23.8 31,22 26,21.5 22,23", {"natural": "scrub"}),
    ("56,26 62,27 66,38 60,45 40,49 17,46 9,40 12,38 20,36.5 40,41 53,40", {"landuse": "grass"}),
)

COUNTS = {"town": 260, "lower bench": 60, "ridge": 45, "hamlet": 35, "upper": 20}
FRONTAGE = 14  # town houses that face SR 77


@dataclass(frozen=True)
class Building:
    """One building of the homes file."""

    shape: BaseGeometry
    label: str
    kind: str
    place: str
    dwellings: int
    levels: int
    people: float | None = None


def rectangle(x: float, y: float, wide: float, deep: float, angle: float) -> Polygon:
    """A rectangle about its middle, `wide` along the direction `angle` [deg from east]."""
    return translate(rotate(box(-wide / 2, -deep / 2, wide / 2, deep / 2), angle, (0, 0)), x, y)


def _direction(line: Line, s: float) -> float:
    a, b = line.at(max(s - 2.0, 0.0)), line.at(min(s + 2.0, float(line.s[-1])))
    return float(np.degrees(np.arctan2(b[1] - a[1], b[0] - a[0])))


class Site:
    """Building ground: knows the roads and what already stands there."""

    def __init__(self, main: Line, roads: dict[str, Line], water: BaseGeometry) -> None:
        self.axis = LineString(np.column_stack([main.x, main.y]))
        streets = [LineString(np.column_stack([r.x, r.y])) for r in roads.values()]
        taken = [
            self.axis.buffer(CLEAR_OF_MAIN),
            *(s.buffer(CLEAR_OF_STREET) for s in streets),
            water,
        ]
        self.blocked: list[BaseGeometry] = [unary_union(taken)]
        self.buildings: list[Building] = []

    def free(self, shape: BaseGeometry) -> bool:
        """Whether nothing stands within the gap of a shape."""
        return not dwithin(shape, self.blocked, GAP).any()

    def add(self, building: Building) -> None:
        """Put a building up."""
        if not self.free(building.shape):
            raise ValueError(f"no room for {building.label}")
        self.blocked.append(building.shape)
        self.buildings.append(building)


def _slots(
    line: Line, street: str, spacing: float, setback: float, rng: np.random.Generator
) -> list[tuple[Polygon, str]]:
    """Candidate houses along both sides of a street, with their invented addresses."""
    slots = []
    for number, s in enumerate(np.arange(spacing / 2, line.s[-1], spacing)):
        for side in (1.0, -1.0):
            wide, deep = rng.uniform(9.0, 14.0), rng.uniform(8.0, 11.0)
            here = float(np.clip(s + rng.uniform(-2.0, 2.0), 0.0, line.s[-1]))
            where = line.at(here, side * (setback + rng.uniform(0.0, 4.0)))
            turn = _direction(line, float(s)) + rng.normal(0.0, 3.0)
            address = f"{100 + 4 * number + (1 if side > 0 else 2)} {street}"
            slots.append((rectangle(*where, wide, deep, turn), address))
    return slots


def _settle(
    site: Site,
    place: str,
    wanted: int,
    slots: list[tuple[Polygon, str]],
    rng: np.random.Generator,
    nearest: float = 0.0,
) -> None:
    """Build houses in a random order of the slots until the place has its number.

    No wall stands nearer to the axis of SR 77 than `nearest` [m].
    """
    built = 0
    for k in rng.permutation(len(slots)):
        if built == wanted:
            return
        shape, address = slots[k]
        if shape.distance(site.axis) >= nearest and site.free(shape):
            dwellings = 2 if rng.random() < 0.06 else 1
            levels = int(rng.choice([1, 2], p=[0.45, 0.55]))
            site.add(Building(shape, address, "home", place, dwellings, levels))
            built += 1
    if built < wanted:
        raise ValueError(f"{place}: only {built} of {wanted} houses found room")


def part_of(line: Line, start: float, end: float) -> Line:
    """A piece of a line with its own chainage."""
    keep = (line.s >= start) & (line.s <= end)
    return Line(line.s[keep] - line.s[keep][0], line.x[keep], line.y[keep])


SPECIAL = (  # chainage, left, wide, deep [m], label, kind, dwellings, levels, people
    (7560.0, 160.0, 62.0, 24.0, "Brindle Gap School", "school", 0, 2, 210.0),
    (7240.0, 34.0, 30.0, 18.0, "Gap Valley Clinic", "clinic", 0, 2, 18.0),
    (8230.0, -34.0, 48.0, 14.0, "Two Pines Motel", "hotel", 0, 2, 36.0),
    (8030.0, 50.0, 22.0, 14.0, "Town Hall", "other", 0, 2, 0.0),
    (8060.0, -50.0, 18.0, 12.0, "<b>Mill & Co</b> bunkhouse", "home", 6, 2, 9.0),
)


def _special(site: Site, main: Line) -> None:
    """School, clinic, motel, apartments, mobile homes, the row behind the wall, the rest."""
    for chainage, left, wide, deep, label, kind, dwellings, levels, people in SPECIAL:
        shape = rectangle(*main.at(chainage, left), wide, deep, _direction(main, chainage))
        site.add(Building(shape, label, kind, "special", dwellings, levels, people))
    x, y = main.at(7880.0, -48.0)
    along = _direction(main, 7880.0)
    block, court = rectangle(x, y, 46.0, 34.0, along), rectangle(x, y, 24.0, 13.0, along)
    ring = Polygon(block.exterior, [court.exterior])
    site.add(Building(MultiPolygon([ring]), "Court Apartments", "home", "special", 32, 3))
    for k in range(8):
        chainage, deep = 6420.0 + 22.0 * k, 4.4
        middle = main.at(chainage, MOBILE_OFFSET + deep / 2)
        shape = rectangle(*middle, 14.0, deep, _direction(main, chainage))
        site.add(Building(shape, f"Lot {k + 1}, Grade View Park", "home", "special", 1, 1))
    for k in range(9):
        chainage = 6872.0 + 21.0 * k
        shape = rectangle(*main.at(chainage, -24.0), 12.0, 9.0, _direction(main, chainage))
        site.add(Building(shape, f"{k * 2 + 2} Wall Row", "home", "special", 1, 2))


def buildings(
    main: Line, roads: dict[str, Line], water: BaseGeometry, rng: np.random.Generator
) -> list[Building]:
    """Every building of the homes file, the dirty ones included."""
    site = Site(main, roads, water)
    _special(site, main)
    site.blocked.append(forest_strip(main))
    for x, y in ((4760.0, 1380.0), (4860.0, 1370.0)):
        hall = rectangle(x, y, 60.0, 30.0, 4.0)
        site.add(Building(hall, f"Mill hall {len(site.buildings)}", "other", "mill", 0, 3, 0.0))
    frontage = _slots(part_of(main, 7090.0, 8380.0), "Main Street", 30.0, 24.0, rng)
    _settle(site, "town", FRONTAGE, frontage, rng)
    streets = []
    for name, line in roads.items():
        if name.endswith("Street"):
            streets += _slots(line, name, 23.0, 15.0, rng)
    _settle(site, "town", COUNTS["town"] - FRONTAGE, streets, rng, nearest=60.0)
    for place, names, spacing in (
        ("lower bench", ("Bench Lane", "Upper Bench Lane"), 18.0),
        ("hamlet", ("Hairpin Lane",), 18.5),
        ("upper", ("Summit Lane",), 24.0),
    ):
        slots = [s for n in names for s in _slots(roads[n], n, spacing, 16.0, rng)]
        _settle(site, place, COUNTS[place], slots, rng, nearest=40.0)
    ridge = part_of(roads["Ridge Road"], 900.0, 1950.0)
    _settle(site, "ridge", COUNTS["ridge"], _slots(ridge, "Ridge Road", 32.0, 18.0, rng), rng)
    return _cross_one(site.buildings)


def _cross_one(done: list[Building]) -> list[Building]:
    """Make one town house's outline cross itself, as a careless trace does."""
    k = next(i for i, b in enumerate(done) if b.label.endswith("Second Street"))
    a, b, c, d = list(done[k].shape.exterior.coords)[:4]  # type: ignore[attr-defined]
    old = done[k]
    crossed = Building(Polygon([a, c, b, d]), old.label, old.kind, old.place, 1, old.levels)
    return [*done[:k], crossed, *done[k + 1 :]]


def forest_strip(main: Line) -> Polygon:
    """Dense trees between the foot of the grade and the town, 80 m wide along the road."""
    corners = [(6650.0, 20.0), (6650.0 + STRIP_WIDTH, 20.0), (6650.0 + STRIP_WIDTH, 330.0)]
    return Polygon([main.at(c, o) for c, o in [*corners, (6650.0, 330.0)]])


def creek() -> Polygon:
    """Water surface of the creek."""
    return LineString([p[:2] for p in CREEK]).buffer(7.0, cap_style="flat")


def _soft(corners: str) -> BaseGeometry:
    """A polygon with rounded corners, as woods and meadows have."""
    points = [tuple(100.0 * float(v) for v in corner.split(",")) for corner in corners.split()]
    shape = Polygon(points)
    return shape.buffer(-90.0).buffer(180.0, quad_segs=4).buffer(-90.0, quad_segs=4).simplify(3.0)


def land_use(main: Line, homes: list[Building]) -> list[tuple[BaseGeometry, Properties]]:
    """Land-use polygons that do not overlap: the first named takes its ground."""

    def around(place: str, reach: float) -> BaseGeometry:
        merged = unary_union([b.shape.centroid.buffer(reach) for b in homes if b.place == place])
        return merged.buffer(-reach * 0.4).simplify(4.0)

    town = Polygon([main.at(c, o) for c, o in TOWN_CORNERS]).buffer(20.0).simplify(2.0)
    mill = Polygon([(4650.0, 1300.0), (4980.0, 1290.0), (4985.0, 1400.0), (4655.0, 1420.0)])
    ordered: list[tuple[BaseGeometry, Properties]] = [
        (creek(), {"natural": "water"}),
        (mill, {"landuse": "industrial"}),
        (forest_strip(main), {"landuse": "forest", "dense": "yes"}),
        (town, {"landuse": "residential"}),
    ]
    ordered += [
        (around(place, 45.0), {"landuse": "residential"})
        for place in ("lower bench", "hamlet", "upper", "ridge")
    ]
    ordered += [(_soft(corners), dict(tags)) for corners, tags in OPEN_LAND]
    taken: BaseGeometry = Polygon()
    out = []
    for shape, tags in ordered:
        clear = shape.difference(taken)
        out.append((clear, tags))
        taken = taken.union(shape)
    return out


def walls(main: Line) -> list[tuple[LineString, Properties]]:
    """Noise walls with known heights."""
    along = np.arange(WALL_FROM, WALL_TO + 1.0, 25.0)
    wall = LineString([main.at(float(c), WALL_OFFSET) for c in along])
    yard = LineString([(4650.0, 1425.0), (4820.0, 1414.0)])
    return [
        (wall, {"id": "W1", "kind": "wall", "height_m": WALL_HEIGHT, "name": "Wall Row screen"}),
        (yard, {"id": "W2", "kind": "wall", "height_m": 4.0, "name": "Mill yard screen"}),
    ]
