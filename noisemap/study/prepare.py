"""From a checked study file to resolved inputs: files found, hashed, and kept inside the folder."""

from __future__ import annotations

import difflib
import os
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from noisemap.community.criteria import criteria
from noisemap.community.indicators import Periods
from noisemap.descent.brake_temperature import Conditions
from noisemap.descent.engagement import Engagement, Habit
from noisemap.descent.truck import TruckModel, packaged_truck, truck_from_table, truck_names
from noisemap.errors import BadDataError, MissingInputError, NoisemapError, Problem, StudyError
from noisemap.exposure.driving import Practice, TruckClass
from noisemap.exposure.traffic import CountsFile
from noisemap.readers.toml_files import TomlError, read_toml, toml_content
from noisemap.scene.inputs import SceneInputs
from noisemap.states import Zone
from noisemap.storage import claim_folder, is_there, sha256_file, sha256_json
from noisemap.study.fleet_file import with_fleet
from noisemap.study.load import load_study
from noisemap.study.model import PlainLayer, Study
from noisemap.study.truck_table import with_trucks

SIDECARS = {".shp": (".shx", ".dbf", ".prj", ".cpg"), ".asc": (".prj",)}
"""Files that are read together with one of this suffix."""

NAMED_FILES = (
    ("terrain", "files"),
    ("roads", "file"),
    ("roads", "survey"),
    ("homes", "file"),
    ("ground", "file"),
    ("obstacles", "walls"),
    ("traffic", "file"),
    ("traffic", "fleet"),
)
"""Keys of the study that name files, by table."""

ENGAGEMENT_WORDS: dict[Engagement, str] = {
    "hand": "by hand",
    "pedal": "by pedal",
    "cruise": "by cruise control",
    "descent_control": "by descent control",
}

HABITS: dict[str, Habit] = {"lowest_that_holds": "lowest_that_holds", "always_full": "high"}


@dataclass(frozen=True)
class Prepared:
    """A study whose files are there."""

    path: Path
    study: Study
    inputs: SceneInputs
    counts: CountsFile | None
    profile_file: Path | None
    daily: CountsFile | None
    trucks: tuple[TruckClass, ...]
    practice: Practice
    periods: Periods
    zones: tuple[Zone, ...]
    files: dict[str, Path]  # file name as in the study -> where it lies
    hashes: dict[str, str]  # file name as in the study -> SHA-256
    shares_from: str = ""  # file that gave the shares of exhaust states, as in the study


