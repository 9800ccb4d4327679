"""The one pipeline: study file in, findings and outputs out."""

from __future__ import annotations

import os
import platform
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path
from typing import Any

from noisemap import __version__
from noisemap.errors import BusyError, Problem, StudyError
from noisemap.execution.tasks import HERE, Execution
from noisemap.exposure.results import Findings
from noisemap.exposure.traffic import matching_roads
from noisemap.outputs.provenance import summary_text
from noisemap.outputs.wording import people_cell
from noisemap.outputs.write import write_outputs
from noisemap.scene.build import build_scene
from noisemap.scene.curvature import with_curves
from noisemap.scene.model import Scene
from noisemap.states import Zone
from noisemap.storage import FolderLock, sha256_file, sweep, write_json
from noisemap.study.compute import areas, compute, moved_by_halving
from noisemap.study.findings import findings
from noisemap.study.prepare import Prepared, input_hashes, prepare, results_folder
from noisemap.study.progress import Reporter
from noisemap.study.resolved import resolved_toml
from noisemap.study.what_if import study_what_if
from noisemap.zones.tipping import after_treatment_notes
from noisemap.zones.weigh import weigh_zone

STORE_FOLDER = "store"
CHECKSUMS = "checksums.json"
LIBRARIES = (
    "acoustics",
    "folium",
    "geopandas",
    "numba",
    "numpy",
    "osmium",
    "pyproj",
    "rasterio",
    "scipy",
    "shapely",
)


@dataclass(frozen=True)
class RunResult:
    """What a run leaves."""

    folder: Path
    files: tuple[Path, ...]
    scene: Scene
    findings: Findings

    @property
    def summary(self) -> str:
        """The answer on one screen, and where the files are."""
        inside = [file.relative_to(self.folder) for file in self.files]
        names = dict.fromkeys(
            f"{file.parts[0]}/" if len(file.parts) > 1 else str(file) for file in inside
        )
        return f"{summary_text(self.findings)}\nWritten to {self.folder}: {', '.join(names)}"

    def as_json(self) -> dict[str, Any]:
        """The answer as plain data."""
        found = self.findings
        return {
            "study": found.study_name,
            "folder": str(self.folder),
            "files": [str(file.relative_to(self.folder)) for file in self.files],
            "answer": found.answer,
            "homes": len(self.scene.homes.home_id),
            "people": round(float(self.scene.homes.people.sum()), 1),
            "zones": [_zone_json(zone) for zone in found.zones],
            "assumptions": list(found.assumptions),
            "warnings": [*self.scene.warnings, *found.warnings],
            "repairs": len(self.scene.repairs),
        }


def _zone_json(zone: Any) -> dict[str, Any]:
    return {
        "name": zone.zone.name,
        "verdict": zone.verdict,
        "sentence": zone.sentence,
        "people_passes_spared": {
            str(level): [round(v, 2) for v in (x.low, x.best, x.high)]
            for level, x in zone.people_passes.items()
        },
        # nothing stands for a count that is too small to publish
        "people_helped": [
            people_cell(v)
            for v in (zone.people_helped.low, zone.people_helped.best, zone.people_helped.high)
        ],
        "brakes": [
            {
                "truck": row.truck,
                "road": row.road,
                "condition": row.condition,
                "peak_free_c": round(row.peak_free_c),
                "peak_zone_c": round(row.peak_zone_c),
                "peak_none_c": round(row.peak_none_c),
                "planning_limit_c": round(row.planning_limit_c),
                "hard_limit_c": round(row.hard_limit_c),
            }
            for row in zone.brakes
        ],
    }


