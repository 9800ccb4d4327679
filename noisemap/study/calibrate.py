"""Measured levels at listed points against the levels of a study."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from noisemap.errors import BadDataError
from noisemap.exposure.arrivals import HillsAbove
from noisemap.exposure.passes import (
    PassClass,
    braking_classes,
    other_flows,
    pass_sound,
    traffic_emission,
)
from noisemap.exposure.product import PassLevels, energy_at_receivers, pass_levels
from noisemap.exposure.rules import rule
from noisemap.exposure.traffic import matching_roads
from noisemap.inspection.calibration import Calibration, calibrate, point_of
from noisemap.inspection.measured import Measured, Quantity, read_measured
from noisemap.levels import from_energy
from noisemap.outputs.inspection_calibration import (
    CAUTIONS,
    TITLES,
    calibration_json,
    calibration_lines,
    calibration_plot,
    calibration_table,
    correction_toml,
)
from noisemap.outputs.tables import csv_text
from noisemap.scene.crs import WGS84, project
from noisemap.scene.model import Scene
from noisemap.storage import FolderLock, sha256_file, write_bytes, write_json, write_text
from noisemap.study.compute import air_of, free_drives, traffic_of
from noisemap.study.findings import calibration_note
from noisemap.study.prepare import Prepared, prepare, results_folder
from noisemap.study.progress import Reporter
from noisemap.study.run import STORE_FOLDER, read_scene
from noisemap.transfer.build import build_store

FloatArray = npt.NDArray[np.float64]

FOLDER = "calibration"
LARGEST_OFFSET_DB = 6.0
"""What a study may state at most."""

ROUNDS = 4
"""Steps in which the offset is solved for; each takes out what the last left over."""


@dataclass(frozen=True)
class CalibrateResult:
    """What `noisemap calibrate` leaves."""

    folder: Path
    files: tuple[Path, ...]
    found: dict[Quantity, Calibration]
    stated_db: float  # the study's own offset, in the predictions
    offset_db: float | None  # what a study would have to state instead
    notes: tuple[str, ...]

    @property
    def summary(self) -> str:
        """The answer on one screen, and where the files are."""
        lines = [f"{TITLES[key]}:\n  " + "\n  ".join(calibration_lines(one))
                 for key, one in self.found.items()]  # fmt: skip
        lines += [self.proposal, *(f"- {text}" for text in (*self.notes, *CAUTIONS))]
        names = ", ".join(str(file) for file in self.files)
        return "\n".join(lines) + f"\nWritten: {names}"

    @property
    def proposal(self) -> str:
        """What could be stated, in a sentence."""
        if self.offset_db is None:
            return "No correction is proposed; nothing was changed."
        if abs(self.offset_db) > LARGEST_OFFSET_DB:
            return (
                f"A calibration_offset_db of {self.offset_db:+.1f} dB would be needed, more than "
                f"the {LARGEST_OFFSET_DB:g} dB that a study may state: look for the cause."
            )
        return (
            f"A study could state calibration_offset_db = {self.offset_db:.1f} (now "
            f"{self.stated_db:g}); nothing was changed."
        )

    @property
    def can_be_stated(self) -> bool:
        """Whether there is a correction that a study may state."""
        return self.offset_db is not None and abs(self.offset_db) <= LARGEST_OFFSET_DB

    def as_json(self) -> dict[str, Any]:
        """The answer as plain data."""
        return {
            "version": 1,
            "files": [str(file) for file in self.files],
            "quantities": {key: calibration_json(one) for key, one in self.found.items()},
            "stated_offset_db": self.stated_db,
            "proposed_offset_db": None if self.offset_db is None else round(self.offset_db, 1),
            "verdict": self.proposal,
            "notes": list(self.notes),
            "cautions": list(CAUTIONS),
        }


@dataclass(frozen=True)
class Predictor:
    """What the points' levels follow from."""

    prepared: Prepared
    scene: Scene
    rows: tuple[Measured, ...]
    classes: tuple[PassClass, ...]
    store: Any
    drives: Any
    temperature: float
    other: FloatArray  # (row, 24) energy of the other traffic

    def passes(self, offset: float) -> PassLevels:
        """Levels of every pass at every row, with an offset of the exhausts [dB]."""
        sound = pass_sound(
            self.classes, self.drives, self.scene.stretches, self.prepared.trucks,
            temperature=self.temperature, calibration_offset=offset,
        )  # fmt: skip
        return pass_levels(self.store, sound)

    def traffic(self, levels: PassLevels, row: int) -> float:
        """Level of all modelled traffic in the hours of a row [dB(A)]."""
        counts = np.array([one.per_hour for one in self.classes]).reshape(-1, 24) / 3600.0
        hourly = levels.energy[row].astype(float) @ counts + self.other[row]
        return float(from_energy(np.array(hourly[list(self.rows[row].hours)].mean())))

    def maximum(self, levels: PassLevels, row: int) -> tuple[float, float]:
        """Mean fast maximum of the passes of a row's state [dB(A)], and the exhaust's share in it.

        The mean is over the truck classes, by their counts, on the row's road or on the
        one that is loudest there.
        """
        wanted = self.rows[row]
        own = [i for i, one in enumerate(self.classes) if one.exhaust_state == wanted.exhaust_state]
        if wanted.road:
            roads = matching_roads(wanted.road, self.scene.roads)
            own = [i for i in own if self.classes[i].road in roads]
        heard = [i for i in own if np.isfinite(levels.maximum[row, i])]
        if not heard:
            raise BadDataError(
                f"line {wanted.line}: {wanted.point}: no braking pass of a truck with this exhaust "
                "reaches the point within run.max_distance_m; look at road and exhaust_state"
            )
        first = max(heard, key=lambda i: float(levels.maximum[row, i]))
        key = self.classes[first].road, self.classes[first].direction
        same = [i for i in heard if (self.classes[i].road, self.classes[i].direction) == key]
        weight = np.array([self.classes[i].per_hour.sum() for i in same])
        weight = weight if weight.sum() > 0.0 else np.ones(len(same))
        level = float(np.average(levels.maximum[row, same].astype(float), weights=weight))
        share = float(np.average(levels.exhaust_share[row, same].astype(float), weights=weight))
        return level, share