def prepare(path: Path, *, allow_outside: bool = False) -> Prepared:
    """Read a study file and find everything that it names.

    Raises
    ------
    StudyError
        When a path leaves the study's folder without leave, or a name is unknown.
    MissingInputError
        With every file that is not there.
    """
    root = _real(path).parent
    try:
        study = load_study(path)
    except StudyError as error:
        absent = _absent_in_text(path, root)
        if not absent:
            raise
        problems = [*error.problems, *absent]
        raise StudyError("\n".join([str(error), *map(str, absent)]), problems) from error
    names = dict(_files(study))
    files = {key: root / name for key, name in names.items()}
    misnamed = _outside(path.name, names, files, root, allow_outside) + _unknown(path.name, study)
    missing = _missing(path.name, names, files)
    if misnamed or missing:
        problems = misnamed + missing
        kind = StudyError if misnamed else MissingInputError
        raise kind("\n".join(map(str, problems)), problems)
    if "traffic.trucks" in files:
        study = with_trucks(study, files["traffic.trucks"])
        problems = _unknown(path.name, study)
        if problems:
            raise StudyError("\n".join(map(str, problems)), problems)
    if "traffic.fleet" in files:
        study = with_fleet(study, files["traffic.fleet"])
    walls = files.get("obstacles.walls")
    inputs = SceneInputs(
        terrain_files=tuple(
            files[f"terrain.files[{number + 1}]"] for number in range(len(study.terrain.files))
        ),
        roads_file=files["roads.file"],
        homes_file=files["homes.file"],
        crs=study.study.crs,
        window=study.study.window,
        attribution=tuple(study.study.attribution),
        max_distance_m=study.run.max_distance_m,
        terrain_crs=study.terrain.crs,
        terrain_nodata=study.terrain.nodata,
        terrain_vertical_unit=study.terrain.vertical_unit,
        roads_survey_file=files.get("roads.survey"),
        roads_layer=study.roads.layer,
        roads_crs=study.roads.crs,
        roads_encoding=study.roads.encoding,
        roads_decimal=study.roads.decimal,
        roads_columns=study.roads.columns,
        road_class_words=study.roads.class_words,
        road_speed_unit=study.roads.speed_unit,
        road_classes=_tuple(study.roads.classes),
        truck_classes=_tuple(study.roads.truck_classes),
        road_names=_tuple(study.roads.names),
        road_width_m=study.roads.width_m,
        homes_source=study.homes.source,
        homes_layer=study.homes.layer,
        homes_crs=study.homes.crs,
        homes_encoding=study.homes.encoding,
        homes_decimal=study.homes.decimal,
        homes_columns=study.homes.columns,
        homes_kinds=study.homes.kinds,
        **_beside("outlines", study.homes.outlines, files.get("homes.outlines.file")),
        **_beside("population", study.homes.population, files.get("homes.population.file")),
        placement=study.homes.placement,
        receiver_height_m=study.homes.receiver_height_m,
        people_per_dwelling=study.homes.people_per_dwelling,
        people_total=study.homes.people_total,
        proxies=study.homes.proxies,
        proxy_people=study.homes.proxy_people,
        ground_file=files.get("ground.file"),
        ground_layer=study.ground.layer,
        ground_crs=study.ground.crs,
        ground_encoding=study.ground.encoding,
        ground_decimal=study.ground.decimal,
        ground_columns=study.ground.columns,
        ground_default_factor=study.ground.default_factor,
        foliage_height_m=study.ground.foliage_height_m,
        all_forest_dense=study.ground.all_forest_dense,
        industrial_sites=study.ground.industrial_sites,
        industrial_height_m=study.ground.industrial_height_m,
        walls_file=walls,
        walls_layer=study.obstacles.layer,
        walls_crs=study.obstacles.crs,
        walls_encoding=study.obstacles.encoding,
        walls_decimal=study.obstacles.decimal,
        walls_columns=study.obstacles.columns,
        obstacle_buildings=study.obstacles.buildings,
        assumed_wall_height_m=study.obstacles.assumed_wall_height_m,
        wall_reflection=study.obstacles.wall_reflection,
        building_reflection=study.obstacles.building_reflection,
    )
    return Prepared(
        path=path,
        study=study,
        inputs=inputs,
        counts=_counts(study, files.get("traffic.file")),
        profile_file=files.get("traffic.assumed.profile"),
        daily=_counts(study, files.get("traffic.assumed.by_road")),
        trucks=_trucks(study, files),
        practice=_practice(study),
        periods=Periods(
            study.traffic.periods.night,
            study.traffic.periods.evening,
            (
                ("home", study.traffic.periods.shift_sleep),
                *sorted(study.homes.hours.model_dump().items()),
            ),
        ),
        zones=tuple(
            Zone(
                name=zone.name,
                road=zone.road,
                from_m=zone.start,
                to_m=zone.end,
                hours=zone.hours,
                binds=zone.binds,
                observance=zone.observance,
                emergency_use=zone.emergency_use,
            )
            for zone in study.zone
        ),
        files={names[key]: file for key, file in sorted(files.items())},
        hashes=input_hashes(path, {names[key]: file for key, file in sorted(files.items())}),
        shares_from=names.get("traffic.fleet", ""),
    )


def _beside(name: str, table: PlainLayer | None, file: Path | None) -> dict[str, Any]:
    """Inputs of a layer that stands beside the homes."""
    if table is None:
        return {}
    return {
        f"{name}_file": file,
        f"{name}_layer": table.layer,
        f"{name}_crs": table.crs,
        f"{name}_columns": table.columns,
    }


