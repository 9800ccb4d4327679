"""The fleet behind the readings: shares and spreads of quiet, worn and straight exhausts.

A mixture of three normal distributions of the level at 50 ft, fitted by Gibbs
sampling, so that every share has an interval.  Rows whose exhaust was looked at
keep their group; the level decides the others.  A programme that looks only at
loud trucks does no harm to the shares, because what is looked at then depends
on the level, which the mixture knows; passes that were not measured because
they were quiet do.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr, ndtri

from noisemap.data_tables import toml_table
from noisemap.errors import BadDataError
from noisemap.inspection.rule import PACKAGE, level_at_50_ft
from noisemap.inspection.verdict import Inspection
from noisemap.inspection.visual import exhaust_group

FloatArray = npt.NDArray[np.float64]
Group = Literal["quiet", "worn", "straight"]
GROUPS: tuple[Group, ...] = ("quiet", "worn", "straight")

CHAINS = 10
BURN_IN = 150
KEPT = 200
TAIL = 0.05
"""Share of the samples beyond each end of an interval: 90 % intervals."""


@dataclass(frozen=True)
class Interval:
    """A value with its 90 % interval."""

    value: float
    low: float
    high: float


@dataclass(frozen=True)
class Draws:
    """Samples of the mixture; sample first, group last (quiet, worn, straight)."""

    share: FloatArray
    mean: FloatArray
    spread: FloatArray


@dataclass(frozen=True)
class FleetRows:
    """Readings that count for the fleet: levels at 50 ft, groups seen, what was left out."""

    level: FloatArray
    group: npt.NDArray[np.intp]
    """Index of the group seen, -1 where nobody looked."""
    after_treatment: int
    muffled: int
    left_out: dict[str, int]


def _prior(name: str) -> dict[str, Any]:
    entry: dict[str, Any] = toml_table(PACKAGE, "fleet.toml")[name]
    return entry


def fleet_rows(inspections: Sequence[Inspection]) -> FleetRows:
    """Rows of valid highway passes with the retarder heard.

    Raises
    ------
    BadDataError
        When too few rows are left.
    """
    levels, groups, quiet_seen = [], [], []
    left_out = {"not valid": 0, "stationary run": 0, "retarder not heard": 0}
    for item in inspections:
        reading = item.reading
        if reading.run != "highway":
            left_out["stationary run"] += 1
        elif item.verdict == "not valid":
            left_out["not valid"] += 1
        elif not reading.text("retarder_heard_by"):
            left_out["retarder not heard"] += 1
        else:
            levels.append(_level(item))
            seen = exhaust_group(reading)
            groups.append(GROUPS.index(seen) if seen in GROUPS else -1)
            quiet_seen.append(reading.text("exhaust_condition"))
    fewest = int(_prior("fewest_readings")["value"])
    if len(levels) < fewest:
        told = ", ".join(f"{count} {why}" for why, count in left_out.items() if count)
        raise BadDataError(
            f"{len(levels)} valid passes with the retarder heard; a fleet needs {fewest} or more"
            + (f" (left out: {told})" if told else "")
        )
    return FleetRows(
        np.array(levels),
        np.array(groups),
        quiet_seen.count("after-treatment"),
        quiet_seen.count("muffler sound"),
        left_out,
    )


def _level(item: Inspection) -> float:
    reading = item.reading
    level, distance, surface = (
        reading.value("reading_dba"),
        reading.value("distance"),
        reading.surface,
    )
    assert level is not None
    assert distance is not None
    assert surface is not None
    corrected = level_at_50_ft(level, distance, "highway", surface)
    assert corrected is not None
    return corrected


def sample_mixture(level: FloatArray, group: npt.NDArray[np.intp], seed: int) -> Draws:
    """Samples of shares, means and spreads given levels and the groups seen.

    The means keep their order: worn above quiet, straight above worn.
    """
    rng = np.random.default_rng(seed)
    centre, pull = _mean_prior(level)
    pseudo = float(_prior("within_group_db")["weight"])
    usual = float(_prior("within_group_db")["value"]) ** 2
    alpha = float(_prior("share_weight")["value"])
    known = np.eye(3)[np.maximum(group, 0)] * (group >= 0)[:, None]
    share = np.full((CHAINS, 3), 1.0 / 3.0)
    mean = np.sort(centre + rng.normal(0.0, 2.0, (CHAINS, 3)), axis=1)
    spread = np.full((CHAINS, 3), np.sqrt(usual))
    kept: list[tuple[FloatArray, FloatArray, FloatArray]] = []
    for step in range(BURN_IN + KEPT):
        member = _members(rng, level, known, group >= 0, share, mean, spread)
        count = member.sum(axis=1)
        share = rng.gamma(alpha + count)
        share /= share.sum(axis=1, keepdims=True)
        total = np.einsum("cnk,n->ck", member, level)
        mean = _ordered_means(rng, mean, count, total, spread, centre, pull)
        off = np.einsum("cnk,cnk->ck", member, (level[None, :, None] - mean[:, None, :]) ** 2)
        spread = np.sqrt((off + pseudo * usual) / 2.0 / rng.gamma((count + pseudo) / 2.0))
        if step >= BURN_IN:
            kept.append((share, mean, spread))
    return Draws(*(np.concatenate(values) for values in zip(*kept, strict=True)))


def _mean_prior(level: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Prior centre of each mean, and its pull (one over its variance)."""
    low = float(np.median(level))
    worn, straight = _prior("worn_over_quiet_db"), _prior("straight_over_quiet_db")
    centre = low + np.array([0.0, float(worn["value"]), float(straight["value"])])
    spread = np.array(
        [float(_prior("quiet_spread_db")["value"]), worn["spread"], straight["spread"]]
    )
    return centre, 1.0 / spread**2


