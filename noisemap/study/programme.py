"""What a programme that repairs worn and straight exhausts brings at a study's homes."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import numpy.typing as npt

from noisemap.exposure.uncertainty import interval
from noisemap.inspection.programme import Effort, HomesGain, scaled, spared_per_hour
from noisemap.storage import FolderLock
from noisemap.study.compute import compute
from noisemap.study.model_exhausts import ExhaustShares
from noisemap.study.prepare import Prepared, prepare, results_folder
from noisemap.study.progress import Reporter
from noisemap.study.run import STORE_FOLDER, read_scene
from noisemap.zones.alternatives import programme
from noisemap.zones.verdict import LEADING_LEVEL

FloatArray = npt.NDArray[np.float64]


def homes_gain(
    path: Path,
    shares: ExhaustShares,
    shares_from: str,
    unmuffled: FloatArray,
    effort: Effort,
    results: Path | None,
    reporter: Reporter,
    *,
    allow_outside: bool = False,
) -> HomesGain:
    """Gain at a study's homes, its trucks with the shares of the readings.

    Parameters
    ----------
    path : Path
        The study; the shares stand in place of the exhaust states of its counts.
    shares : ExhaustShares
        Shares of the readings.
    shares_from : str
        Name of the file of readings.
    unmuffled : ndarray
        Samples of the share of worn and straight exhausts. [1]
    effort : Effort
        What the programme puts in.
    results : Path, optional
        Folder with the sound paths of an earlier run; default: that of the study.
    reporter : Reporter
        Told of the progress.
    allow_outside : bool
        Whether the study may name files outside its folder.

    Returns
    -------
    HomesGain
        Whole gain and gain of an hour, with 90 % intervals from paired samples; the number
        of unmuffled trucks follows the samples of the readings.
    """
    prepared = with_shares(prepare(path, allow_outside=allow_outside), shares, shares_from)
    folder = results_folder(prepared, results, allow_outside=allow_outside)
    seed = prepared.study.run.seed
    with FolderLock(folder):
        scene = read_scene(prepared, reporter)
        computed = compute(prepared, scene, folder / STORE_FOLDER, reporter)
    reporter.stage("the programme at the homes")
    draws = computed.base.draws
    drawn = np.random.default_rng(seed).choice(unmuffled, draws.samples)
    best = shares.worn + shares.straight
    factor = drawn / best if best > 0.0 else np.ones_like(drawn)
    base = replace(computed.base, draws=replace(draws, unmuffled_factor=factor))
    whole = programme(base, computed.drives, effort.reached)
    return HomesGain(
        study=prepared.study.study.name,
        effort=effort,
        people=float(scene.homes.people.sum()),
        spared=whole.spared,
        helped=whole.helped,
        quieter=whole.quieter,
        louder=whole.louder,
        passes_a_day=whole.passes_a_day,
        repaired_per_hour=scaled(interval(best, drawn), effort.repaired_per_hour(1.0)),
        spared_per_hour=spared_per_hour(effort, best, whole.spared, whole.passes_a_day),
        level_db=LEADING_LEVEL,
        samples=draws.samples,
        seed=seed,
    )


def with_shares(prepared: Prepared, shares: ExhaustShares, shares_from: str) -> Prepared:
    """The study with these shares for every heavy truck, counted states included."""
    states = "keep" if prepared.counts is None else "replace"
    traffic = prepared.study.traffic.model_copy(
        update={"exhaust_shares": shares, "counted_states": states, "after_treatment": None}
    )
    study = prepared.study.model_copy(update={"traffic": traffic})
    return replace(prepared, study=study, shares_from=shares_from)
