"""Reading everything a study names, and saying what was understood and what is wrong."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

from noisemap.errors import NoisemapError, StudyError
from noisemap.exposure.driving import road_rows
from noisemap.exposure.traffic import Flow, read_counts, require_plain_counts
from noisemap.outputs.scene_sheet import About, write_scene_sheet
from noisemap.propagation.kernel import pairs_within
from noisemap.scene.crs import WGS84, project, study_system
from noisemap.scene.descents import descents
from noisemap.scene.ground import read_land
from noisemap.scene.homes import read_buildings
from noisemap.scene.model import Scene
from noisemap.scene.obstacles import read_walls
from noisemap.scene.parcels import read_parcels
from noisemap.scene.road_files import read_roads
from noisemap.scene.terrain import open_terrain
from noisemap.study.compute import traffic_of
from noisemap.study.doubts import doubts
from noisemap.study.prepare import Prepared, prepare
from noisemap.study.progress import Reporter
from noisemap.study.run import read_scene
from noisemap.transfer.build import BYTES_PER_PATH
from noisemap.units import FOOT_M, show_length

FALLBACK_CRS = "EPSG:6933"
"""Where layers are tried one by one when the roads cannot say their zone."""

SHOWN = 20


def check_study(
    path: Path, reporter: Reporter, *, allow_outside: bool = False, sheet: Path | None = None
) -> tuple[dict[str, Any], list[NoisemapError]]:
    """What was understood of a study, and every error found.

    With `sheet`, the scene is drawn into that folder where it can be built.
    """
    return check_scene(path, reporter, allow_outside=allow_outside, sheet=sheet)[:2]


def check_scene(
    path: Path, reporter: Reporter, *, allow_outside: bool = False, sheet: Path | None = None
) -> tuple[dict[str, Any], list[NoisemapError], Scene | None]:
    """What was understood of a study, every error found, and the scene where it can be built."""
    reporter.stage("study file")
    try:
        prepared = prepare(path, allow_outside=allow_outside)
    except NoisemapError as error:
        return {"study": str(path), "problems": _lines([error])}, [error], None
    errors: list[NoisemapError] = []
    scene = None
    try:
        scene = read_scene(prepared, reporter)
    except NoisemapError as error:
        errors = _each_layer(prepared, error)
    found: dict[str, Any] = {"study": str(path), "name": prepared.study.study.name}
    if scene is not None:
        found |= _understood(prepared, scene)
        if found["memory_gb"] > prepared.study.run.memory_gb:
            errors.append(
                StudyError(
                    f"{prepared.path.name}: run.memory_gb: {prepared.study.run.memory_gb:g}: the "
                    f"study needs about {found['memory_gb']:.1f} GB; raise it, shorten "
                    'run.max_distance_m, or use homes.placement = "centre"'
                )
            )
        try:
            flows, notes = traffic_of(prepared, scene)
            found["assumptions"] += notes
            lengths = [road.chainage[-1] / 1000.0 for road in scene.roads]
            found["vehicle_km_per_day"] = round(
                float(sum(flow.per_hour.sum() * lengths[flow.road] for flow in flows)), 1
            )
            _add_daily(found["roads"], flows, scene)
        except NoisemapError as error:
            errors.append(error)
    errors.sort(key=lambda error: error.exit_code != StudyError.exit_code)
    found["problems"] = _lines(errors)
    if sheet is not None and scene is not None:
        reporter.stage("scene sheet")
        own = prepared.study.homes.hours
        about = About(
            prepared.study.study.name,
            prepared.study.units,
            prepared.zones,
            {kind: getattr(own, kind) for kind in type(own).model_fields},
        )
        now = datetime.now(UTC).replace(microsecond=0)
        files = write_scene_sheet(sheet, scene, about, found["assumptions"], found["problems"], now)
        found["sheet"] = [str(file) for file in files]
    return found, errors, scene


def check_text(found: dict[str, Any]) -> str:
    """The result of a check for a terminal."""
    lines = [f"{found.get('name', found['study'])}"]
    units = found.get("units", "us")
    if "crs" in found:
        lines += [
            f"  computed in {found['crs']}; terrain cells {found['terrain_cell_m']:g} m "
            f"(file: {found['facts'].get('native_cell_m', float('nan')):.1f} m)",
            f"  homes {found['homes']:,}, people {found['people']:,.0f}, "
            f"receivers {found['receivers']:,}",
            f"  sound paths {found['paths']:,}, about {found['memory_gb']:.1f} GB",
            "",
            "Roads that carry the modelled traffic (distances run from the upper end):",
        ]
        for road in found["roads"][:SHOWN]:
            lines.append(
                f"  {road['name'] or '(no name)'} [{road['id']}]: "
                f"{show_length(road['length_m'], units)}, from {_height(road['upper_m'], units)} "
                f"at {road['start']} down to {_height(road['lower_m'], units)}"
            )
            if "vehicles_per_day" in road:
                lines.append(
                    f"      {road['vehicles_per_day']:,.0f} vehicles a day, "
                    f"{road['heavy_per_day']:,.0f} of them heavy"
                )
        if len(found["roads"]) > SHOWN:
            lines.append(f"  ... and {len(found['roads']) - SHOWN} more (--json lists all)")
        lines += ["", "Long descents:"]
        if not found["descents"]:
            lines.append("  none of 4 % over 1 km")
        for descent in found["descents"][:SHOWN]:
            lines.append(
                f"  {descent['road']} [{descent['id']}]: "
                f"{show_length(descent['from_m'], units)} to "
                f"{show_length(descent['to_m'], units)}, {_height(descent['drop_m'], units)} "
                f"down at {descent['mean_grade'] * 100.0:.1f} % on average, going "
                f"{'out' if descent['direction'] > 0 else 'back'}"
            )
        if "vehicle_km_per_day" in found:
            lines += ["", f"Vehicle-kilometres a day: {found['vehicle_km_per_day']:,.0f}"]
    for title in ("assumptions", "warnings", "repairs"):
        if found.get(title):
            lines += ["", f"{title.capitalize()} ({len(found[title])}):"]
            lines += [f"  - {text}" for text in found[title][:SHOWN]]
            if len(found[title]) > SHOWN:
                lines.append(f"  ... and {len(found[title]) - SHOWN} more (--json lists all)")
    if "sheet" in found:
        lines += ["", f"Scene sheet: {', '.join(found['sheet'])}"]
    if not found["problems"]:
        lines += ["", "Nothing is wrong."]
    return "\n".join(lines) + "\n"


def _height(metres: float, units: str) -> str:
    return f"{metres / FOOT_M:,.0f} ft" if units == "us" else f"{metres:,.0f} m"


def _add_daily(roads: list[dict[str, Any]], flows: Sequence[Flow], scene: Scene) -> None:
    """Vehicles a day of each road, all and heavy."""
    for row in roads:
        own = [flow for flow in flows if scene.roads[flow.road].road_id == row["id"]]
        row["vehicles_per_day"] = round(float(sum(flow.per_hour.sum() for flow in own)), 1)
        row["heavy_per_day"] = round(
            float(sum(flow.per_hour.sum() for flow in own if flow.vehicle_class == "heavy")), 1
        )


def _understood(prepared: Prepared, scene: Scene) -> dict[str, Any]:
    receivers = np.column_stack([scene.receivers.x, scene.receivers.y])
    sources = np.column_stack([scene.stretches.x, scene.stretches.y])
    pointer, _ = pairs_within(receivers, sources, prepared.study.run.max_distance_m)
    carrying = np.unique(scene.stretches.road)
    roads = []
    for index in carrying:
        road = scene.roads[index]
        roads.append(
            {
                "id": road.road_id,
                "name": road.name,
                "length_m": round(float(road.chainage[-1]), 1),
                "start": _place(scene, float(road.x[0]), float(road.y[0])),
                "upper_m": round(float(road.height[0]), 1),
                "lower_m": round(float(road.height[-1]), 1),
                "stretches": len(road_rows(scene.stretches, int(index))),
            }
        )
    return {
        "units": prepared.study.units,
        "crs": scene.crs,
        "terrain_cell_m": scene.terrain.cell,
        "homes": len(scene.homes.home_id),
        "people": round(float(scene.homes.people.sum()), 1),
        "receivers": len(scene.receivers.home),
        "paths": int(pointer[-1]),
        "memory_gb": round(float(pointer[-1]) * BYTES_PER_PATH / 1e9, 2),
        "roads": sorted(roads, key=lambda road: -float(str(road["length_m"]))),
        "descents": _descents(scene),
        "facts": {name: round(float(value), 3) for name, value in scene.facts.items()},
        "assumptions": list(scene.assumptions),
        "warnings": [*scene.warnings, *doubts(prepared, scene)],
        "repairs": [f"{row.layer}: {row.item}: {row.what}" for row in scene.repairs],
        "attribution": list(scene.attribution),
    }


def _place(scene: Scene, x: float, y: float) -> str:
    """A point as latitude and longitude."""
    lon, lat = project(scene.crs, WGS84, np.array([x]), np.array([y]))[0].tolist()
    return (
        f"{abs(lat):.4f} {'N' if lat >= 0.0 else 'S'} {abs(lon):.4f} {'E' if lon >= 0.0 else 'W'}"
    )


def _descents(scene: Scene) -> list[dict[str, Any]]:
    found = []
    for index in np.unique(scene.stretches.road):
        for one in descents(scene.roads[index], int(index), native_cell=scene.terrain.native_cell):
            found.append(
                {
                    "road": scene.roads[index].name or scene.roads[index].road_id,
                    "id": scene.roads[index].road_id,
                    "from_m": round(one.from_m),
                    "to_m": round(one.to_m),
                    "direction": one.direction,
                    "drop_m": round(one.drop, 1),
                    "mean_grade": round(one.mean_grade, 4),
                    "max_grade": None if one.max_grade is None else round(one.max_grade, 4),
                }
            )
    return sorted(found, key=lambda row: -float(row["drop_m"]))


def _each_layer(prepared: Prepared, first: NoisemapError) -> list[NoisemapError]:
    """The error that stopped the scene, and those of every layer tried alone."""
    inputs = prepared.inputs
    crs = FALLBACK_CRS
    errors = [first]

    def attempt(step: Callable[[], object]) -> None:
        try:
            step()
        except NoisemapError as error:
            if str(error) not in {str(one) for one in errors}:
                errors.append(error)

    try:
        crs = study_system(inputs.crs, *read_roads(inputs).centre())
    except NoisemapError as error:
        if str(error) not in {str(one) for one in errors}:
            errors.append(error)
    attempt(lambda: open_terrain(inputs))
    if inputs.homes_source in ("buildings", "points"):
        attempt(lambda: read_buildings(inputs, crs))
    if inputs.homes_source == "parcels":
        attempt(lambda: read_parcels(inputs, crs))
    if inputs.ground_file is not None:
        attempt(lambda: read_land(inputs, crs))
    if inputs.walls_file is not None:
        attempt(lambda: read_walls(inputs, crs))
    if prepared.counts is not None:
        counts = prepared.counts
        attempt(lambda: require_plain_counts(read_counts(counts)[0]))
    return errors


def _lines(errors: list[NoisemapError]) -> list[str]:
    return [line for error in errors for line in str(error).splitlines()]