def calibrate_study(
    path: Path,
    measured: Path,
    sheet: str | None,
    correction: Path | None,
    output: Path | None,
    reporter: Reporter,
    *,
    allow_outside: bool = False,
) -> CalibrateResult:
    """Bias and spread of a study's levels against measured ones, and what could be stated.

    Parameters
    ----------
    path : Path
        The study.
    measured : Path
        Measured levels, CSV or XLSX.
    sheet : str, optional
        Sheet of a workbook.
    correction : Path, optional
        File for the correction, where one is proposed.
    output : Path, optional
        Folder for the results; default: that of the study.
    reporter : Reporter
        Told of the progress.
    allow_outside : bool
        Whether the study may name files outside its folder.
    """
    rows = read_measured(measured, sheet)
    prepared = prepare(path, allow_outside=allow_outside)
    folder = results_folder(prepared, output, allow_outside=allow_outside)
    stated = prepared.study.source.calibration_offset_db
    with FolderLock(folder):
        predictor, notes = _predictor(prepared, rows, folder / STORE_FOLDER, reporter)
        found, left_out = compared(predictor, stated)
        offset = _offset(predictor, found.get("braking_maximum"), stated)
        notes += left_out
        reporter.stage("writing table and plot")
        result = CalibrateResult(
            folder, (), found, stated, offset, (*calibration_note(prepared), *notes)
        )
        files = _write(folder / FOLDER, result)
    if correction is not None and result.can_be_stated and offset is not None:
        write_text(correction, correction_toml(offset, _basis(measured, found)))
        files.append(correction)
    return replace(result, files=tuple(files))


