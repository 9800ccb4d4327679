"""A small invented scene with findings, made without any model, for the tests of the outputs.

The levels follow a plain distance law and the temperatures are picked by hand:
they only have to look alive and to carry hostile names.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from itertools import pairwise

import numpy as np

from noisemap.exposure.community import Character, CharacterGroup
from noisemap.exposure.results import (
    BrakeRow,
    DriveRow,
    Findings,
    HomeLevels,
    Interval,
    LevelArea,
    ZoneResult,
)
from noisemap.scene.model import (
    GroundCover,
    Homes,
    Obstacles,
    Receivers,
    Repair,
    Road,
    Scene,
    Stretches,
    Terrain,
)
from noisemap.states import Zone

CREATED = datetime(2026, 3, 14, 9, 30, tzinfo=UTC)
LOUDER_HOME = 3
X0, Y0 = 500_000.0, 4_310_000.0

HOSTILE = (
    "<img src=x onerror=alert(1)>",
    "</script><script>window.hit=1</script>",
    "=cmd|' /C calc'!A0",
    "${7*7}{{7*7}}{% raw %}",
    "+1+1",
    "@SUM(A1)",
    "-2+3",
    "\u202egnp.exe\u202c left to right",
    "line one\nline two",
    '"><svg onload=alert(2)>',
    "Straße 漢字 😀",
    "http://example.invalid/x",
)


def make_scene(homes: int = 60, seed: int = 5) -> Scene:
    """An invented hillside of 2.4 by 1.6 km with one winding road and some homes."""
    rng = np.random.default_rng(seed)
    terrain = _terrain()
    road = _road()
    side = _side_road()
    stretches = _stretches((road, side))
    place = rng.integers(10, road.x.size - 10, homes)
    away = rng.uniform(25.0, 380.0, homes) * rng.choice([-1.0, 1.0], homes)
    x = road.x[place] + rng.normal(0.0, 40.0, homes)
    y = road.y[place] + away
    label = [f"{number} Larkspur Lane" for number in range(1, homes + 1)]
    for index, name in enumerate(HOSTILE[: max(0, homes - 2)]):
        label[index + 2] = name
    ids = [f"H{number:04d}" for number in range(1, homes + 1)]
    if homes > 6:
        ids[5] = "=2+5"
        ids[6] = "<b>id</b>"
    people = np.round(rng.uniform(1.0, 4.0, homes), 1)
    people[0] = 48.0
    kind = ["home"] * homes
    kind[0] = "school"
    return Scene(
        crs="EPSG:32606",
        terrain=terrain,
        ground=GroundCover(
            X0, Y0, 20.0, np.ones(terrain.height.shape), terrain.filled.copy(), 10.0
        ),
        roads=(road, side),
        stretches=stretches,
        homes=Homes(
            tuple(ids), tuple(label), tuple(kind), x, y, people, np.zeros(homes, dtype=bool)
        ),
        receivers=Receivers(np.arange(homes), x, y, np.full(homes, 4.0), np.ones(homes)),
        obstacles=Obstacles(
            np.zeros((0, 4)), np.zeros(0), np.zeros(0, dtype=np.int64), np.zeros(0, dtype=bool)
        ),
        repairs=(
            Repair("roads", "<script>alert(3)</script>", "one way read against the points", X0, Y0),
            Repair("homes", "=HYPERLINK(1)", "dropped: no place"),
        ),
        assumptions=("A speed limit of 45 mph was assumed on 0.4 km of road.",),
        warnings=("The terrain has 3 filled cells.",),
        attribution=("Invented data, made for this project", "<i>named</i> source & sons"),
        facts={"homes": float(homes), "road_km": 2.2},
    )


def make_findings(scene: Scene, units: str = "us") -> Findings:
    """Findings for the scene: one zone worth signing, one refused for brakes, one undecided."""
    near = _distance_to_road(scene)
    before = _levels(near, 0.0)
    length = float(scene.roads[0].chainage[-1])
    night = frozenset([22, 23, 0, 1, 2, 3, 4, 5, 6])
    zones = (
        Zone("Town, unmuffled <b>only</b>", "SR 77", 0.55 * length, 0.95 * length),
        Zone("Whole hill, every brake", "SR 77", 0.0, length, binds="every_auxiliary_brake"),
        Zone("=Night|bench", "SR 77", 0.3 * length, 0.5 * length, night, "compression_release"),
    )
    inside = [_closeness(scene, zone) for zone in zones]
    verdicts = ("worth signing", "refused for brakes", "needs an engineering study")
    peaks = ((215.0, 226.0), (215.0, 388.0), (215.0, 243.0))
    results = tuple(
        _zone_result(scene, before, near, zone, closeness, verdict, peak)
        for zone, closeness, verdict, peak in zip(zones, inside, verdicts, peaks, strict=True)
    )
    return Findings(
        study_name="Brindle Gap <study>",
        units=units,
        before=before,
        zones=results,
        areas=_areas(scene),
        areas_indicator="loudest pass of braking trucks, LAmax outdoors [dB]",
        drive={
            "80,000 lb tractor <x>": _drive(scene, 0.8),
            "60,000 lb tractor": _drive(scene, 0.4),
        },
        people_by_band={
            "night level of braking trucks": {
                "under 40 dB": 61.0,
                "40 to 50 dB": 88.5,
                "over 50 dB": 3.2,
            },
        },
        far_people=12.0,
        home_flags=tuple(("near grazing",) if index % 9 == 4 else () for index in range(len(near))),
        answer=(
            "A zone for trucks without a working muffler through the town spares "
            "about 140 people 3 passes a night above 70 dB each, and the brakes of every truck "
            "weight screened stay within the planning limit."
        ),
        cautions=("Counts of trucks come from one week only.",),
        assumptions=("12 in 100 trucks run without a working muffler.",),
        warnings=("Hour 3 has no counted truck.",),
        method=(
            "Propagation by ISO 9613-2:1996, favourable to the homes.",
            "Reflections from house fronts are not counted.",
        ),
        uncertainty=("The level of a truck without muffler is uncertain by 5 dB (one sigma).",),
        sources=("iso9613-2", "iso9613-1", "grade-severity", "own-model", "who-2018"),
        gain_with_background={40: Interval(1.8, 0.9, 2.6), 45: Interval(0.9, 0.4, 1.4)},
        optional_effects={"Awakenings": "2.1 fewer a night (0.8 to 3.5), curve recalled."},
        alternatives=(
            "Checking mufflers on this road reaches two thirds of the same quiet without any ban.",
        ),
        home_halfwidth=np.where(near > 300.0, 7.0, 5.0),
        invented=True,
        character=_character(len(near)),
        own_hours={"home": frozenset(range(8, 16)), "school": frozenset(range(8, 15))},
    )


def _character(homes: int) -> Character:
    """Two groups by hand: beside the road, and the homes but the last."""
    place = np.zeros(homes, dtype=np.int64) + 1
    place[-1] = -1
    beside = CharacterGroup(
        "beside the road", 15.0, 15.0, "straight", 0, 0.0, -1, 92.0, 6.0, 1.5, 100.0, 9.8, None,
        0.0, (3.0, 3.0), 0.0, (3.0, 3.0),
    )  # fmt: skip
    far = CharacterGroup(
        "high notes damped", 120.0, 240.0, "worn", homes - 1, 150.0, 0, 70.0, 11.0, 1.0, 31.5, 13.0,
        None, 0.0, (0.0, 6.0), 3.0, (3.0, 9.0),
    )  # fmt: skip
    title = "differences of levels and thirds, the open legal rule"
    return Character("levels", title, "FOUND, in part MEMORY-H", (beside, far), place)


def make_provenance() -> dict[str, object]:
    """What a run would say about itself."""
    return {
        "noisemap": "0.1.0",
        "python": "3.11.9",
        "libraries": {"numpy": "2.3.5", "scipy": "1.16.3"},
        "inputs": {"roads.geojson": "ab" * 32, "<b>homes</b>.csv": "cd" * 32},
        "seed": 12345,
        "samples": 1000,
        "command": "noisemap run study.toml",
    }


def without_zones(findings: Findings) -> Findings:
    """The same findings of a study that asks about no zone."""
    return replace(findings, zones=())


def _terrain() -> Terrain:
    rows, columns = 81, 121
    column, row = np.meshgrid(np.arange(columns), np.arange(rows))
    height = (
        360.0
        - 1.1 * column
        + 22.0 * np.sin(row / 11.0) * np.cos(column / 17.0)
        + 9.0 * np.sin(row / 4.0 + column / 6.0)
    )
    return Terrain(X0, Y0, 20.0, height, np.zeros(height.shape, dtype=bool), 10.0)


def _road() -> Road:
    t = np.linspace(0.0, 1.0, 221)
    x = X0 + 120.0 + 2150.0 * t
    y = Y0 + 800.0 + 260.0 * np.sin(5.5 * t)
    chainage = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(x), np.diff(y)))])
    grade = np.interp(chainage, [0, 400, 600, 1500, 1900, 3000], [-1, -3, -6.2, -7, -2, -0.5])
    height = 350.0 + np.concatenate([[0.0], np.cumsum(grade[:-1] / 100.0 * np.diff(chainage))])
    return _as_road("way/1", "SR 77", x, y, chainage, height)


def _side_road() -> Road:
    t = np.linspace(0.0, 1.0, 61)
    x = X0 + 1700.0 + 60.0 * np.sin(3.0 * t)
    y = Y0 + 150.0 + 560.0 * t
    chainage = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(x), np.diff(y)))])
    return _as_road("way/2", HOSTILE[0], x, y, chainage, 270.0 + 2.0 * np.sin(6.0 * t))


def _as_road(road_id, name, x, y, chainage, height) -> Road:  # type: ignore[no-untyped-def]
    pieces = x.size - 1
    return Road(
        road_id, name, "primary", x, y, chainage, height,
        np.full(pieces, 0.002), np.zeros(pieces, dtype=np.uint8), np.full(pieces, 72.4),
        np.zeros(pieces, dtype=bool), np.ones(pieces, dtype=bool), 0,
    )  # fmt: skip


def _stretches(roads: tuple[Road, ...]) -> Stretches:
    columns: list[list[float]] = [[] for _ in range(12)]
    for number, road in enumerate(roads):
        edges = np.append(np.arange(0.0, road.chainage[-1], 50.0), road.chainage[-1])
        for low, high in pairwise(edges):
            at = np.interp([low, (low + high) / 2, high], road.chainage, np.arange(road.x.size))
            px = np.interp(at, np.arange(road.x.size), road.x)
            py = np.interp(at, np.arange(road.x.size), road.y)
            pz = np.interp(at, np.arange(road.x.size), road.height)
            grade = (pz[2] - pz[0]) / (high - low)
            row = (number, low, high, px[1], py[1], pz[1], px[0], py[0], px[2], py[2], grade, 0.002)
            for column, value in zip(columns, row, strict=True):
                column.append(float(value))
    c = [np.array(column) for column in columns]
    count = c[0].size
    off = np.zeros(count, dtype=bool)
    return Stretches(
        c[0].astype(np.int64), c[1], c[2], c[3], c[4], c[5],
        np.column_stack(c[6:10]), c[10], c[11], np.full(count, 72.4), off, off.copy(), off.copy(),
        passive=off.copy(), direction=np.zeros(count, np.int8), trucks_allowed=~off,
        paving=np.where(np.arange(count) % 2, "asphalt", "=1+1"),
        lanes=np.where(np.arange(count) % 2, 2.0, np.nan),
    )  # fmt: skip


def _distance_to_road(scene: Scene) -> np.ndarray:
    road = scene.roads[0]
    dx = scene.homes.x[:, None] - road.x[None, :]
    dy = scene.homes.y[:, None] - road.y[None, :]
    return np.maximum(np.hypot(dx, dy).min(axis=1), 12.0)


def _closeness(scene: Scene, zone: Zone) -> np.ndarray:
    """Share of a home's noise that comes from the zone: 1 beside it, 0 far along the road."""
    road = scene.roads[0]
    inside = (road.chainage >= zone.from_m) & (road.chainage <= zone.to_m)
    dx = scene.homes.x[:, None] - road.x[None, inside]
    dy = scene.homes.y[:, None] - road.y[None, inside]
    far = np.hypot(dx, dy).min(axis=1)
    return np.exp(-np.maximum(far - _distance_to_road(scene), 0.0) / 150.0)


