"""`noisemap weigh`: alternatives and the search of zones, on the store of a study."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

from noisemap.exposure.driving import TruckClass
from noisemap.exposure.results import Findings
from noisemap.exposure.traffic import matching_roads
from noisemap.outputs.weigh_tables import weigh_record
from noisemap.outputs.weigh_write import answer_text, write_weighed
from noisemap.scene.descents import descents
from noisemap.scene.grades import is_coarse
from noisemap.scene.model import Scene
from noisemap.states import Zone
from noisemap.storage import FolderLock
from noisemap.study.compute import Computed, compute
from noisemap.study.detour import detour_alternative
from noisemap.study.findings import findings
from noisemap.study.prepare import Prepared, prepare, results_folder
from noisemap.study.progress import Reporter
from noisemap.study.run import STORE_FOLDER, provenance, read_scene
from noisemap.zones.alternatives import (
    Alternative,
    enforced,
    hauler_alternatives,
    muffler_programme,
    sign_alternatives,
)
from noisemap.zones.conditions import setting
from noisemap.zones.engineer_tables import (
    approval_rows,
    beyond_hard,
    general_length_table,
    hill_sign_rows,
    length_table,
    speed_table,
)
from noisemap.zones.hour_windows import hour_windows
from noisemap.zones.legal import blanks, questions
from noisemap.zones.monitoring import plan
from noisemap.zones.search import SearchResult, search
from noisemap.zones.signs import beginning, downhill_directions, entry_rows, sign_points
from noisemap.zones.tipping import drivers_of, level_drivers_of, tipping_points
from noisemap.zones.wall import wall_alternative
from noisemap.zones.weigh import Base, rank, weigh_zone
from noisemap.zones.weighed import Weighed, decide

ROADS_SEARCHED = 3
ASSUMED_SPEEDS = (0.4, 0.6, 0.8, 1.0)  # shares of the study's own speed in that table


@dataclass(frozen=True)
class WeighResult:
    """What weighing leaves."""

    folder: Path
    files: tuple[Path, ...]
    scene: Scene
    findings: Findings
    weighed: Weighed

    @property
    def summary(self) -> str:
        """The answer on one screen, and where the files are."""
        names = ", ".join(str(file.relative_to(self.folder)) for file in self.files)
        text = answer_text(self.weighed, self.findings, self.scene)
        return f"{text}\nWritten to {self.folder}: {names}"

    def as_json(self) -> dict[str, Any]:
        """The answer as plain data."""
        return {
            **weigh_record(self.scene, self.weighed, self.findings),
            "folder": str(self.folder),
            "files": [str(file.relative_to(self.folder)) for file in self.files],
        }


def weigh_study(
    path: Path, output: Path | None, reporter: Reporter, *, allow_outside: bool = False
) -> WeighResult:
    """Weigh alternatives and every contiguous zone of a study, and write what was found.

    The store of an earlier run in the same folder is used; without one it is built first.
    """
    prepared = prepare(path, allow_outside=allow_outside)
    folder = results_folder(prepared, output, allow_outside=allow_outside)
    with FolderLock(folder):
        scene = read_scene(prepared, reporter)
        computed = compute(prepared, scene, folder / STORE_FOLDER, reporter)
        weighed = weigh(prepared, scene, computed, reporter, folder / STORE_FOLDER)
        shown = shown_zones(weighed)
        found = findings(prepared, scene, computed, shown, (), effects=False)
        reporter.stage("writing the two pages and the tables")
        files = write_weighed(
            folder,
            scene,
            found,
            weighed,
            provenance(prepared),
            datetime.now(UTC).replace(microsecond=0),
        )
    return WeighResult(folder, tuple(files), scene, found, weighed)


def shown_zones(weighed: Weighed) -> list[Any]:
    """Recommended zone first, runners-up, then the study's own: the numbers on the map."""
    decision = weighed.decision
    first = () if decision.recommended is None else (decision.recommended,)
    return [*first, *decision.runners_up, *weighed.zones]