def _counts(study: Study, file: Path | None) -> CountsFile | None:
    """The file of counts and how it is written."""
    if file is None:
        return None
    traffic = study.traffic
    return CountsFile(
        file, traffic.sheet, traffic.encoding, traffic.decimal, traffic.columns, traffic.classes
    )


def _files(study: Study) -> Iterator[tuple[str, str]]:
    for number, name in enumerate(study.terrain.files, start=1):
        yield f"terrain.files[{number}]", name
    yield "roads.file", study.roads.file
    yield "homes.file", study.homes.file
    for key, optional in (
        ("roads.survey", study.roads.survey),
        ("homes.outlines.file", study.homes.outlines.file if study.homes.outlines else None),
        ("homes.population.file", study.homes.population.file if study.homes.population else None),
        ("ground.file", study.ground.file),
        ("obstacles.walls", study.obstacles.walls),
        ("traffic.file", study.traffic.file),
        ("traffic.trucks", study.traffic.trucks),
        ("traffic.fleet", study.traffic.fleet),
        (
            "traffic.assumed.profile",
            study.traffic.assumed.profile if study.traffic.assumed is not None else None,
        ),
        (
            "traffic.assumed.by_road",
            study.traffic.assumed.by_road if study.traffic.assumed is not None else None,
        ),
    ):
        if optional is not None:
            yield key, optional
    for number, truck in enumerate(study.truck, start=1):
        if truck.model.endswith(".toml"):
            yield f"truck[{number}].model", truck.model


def results_folder(prepared: Prepared, output: Path | None, *, allow_outside: bool) -> Path:
    """Folder of the results, taken for them.

    The study's own folder of results stays inside the study's folder without leave.

    Raises
    ------
    StudyError
        When the study names a folder outside its own.
    CannotWriteError
        When the folder holds files of somebody else.
    """
    root = _real(prepared.path).parent
    folder = root / prepared.study.output.folder if output is None else output
    if output is None and not allow_outside and not _real(folder).is_relative_to(root):
        raise StudyError(
            f"{prepared.path.name}: output.folder: {prepared.study.output.folder}: lies outside "
            "the study's folder; name it with --output, or allow it with --allow-outside"
        )
    claim_folder(folder)
    return folder


def input_hashes(path: Path, files: Mapping[str, Path]) -> dict[str, str]:
    """SHA-256 of the study file and of every input by its name in the study."""
    hashes: dict[str, str] = {}
    for name, file in files.items():
        hashes |= hashes_of(name, file)
    hashes[path.name] = sha256_file(path)
    return hashes


def hashes_of(name: str, file: Path) -> dict[str, str]:
    """Hashes of a file and of those that belong to it, by name."""
    if file.is_dir():
        parts = sorted(part for part in file.iterdir() if part.suffix in (".gdbtable", ".gdbtablx"))
        return {name: sha256_json([[part.name, sha256_file(part)] for part in parts])}
    found = {name: sha256_file(file)}
    beside = SIDECARS.get(file.suffix.lower(), ())
    for part in sorted(file.parent.iterdir()) if beside else ():
        if part.stem == file.stem and part.suffix.lower() in beside:
            found[name[: -len(file.suffix)] + part.suffix] = sha256_file(part)
    return found


def _absent_in_text(path: Path, root: Path) -> list[Problem]:
    """Files named by a study that has other faults and are not there."""
    try:
        content = toml_content(path.read_text(encoding="utf-8-sig"))
    except (TomlError, UnicodeDecodeError, OSError):
        return []
    named = {}
    for table, key in NAMED_FILES:
        value = content.get(table, {}).get(key) if isinstance(content.get(table), dict) else None
        for text in value if isinstance(value, list) else [value]:
            if isinstance(text, str) and "://" not in text and "\0" not in text:
                named[f"{table}.{key}"] = text
    return _missing(path.name, named, {key: root / name for key, name in named.items()})


def _outside(
    where: str, names: dict[str, str], files: dict[str, Path], root: Path, allow_outside: bool
) -> list[Problem]:
    if allow_outside:
        return []
    cure = "it lies outside the study's folder; allow it with --allow-outside"
    return [
        Problem(where, key, names[key], "", cure)
        for key, file in files.items()
        if not all(_real(one).is_relative_to(root) for one in (file, *_read_with(file)))
    ]