def _predictor(
    prepared: Prepared, rows: tuple[Measured, ...], store: Path, reporter: Reporter
) -> tuple[Predictor, list[str]]:
    scene = read_scene(prepared, reporter)
    flows, notes = traffic_of(prepared, scene)
    drives = free_drives(prepared, scene, flows, HillsAbove(scene))
    classes = tuple(braking_classes(flows, prepared.trucks, drives, scene.stretches))
    air = air_of(prepared, scene)
    places = project(
        WGS84, scene.crs, np.array([row.lon for row in rows]), np.array([row.lat for row in rows])
    )
    points = np.column_stack([places, [row.height_m for row in rows]])
    _refuse_far(rows, points, prepared, scene)
    reporter.stage("sound paths from the roads to the points")
    built = build_store(
        store, scene, points, air, prepared.study.run.max_distance_m,
        memory_gb=prepared.study.run.memory_gb, progress=reporter.advance,
    )  # fmt: skip
    other = energy_at_receivers(
        built,
        traffic_emission(
            other_flows(flows, classes), scene.stretches, air.temperature, prepared.practice
        ),
    ).astype(float)
    return Predictor(prepared, scene, rows, classes, built, drives, air.temperature, other), notes


def _refuse_far(
    rows: Sequence[Measured], points: FloatArray, prepared: Prepared, scene: Scene
) -> None:
    reach = prepared.study.run.max_distance_m
    roads = np.column_stack([scene.stretches.x, scene.stretches.y])[scene.stretches.sounding]
    away, _ = cKDTree(roads).query(points[:, :2])
    far = [row for row, distance in zip(rows, away.tolist(), strict=True) if distance > reach]
    if far:
        told = "; ".join(f"line {row.line}: {row.point} at {row.lon:g}, {row.lat:g}" for row in far)
        raise BadDataError(
            f"no modelled road lies within {reach:g} m of {told}; "
            "check lon and lat (degrees), or leave the point out"
        )


def compared(predictor: Predictor, offset: float) -> tuple[dict[Quantity, Calibration], list[str]]:
    """Both quantities, each by itself, and sentences about rows that were left out.

    A maximum whose loudest moment is not the exhaust says nothing of it and is left out.
    """
    levels = predictor.passes(offset)
    points: dict[Quantity, list[Any]] = {}
    left_out = []
    for number, row in enumerate(predictor.rows):
        if row.quantity == "traffic":
            predicted = predictor.traffic(levels, number)
        else:
            predicted, share = predictor.maximum(levels, number)
            if share < rule("exhaust_led"):
                left_out.append(
                    f"{row.name} (line {row.line}) is left out: at its loudest moment the exhaust "
                    f"is {share:.0%} of the predicted sound"
                )
                continue
        points.setdefault(row.quantity, []).append(
            point_of(row.name, row.measured, row.residual, predicted)
        )
    return {key: calibrate(tuple(own)) for key, own in points.items()}, left_out


def _offset(predictor: Predictor, found: Calibration | None, stated: float) -> float | None:
    """Offset of the exhausts that takes the bias out; None where none is proposed [dB]."""
    if found is None or found.correction is None:
        return None
    offset, left = stated, found
    for _ in range(ROUNDS):
        if left.bias is None:
            break
        offset -= left.bias
        left = compared(predictor, offset)[0].get("braking_maximum", left)
    return offset


def _basis(measured: Path, found: dict[Quantity, Calibration]) -> str:
    one = found["braking_maximum"]
    counted = sum(point.counts for point in one.points)
    return (
        f"{counted} maxima of braking passes in {measured.name} (SHA-256 "
        f"{sha256_file(measured)[:16]}...): predictions minus measurements {one.bias:+.1f} dB, "
        f"90 % interval {one.bias_low:+.1f} to {one.bias_high:+.1f} dB, spread {one.spread:.1f} dB"
    )


def _write(folder: Path, result: CalibrateResult) -> list[Path]:
    files = []
    for key, one in result.found.items():
        files += [folder / f"{key}.csv", folder / f"{key}.png"]
        write_text(files[-2], csv_text(calibration_table(one)))
        write_bytes(files[-1], calibration_plot(one))
    files.append(folder / "calibration.json")
    write_json(files[-1], result.as_json())
    return files