def _members(
    rng: np.random.Generator,
    level: FloatArray,
    known: FloatArray,
    seen: npt.NDArray[np.bool_],
    share: FloatArray,
    mean: FloatArray,
    spread: FloatArray,
) -> FloatArray:
    """One draw of every reading's group, as ones and zeros; chain, reading, group."""
    off = (level[None, :, None] - mean[:, None, :]) / spread[:, None, :]
    weight = np.log(share / spread)[:, None, :] - 0.5 * off**2
    weight = np.exp(weight - weight.max(axis=2, keepdims=True))
    upto = np.cumsum(weight, axis=2)
    drawn = (rng.random((*upto.shape[:2], 1)) * upto[:, :, -1:] > upto).sum(axis=2)
    member: FloatArray = np.eye(3)[np.minimum(drawn, 2)]
    member[:, seen] = known[seen]
    return member


def _ordered_means(
    rng: np.random.Generator,
    mean: FloatArray,
    count: FloatArray,
    total: FloatArray,
    spread: FloatArray,
    centre: FloatArray,
    pull: FloatArray,
) -> FloatArray:
    """One draw of the means, each between its neighbours."""
    out = mean.copy()
    for k in range(3):
        weight = count[:, k] / spread[:, k] ** 2 + pull[k]
        middle = (total[:, k] / spread[:, k] ** 2 + centre[k] * pull[k]) / weight
        scale = 1.0 / np.sqrt(weight)
        low = ndtr((out[:, k - 1] - middle) / scale) if k > 0 else np.zeros(len(out))
        high = ndtr((out[:, k + 1] - middle) / scale) if k < 2 else np.ones(len(out))
        point = np.clip(low + rng.random(len(out)) * (high - low), 1e-12, 1.0 - 1e-12)
        out[:, k] = middle + scale * ndtri(point)
    return np.sort(out, axis=1)


def interval(values: FloatArray) -> Interval:
    """Mean of samples with their 90 % interval."""
    low, high = np.quantile(values, [TAIL, 1.0 - TAIL])
    return Interval(float(values.mean()), float(low), float(high))


def quiet_split(rows: FleetRows, study: tuple[float, float]) -> tuple[tuple[float, float], bool]:
    """After-treatment and muffled as parts of the quiet share, and whether the readings tell.

    Levels cannot tell them apart; the exhausts that were looked at can, when
    there are enough of them.  Otherwise the study's own split is kept.

    >>> import numpy as np
    >>> few = FleetRows(np.zeros(0), np.zeros(0, int), 3, 1, {})
    >>> quiet_split(few, (0.5, 0.42))[1]
    False
    >>> quiet_split(FleetRows(np.zeros(0), np.zeros(0, int), 30, 10, {}), (0.5, 0.42))
    ((0.75, 0.25), True)
    """
    seen = rows.after_treatment + rows.muffled
    if seen >= int(_prior("fewest_for_the_split")["value"]):
        return (rows.after_treatment / seen, rows.muffled / seen), True
    total = sum(study)
    if total <= 0.0:
        return (0.0, 1.0), False
    return (study[0] / total, study[1] / total), False


def exhaust_shares(
    quiet: float, worn: float, straight: float, split: tuple[float, float]
) -> dict[str, float]:
    """The four shares of a study, to four digits, with the sum of exactly one.

    >>> exhaust_shares(0.9, 0.06, 0.04, (0.5, 0.5))
    {'after_treatment': 0.45, 'muffled': 0.45, 'worn': 0.06, 'straight': 0.04}
    """
    shares = {
        "after_treatment": quiet * split[0],
        "muffled": quiet * split[1],
        "worn": worn,
        "straight": straight,
    }
    whole = {name: round(10_000 * share) for name, share in shares.items()}
    largest = max(whole, key=lambda name: whole[name])
    whole[largest] += 10_000 - sum(whole.values())
    return {name: count / 10_000 for name, count in whole.items()}


def energy_means(draws: Draws) -> FloatArray:
    """Energy mean of a group's passes, from mean and spread of its levels, relative [1]."""
    natural = np.log(10.0) / 10.0
    return np.asarray(np.exp(natural * draws.mean + (natural * draws.spread) ** 2 / 2.0))


def repair_gain(draws: Draws, repaired: float) -> Interval:
    """How much quieter the energy mean of braking passes gets at the roadside [dB].

    `repaired` is the share of worn and straight exhausts that become quiet ones.
    """
    energy = energy_means(draws)
    before = (draws.share * energy).sum(axis=1)
    moved = repaired * draws.share[:, 1:]
    after = before - (moved * (energy[:, 1:] - energy[:, :1])).sum(axis=1)
    return interval(10.0 * np.log10(before / after))


def found_per_hour(draws: Draws, inspected_per_hour: float) -> Interval:
    """Worn and straight exhausts among the trucks inspected in an hour [1/h]."""
    return interval(inspected_per_hour * draws.share[:, 1:].sum(axis=1))
