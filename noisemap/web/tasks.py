"""What a job does: the library's own work, and of its outcome what the page shows."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any, get_args

from noisemap.errors import UsageError
from noisemap.outputs.wording import plain
from noisemap.states import EXHAUST_STATES, ExhaustState
from noisemap.study.progress import Reporter
from noisemap.web.form import problems_of
from noisemap.web.plan import plan

SHEET_FOLDER = "scene"
LISTEN_FOLDER = "listen"
HEARD_STATES: tuple[ExhaustState, ...] = ("muffled", "worn", "straight")
PASS_SECONDS = 16.0


def check(reporter: Reporter, study: str, results: str) -> dict[str, Any]:
    """Read everything, draw the scene sheet, and hand the scene over for drawing."""
    from noisemap.outputs.scene_sheet import PAGE
    from noisemap.storage import claim_folder
    from noisemap.study.check import check_scene

    claim_folder(Path(results))
    sheet = Path(results) / SHEET_FOLDER
    found, errors, scene = check_scene(Path(study), reporter, sheet=sheet)
    problems = [problem for error in errors for problem in problems_of(error)]
    found.pop("sheet", None)
    return {
        "found": found,
        "problems": problems,
        "plan": None if scene is None else plan(scene),
        "sheet": f"{SHEET_FOLDER}/{PAGE}" if scene is not None else None,
    }


def run(reporter: Reporter, study: str, results: str) -> dict[str, Any]:
    """The whole study."""
    from noisemap.study.run import run_study

    result = run_study(Path(study), Path(results), reporter)
    return {
        "answer": plain(result.findings.answer, 2000),
        "zones": [
            {
                "name": plain(zone.zone.name),
                "verdict": zone.verdict,
                "sentence": plain(zone.sentence, 600),
            }
            for zone in result.findings.zones
        ],
        "warnings": [
            plain(text, 600) for text in (*result.scene.warnings, *result.findings.warnings)
        ],
        "plan": plan(result.scene),
    }


def weigh(reporter: Reporter, study: str, results: str) -> dict[str, Any]:
    """Every contiguous zone searched, and the other measures beside it."""
    from noisemap.study.weigh import weigh_study

    result = weigh_study(Path(study), Path(results), reporter)
    return {"text": result.summary.rpartition("\nWritten to ")[0]}


def listen(
    reporter: Reporter,
    study: str,
    results: str,
    home: str,
    road: str,
    speed_kmh: float,
    zone: str | None,
) -> dict[str, Any]:
    """A pass at a home in three states of the exhaust, with and without a zone."""
    from noisemap.exposure.traffic import matching_roads
    from noisemap.study.descend import chosen_road, chosen_zones
    from noisemap.study.listen import Truck, Wish, home_of_study, illustrate

    if not 10.0 <= speed_kmh <= 130.0:
        raise UsageError(f"speed: {speed_kmh:g} km/h is not allowed (allowed: 10 to 130 km/h)")
    place, track = home_of_study(
        Path(study), home, road, speed_kmh / 3.6, PASS_SECONDS, reporter, output=Path(results)
    )
    prepared = place.prepared
    obeyed = chosen_zones(prepared.zones, (zone,))[0] if zone is not None else None
    elsewhere = obeyed is not None and chosen_road(place.scene, road) not in matching_roads(
        obeyed.road, place.scene.roads
    )
    if elsewhere:
        raise UsageError(f"zone {zone!r} lies on another road than the one you listen to")
    engine = max(prepared.trucks, key=lambda truck: (truck.retarder != "none", truck.mass))
    wish = Wish(HEARD_STATES, prepared.study.source.calibration_offset_db, zone=obeyed)
    folder = Path(results) / LISTEN_FOLDER
    data = illustrate(track, Truck(engine.model.engine), wish, folder, reporter)
    return {**data, "folder": LISTEN_FOLDER, "home": home, "road": road, "speed_kmh": speed_kmh}


def route(
    reporter: Reporter,
    study: str,
    results: str,
    start: str,
    target: str,
    truck: str | None,
    exhaust: str,
    depart_s: float | None,
    no_zones: bool,
) -> dict[str, Any]:
    """Routes between two places."""
    from noisemap.study.route import Load, route_study

    result = route_study(
        Path(study),
        start,
        target,
        _wish(truck, exhaust, depart_s, no_zones),
        Load(),
        Path(results),
        reporter,
    )
    return {"files": _names_of(result)}


def descend(
    reporter: Reporter,
    study: str,
    results: str,
    road: str,
    truck: str | None,
    exhaust: str,
    depart_s: float | None,
    no_zones: bool,
) -> dict[str, Any]:
    """Quiet descents of one road."""
    from noisemap.study.descend import descend_study

    result = descend_study(
        Path(study),
        road,
        _wish(truck, exhaust, depart_s, no_zones),
        Path(results),
        reporter,
    )
    return {"files": _names_of(result)}


def inspect(reporter: Reporter, readings: str, folder: str) -> dict[str, Any]:
    """Verdicts on readings, with a sheet for each truck."""
    from noisemap.inspection.rows import read_readings
    from noisemap.inspection.verdict import inspect as judge
    from noisemap.outputs.inspection_sheets import inspections_json, trucks, write_inspections

    reporter.stage("reading the record sheet")
    found = [judge(reading) for reading in read_readings(Path(readings))]
    reporter.stage("writing the sheets")
    files = write_inspections(Path(folder), found, Path(readings))
    content = inspections_json(found)
    sheets = {
        item.reading.line: number
        for number, group in enumerate(trucks(found), start=1)
        for item in group
    }
    return {
        "counts": content["counts"],
        "cautions": content["cautions"],
        "rows": [
            {
                "reading": plain(item.reading.reading_id),
                "plate": plain(item.reading.text("plate")),
                "verdict": item.verdict,
                "reason": plain(item.reasons[0], 400) if item.reasons else "",
                "exhaust": item.exhaust.outcome,
                "evidence": item.sufficiency,
                "sheet": f"truck-{sheets[item.reading.line]:03d}.html",
            }
            for item in found
        ],
        "files": [file.name for file in files],
        "number": int(Path(folder).name),
    }


TASKS: dict[str, Callable[..., dict[str, Any]]] = {
    "check": check,
    "run": run,
    "weigh": weigh,
    "listen": listen,
    "route": route,
    "descend": descend,
    "inspect": inspect,
}


def _wish(truck: str | None, exhaust: str, depart_s: float | None, no_zones: bool) -> Any:
    from noisemap.study.descend import Wish

    if exhaust not in EXHAUST_STATES:
        raise UsageError(f"exhaust: {exhaust!r}; there is {', '.join(get_args(ExhaustState))}")
    return Wish(truck, exhaust, depart_s, () if no_zones else None)


def _names_of(result: Any) -> list[str]:
    return [file.relative_to(result.folder).as_posix() for file in result.files]