def run_study(
    path: Path,
    output: Path | None,
    reporter: Reporter,
    execution: Execution = HERE,
    *,
    allow_outside: bool = False,
    created: datetime | None = None,
) -> RunResult:
    """Run a study whole and write its outputs."""
    prepared = prepare(path, allow_outside=allow_outside)
    folder = results_folder(prepared, output, allow_outside=allow_outside)
    with FolderLock(folder):
        sweep(folder)
        scene = read_scene(prepared, reporter)
        store = folder / STORE_FOLDER
        computed = compute(prepared, scene, store, reporter, execution)
        reporter.stage("zones and brakes")
        zones = []
        for number, zone in enumerate(prepared.zones, start=1):
            zones.append(weigh_zone(computed.base, zone, each_home=True))
            reporter.advance(number, len(prepared.zones))
        notes = (*computed.notes, *after_treatment_notes(computed.base, zones))
        computed = replace(computed, notes=notes)
        level_areas = areas(prepared, computed, store, reporter, execution)
        moved = moved_by_halving(prepared, computed, reporter, execution)
        found = findings(prepared, scene, computed, zones, level_areas, moved=moved)
        what_if = None
        if "map" in prepared.study.output.formats:
            reporter.stage("table of the what-if")
            what_if = study_what_if(prepared, scene, computed)
        refuse_changed_inputs(prepared)
        reporter.stage("writing map, report and tables")
        created = created or datetime.now(UTC).replace(microsecond=0)
        files = write_outputs(
            folder,
            scene,
            found,
            provenance(prepared),
            resolved_toml(prepared, scene, computed.air.pressure, folder),
            prepared.study.output.formats,
            created,
            what_if,
        )
        write_json(folder / CHECKSUMS, checksums(prepared, folder, files, created))
    return RunResult(folder, tuple(files), scene, found)


def refuse_changed_inputs(prepared: Prepared) -> None:
    """Stop before anything is written when an input changed while it was computed.

    Raises
    ------
    BusyError
        With the names of the changed inputs.
    """
    try:
        now = input_hashes(prepared.path, prepared.files)
    except OSError as error:
        raise BusyError(f"{error.filename}: gone while the study ran; run it again") from error
    changed = [name for name, digest in prepared.hashes.items() if now.get(name) != digest]
    if changed:
        raise BusyError(
            f"{', '.join(changed)}: changed while the study ran; nothing was written, run it again"
        )


def read_scene(prepared: Prepared, reporter: Reporter) -> Scene:
    """The scene of a study, its zones checked against its roads."""
    reporter.stage("roads, terrain, homes and ground")
    cuts: dict[str, list[float]] = {}
    for zone in prepared.zones:
        cuts.setdefault(zone.road, []).extend([zone.from_m, zone.to_m])
    scene = build_scene(prepared.inputs, cuts)
    problems = zone_problems(prepared, scene)
    if problems:
        raise StudyError("\n".join(map(str, problems)), problems)
    descent = prepared.study.descent
    return with_curves(scene, descent.superelevation_pct / 100.0) if descent.curve_speeds else scene


def zone_problems(prepared: Prepared, scene: Scene) -> list[Problem]:
    """Zones that lie on no modelled road, or beyond its end."""
    problems = []
    for number, zone in enumerate(prepared.zones, start=1):
        problems += _zone_problem(prepared.path.name, number, zone, scene)
    return problems


def _zone_problem(where: str, number: int, zone: Zone, scene: Scene) -> list[Problem]:
    carrying = set(scene.stretches.road.tolist())
    found = [index for index in matching_roads(zone.road, scene.roads) if index in carrying]
    if not found:
        names = sorted({scene.roads[index].name for index in carrying} - {""})
        shown = ", ".join(names[:10]) + (", ..." if len(names) > 10 else "")
        return [Problem(where, f"zone[{number}].road", repr(zone.road), shown or "no named road")]
    if len(found) > 1:
        ids = ", ".join(scene.roads[index].road_id for index in found)
        return [
            Problem(
                where,
                f"zone[{number}].road",
                repr(zone.road),
                "",
                f"several roads: name one of {ids}",
            )
        ]
    end = float(scene.roads[found[0]].chainage[-1])
    if zone.to_m > end + 1.0:
        return [Problem(where, f"zone[{number}].to_m", f"{zone.to_m:g}", f"0..{end:.0f}")]
    return []


def checksums(
    prepared: Prepared, folder: Path, files: Sequence[Path], created: datetime
) -> dict[str, Any]:
    """What `noisemap verify` compares: digests of outputs and inputs, versions, the moment."""
    record = provenance(prepared)
    return {
        "study": Path(os.path.relpath(prepared.path.resolve(), folder.resolve())).as_posix(),
        "created": created.isoformat(),
        "files": {file.relative_to(folder).as_posix(): sha256_file(file) for file in files},
        **{key: record[key] for key in ("inputs_sha256", "libraries", "noisemap", "python")},
    }


def provenance(prepared: Prepared) -> Mapping[str, Any]:
    """Versions, input hashes and the seed."""
    return {
        "noisemap": __version__,
        "python": platform.python_version(),
        "libraries": {name: version(name) for name in LIBRARIES},
        "inputs_sha256": prepared.hashes,
        "seed": prepared.study.run.seed,
        "samples": prepared.study.run.samples,
    }