def _levels(near: np.ndarray, fall: np.ndarray | float) -> HomeLevels:
    night = 72.0 - 16.0 * np.log10(near / 15.0) - fall
    night = np.where(near > 390.0, -np.inf, night)
    peak = 93.0 - 20.0 * np.log10(near / 15.0) - 0.2 * np.asarray(fall)
    passes = {
        level: np.clip((peak - level) / 2.5, 0.0, 14.0) * 10.0 ** (-np.asarray(fall) / 10.0)
        for level in (60, 70, 80)
    }
    return HomeLevels(
        night + 4.0, night + 4.5, night, night + 3.0, np.full(near.size, 5), peak, passes,
        night + 8.0, night + 9.0, night + 5.0, None, night - 2.0,
        {level: 0.5 * counts for level, counts in passes.items()},
        {10.0: passes[60], 15.0: passes[70], 28.0: passes[80]},
    )  # fmt: skip


def _zone_result(scene, before, near, zone, closeness, verdict, peak):  # type: ignore[no-untyped-def]
    fall = 5.0 * zone.observance * closeness * (2.0 if zone.binds.startswith("every") else 1.0)
    if zone.name.startswith("="):
        fall[LOUDER_HOME] = -0.4
    after = _levels(near, fall)
    with np.errstate(invalid="ignore"):
        quieter = np.where(np.isfinite(before.l_night), before.l_night - after.l_night, np.nan)
    people = scene.homes.people
    helped = float(people[fall >= 1.0].sum())
    rows = tuple(
        BrakeRow(
            truck, mass, "SR 77", condition, free + extra, zone_peak + extra, 402.0 + extra,
            41.0, 260.0, 249.0, 1480.0,
        )
        for truck, mass, free, zone_peak in (
            ("60,000 lb tractor", 27_216.0, peak[0] - 45.0, peak[1] - 62.0),
            ("80,000 lb tractor <x>", 36_287.0, peak[0], peak[1]),
        )
        for condition, extra in (("normal", 0.0), ("degraded", 14.0))
    )  # fmt: skip
    return ZoneResult(
        zone=zone,
        levels=after,
        quieter_by=quieter,
        people_passes={
            60: Interval(900.0, 500.0, 1300.0),
            70: Interval(helped * 3.0, helped * 1.5, helped * 4.6),
            80: Interval(12.0, 3.0, 25.0),
        },
        people_over={
            "45 dB night": (Interval(120.0, 90.0, 150.0), Interval(84.0, 60.0, 110.0)),
        },
        people_within_2db={"45 dB night": 22.0},
        people_helped=Interval(helped, 0.6 * helped, 1.3 * helped),
        people_louder=0.0,
        brakes=rows,
        verdict=verdict,
        sentence=f"Helps about {helped:.0f} people; the heaviest truck reaches {peak[1]:.0f} °C.",
        reasons=("the heaviest truck gains heat in the zone",) if peak[1] > 249.0 else (),
        quieter_interval=Interval(2.4, 1.1, 3.7),
        quieter_bounds=(quieter - 1.0, quieter + 1.0),
    )


def _drive(scene: Scene, strongest: float) -> tuple[DriveRow, ...]:
    steep = np.flatnonzero((scene.stretches.grade < -0.02) & (scene.stretches.road == 0))
    return tuple(
        DriveRow(
            int(index), 61.0, 1850.0, 4.2,
            float(np.clip(-scene.stretches.grade[index] / 0.07, 0.0, 1.0) * strongest),
            120.0 + 0.6 * step,
        )
        for step, index in enumerate(steep)
    )  # fmt: skip


def _areas(scene: Scene) -> tuple[LevelArea, ...]:
    road = scene.roads[0]
    rings = []
    for width, end in ((330.0, 1), (170.0, 8), (60.0, 15)):
        x, y = road.x[end:-end], road.y[end:-end]
        rings.append(
            np.column_stack(
                [np.concatenate([x, x[::-1]]), np.concatenate([y + width, y[::-1] - width])]
            )
        )
    return (
        LevelArea(60.0, 70.0, ((rings[0], rings[1]),)),
        LevelArea(70.0, 80.0, ((rings[1], rings[2]),)),
        LevelArea(80.0, 90.0, ((rings[2],),)),
    )