def weigh(
    prepared: Prepared,
    scene: Scene,
    computed: Computed,
    reporter: Reporter,
    store: Path | None = None,
) -> Weighed:
    """Everything that `weigh` finds, before any formatting.

    Without a folder for its sound paths the wall is left out.
    """
    base = computed.base
    reporter.stage("the study's zones")
    own = []
    for number, zone in enumerate(prepared.zones, start=1):
        own.append(weigh_zone(base, zone))
        reporter.advance(number, len(prepared.zones))
    zones = rank(own)
    observance, emergency_use = _observance(prepared)
    roads, left_out = searched_roads(prepared, base)
    reporter.stage("every contiguous zone, screened and weighed")
    searches: list[SearchResult] = []
    for number, road in enumerate(roads, start=1):
        found = search(base, computed.sound, road, observance, emergency_use)
        searches += [found] if found is not None else []
        reporter.advance(number, len(roads))
    decision = decide(base, zones, searches)
    reporter.stage("alternatives, tables and tipping points")
    subject = decision.subject
    alternatives: list[Alternative] = []
    if subject is not None:
        alternatives += sign_alternatives(base, subject)
        alternatives.append(enforced(base, subject))
    alternatives.append(muffler_programme(base, computed.drives))
    if subject is not None:
        alternatives += hauler_alternatives(base, subject)
        alternatives.append(detour_alternative(base, subject))
        if store is not None:
            alternatives.append(
                wall_alternative(
                    base,
                    computed.sound,
                    subject,
                    computed.air,
                    store,
                    prepared.study.run.max_distance_m,
                )
            )
    drivers = None if subject is None else drivers_of(base, subject)
    level_drivers = None if subject is None else level_drivers_of(base, subject)
    road = _road(base, subject)
    ways = [] if subject is None else downhill_directions(scene, road, subject)
    after = decision.recommended or next((one for one in zones if one.zone == subject), None)
    table_zones = tuple(one.zone for one in shown_first(decision.recommended, zones))
    return Weighed(
        zones=tuple(zones),
        searches=tuple(searches),
        decision=decision,
        alternatives=tuple(alternatives),
        beginnings=tuple(beginning(scene, road, subject, way) for way in ways if subject),
        entries=tuple(
            row
            for way in ways
            if subject
            for row in entry_rows(scene, road, subject, way, base.trucks, base.practice, base.hills)
        ),
        signs=() if subject is None else sign_points(scene, road, subject),
        lengths_general=general_length_table(
            _heaviest(base).model, base.practice.conditions, base.planning_limit
        ),
        lengths_hill=_hill_lengths(base, road, ways),
        speeds=tuple(
            row
            for way in ways
            for row in speed_table(
                scene.stretches,
                road,
                way,
                base.trucks,
                base.practice,
                base.planning_limit,
                [zone for zone in table_zones if road in matching_roads(zone.road, scene.roads)],
                base.hills,
            )
        ),
        hill_signs=tuple(
            (way, row) for way in (1, -1) for row in hill_sign_rows(scene.stretches, road, way)
        ),
        approvals=tuple(
            row
            for way in ways
            if subject
            for row in approval_rows(scene.stretches, road, way, subject)
        ),
        drivers=drivers,
        level_drivers=level_drivers,
        with_background=base.background is not None,
        tipping=() if subject is None else tipping_points(base, subject),
        hours=() if subject is None else hour_windows(base, computed.sound, road, subject),
        beyond_hard=tuple(
            beyond_hard(
                scene.stretches,
                road,
                way,
                base.trucks,
                base.practice,
                base.hard_limit,
                base.hills,
            )
            for way in ways
        ),
        plan=None if after is None else plan(base.before, after.levels, scene.homes),
        questions=questions(),
        blanks=blanks(),
        trucks=tuple(truck.name for truck in base.trucks),
        planning_limit_c=base.planning_limit,
        hard_limit_c=base.hard_limit,
        observance=observance,
        emergency_use=emergency_use,
        worth_people_passes=base.worth_people_passes,
        roads_left_out=left_out,
        coarse=is_coarse(scene.terrain.native_cell),
    )


def shown_first(recommended: Any, zones: Sequence[Any]) -> list[Any]:
    """The recommended zone, if there is one, before the study's own."""
    return [*(() if recommended is None else (recommended,)), *zones]


def searched_roads(prepared: Prepared, base: Base) -> tuple[list[int], tuple[str, ...]]:
    """Roads to search: those with a descent or a zone of the study, most braking passes first."""
    scene = base.scene
    passes: dict[int, float] = {}
    for one in base.classes:
        passes[one.road] = passes.get(one.road, 0.0) + float(one.per_hour.sum())
    named = {road for zone in prepared.zones for road in matching_roads(zone.road, scene.roads)}
    native = scene.terrain.native_cell
    wanted = [
        road
        for road in sorted(passes, key=lambda road: -passes[road])
        if road in named or descents(scene.roads[road], road, native_cell=native)
    ]
    left = tuple(scene.roads[road].name for road in wanted[ROADS_SEARCHED:])
    return wanted[:ROADS_SEARCHED], left


def _observance(prepared: Prepared) -> tuple[float, float]:
    """Share of the bound drivers who obey, and of those the use in emergencies [1]."""
    if not prepared.zones:
        return setting("default_observance"), 0.0
    zones = prepared.zones
    return (
        float(np.mean([zone.observance for zone in zones])),
        float(np.mean([zone.emergency_use for zone in zones])),
    )


def _road(base: Base, subject: Zone | None) -> int:
    """The road of the subject zone, else the one with most braking passes, else the first."""
    if subject is not None:
        return matching_roads(subject.road, base.scene.roads)[0]
    if base.classes:
        return max(base.classes, key=lambda one: float(one.per_hour.sum())).road
    return int(base.scene.stretches.road[0])


def _heaviest(base: Base) -> TruckClass:
    return max(base.trucks, key=lambda truck: truck.mass)


def _hill_lengths(base: Base, road: int, ways: Sequence[int]) -> Any:
    """Length table at the hill's own grades: its mean, its 90th percentile and its steepest."""
    stretches = base.scene.stretches
    rows = np.flatnonzero(stretches.road == road)
    slope = np.concatenate([-way * stretches.grade[rows] for way in ways or (1,)])
    slope = slope[slope > 0.005]
    if not len(slope):
        return ()
    grades = np.round([slope.mean(), np.percentile(slope, 90.0), slope.max()], 4)
    speed = float(stretches.speed_limit_kmh[rows].max()) / 3.6
    if base.practice.assumed_speed is not None:
        speed = min(speed, base.practice.assumed_speed)
    return length_table(
        _heaviest(base).model,
        sorted({truck.mass for truck in base.trucks}),
        sorted(set(grades.tolist())),
        [share * speed for share in ASSUMED_SPEEDS],
        base.practice.conditions,
        base.planning_limit,
    )