def _read_with(file: Path) -> Iterator[Path]:
    """What libraries may read together with a file: what lies in it, and beside it by its name."""
    if not (is_there(file) and is_there(file.parent)):
        return
    if file.is_dir():
        yield from file.rglob("*")
    for other in file.parent.iterdir():
        if other.name.startswith(f"{file.stem}."):
            yield other


def _real(path: Path) -> Path:
    """Where a path leads, links followed; a circle of links leads to itself."""
    return Path(os.path.realpath(path))


def _like(file: Path) -> str:
    """Name of a file beside it that may be meant, as the end of a sentence."""
    folder = file.parent
    beside = [one.name for one in folder.iterdir()] if is_there(folder) and folder.is_dir() else []
    lower = {name.lower(): name for name in beside}
    close = difflib.get_close_matches(file.name.lower(), list(lower), 1)
    return f"; did you mean {lower[close[0]]}?" if close else ""


def _missing(where: str, names: dict[str, str], files: dict[str, Path]) -> list[Problem]:
    return [
        Problem(where, key, names[key], "", f"there is no file {file}{_like(file)}")
        for key, file in files.items()
        if not (
            is_there(file) and (file.is_file() or (file.suffix.lower() == ".gdb" and file.is_dir()))
        )
    ]


def _unknown(where: str, study: Study) -> list[Problem]:
    problems = [
        Problem(where, "criteria.use", name, ", ".join(criteria()))
        for name in study.criteria.use
        if name not in criteria()
    ]
    known = (*truck_names(), "a file ending in .toml")
    return problems + [
        Problem(where, f"truck[{number}].model", truck.model, ", ".join(known))
        for number, truck in enumerate(study.truck, start=1)
        if not truck.model.endswith(".toml") and truck.model not in truck_names()
    ]


def _trucks(study: Study, files: dict[str, Path]) -> tuple[TruckClass, ...]:
    found = [
        TruckClass(
            name=truck.name,
            model=_model(truck.model, files.get(f"truck[{number}].model")),
            mass=truck.mass,
            share=truck.share,
            retarder=truck.retarder,
            gearbox=truck.gearbox,
        )
        for number, truck in enumerate(study.truck, start=1)
    ]
    return tuple(one for truck in found for one in _by_engagement(truck, study))


def _by_engagement(truck: TruckClass, study: Study) -> list[TruckClass]:
    """A truck class shared out by how its retarder is worked, where the study says how."""
    shares = study.traffic.engagement_shares
    if shares is None or truck.retarder == "none":
        return [truck]
    return [
        replace(
            truck,
            name=f"{truck.name}, {words}",
            share=truck.share * getattr(shares, engagement),
            engagement=engagement,
        )
        for engagement, words in ENGAGEMENT_WORDS.items()
        if getattr(shares, engagement) > 0.0
    ]


def _model(name: str, file: Path | None) -> TruckModel:
    return packaged_truck(name) if file is None else truck_of_file(file)


def truck_of_file(file: Path) -> TruckModel:
    """The truck that a file describes.

    Raises
    ------
    StudyError
        When the file or a key in it is at fault.
    """
    try:
        table = read_toml(file)
    except BadDataError as error:
        raise StudyError(str(error)) from error
    try:
        return truck_from_table(table, file.stem)
    except NoisemapError as error:
        raise StudyError(f"{file.name}: {error}") from error


def _practice(study: Study) -> Practice:
    descent = study.descent
    return Practice(
        conditions=Conditions(descent.preset, descent.entry_temperature_c, descent.ambient_c),
        habit=HABITS[descent.stage_habit],
        assumed_speed=descent.assumed_speed_kmh / 3.6 if descent.assumed_speed_kmh else None,
        highest_speed=descent.highest_truck_speed_kmh / 3.6,
    )


def _tuple(names: list[str] | None) -> tuple[str, ...] | None:
    return None if names is None else tuple(names)
