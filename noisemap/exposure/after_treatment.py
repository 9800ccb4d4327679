"""How many of the exhausts that work have after-treatment, and how sure that is.

A muffler with a particulate filter and a catalyst is so quiet that a rule which binds such
trucks gains little.  The unmuffled trucks have their own unknown; here only the trucks whose
exhaust works are parted, into those with after-treatment and those with a muffler alone.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
import numpy.typing as npt

from noisemap.data_tables import toml_table
from noisemap.errors import BadDataError
from noisemap.states import ExhaustState

FloatArray = npt.NDArray[np.float64]

MODEL_YEARS: tuple[str, ...] = ("before_2007", "from_2007", "from_2010")
ENDS = ("low", "value", "high")


class Passes(Protocol):
    """Passes of one exhaust state in the hours of a day."""

    @property
    def exhaust_state(self) -> ExhaustState:
        """State of the exhaust."""
        ...

    @property
    def per_hour(self) -> FloatArray:
        """Passes in each hour of the day [1/h]."""
        ...


@dataclass(frozen=True)
class AfterTreatmentShare:
    """Share of the working exhausts with after-treatment, as it stands, and its ends [1]."""

    low: float
    best: float
    high: float

    def numbers(self, share: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Factors on the numbers with after-treatment and with a muffler alone [1].

        >>> of = AfterTreatmentShare(0.25, 0.5, 0.75)
        >>> [float(one[0]) for one in of.numbers(np.array([0.75]))]
        [1.5, 0.5]
        """
        if self.low == self.high:
            return np.ones_like(share), np.ones_like(share)
        return share / self.best, (1.0 - share) / (1.0 - self.best)

    def draw(self, samples: int, rng: np.random.Generator) -> FloatArray:
        """Shares drawn from the triangle over low, best and high [1]."""
        if self.low == self.high:
            return np.full(samples, self.best)
        return rng.triangular(self.low, self.best, self.high, samples)


def share_by_model_year(trucks: Mapping[str, float]) -> tuple[float, float, float]:
    """Low, usual and high share with after-treatment of trucks of some model years [1].

    Parameters
    ----------
    trucks : mapping
        Share of the trucks by model year: `before_2007`, `from_2007`, `from_2010`. [1]

    Returns
    -------
    tuple
        The three shares, from the packaged shares by model year.

    References
    ----------
    own-assumption : after_treatment.toml

    Examples
    --------
    >>> [round(one, 3) for one in share_by_model_year({"before_2007": 0.5, "from_2010": 0.5})]
    [0.45, 0.475, 0.545]
    """
    table = toml_table("noisemap.exposure", "after_treatment.toml")["model_years"]
    low, value, high = (
        sum(share * float(table[years][end]) for years, share in trucks.items()) for end in ENDS
    )
    return low, value, high


def counted_share(passes: Sequence[Passes]) -> float | None:
    """Share with after-treatment of the braking passes with a working exhaust [1]; None of none."""
    number = {"after_treatment": 0.0, "muffled": 0.0}
    for one in passes:
        if one.exhaust_state in number:
            number[one.exhaust_state] += float(one.per_hour.sum())
    total = sum(number.values())
    return number["after_treatment"] / total if total > 0.0 else None


def share_with_ends(
    passes: Sequence[Passes], stated: tuple[float, float] | None
) -> AfterTreatmentShare | None:
    """Share of the counted passes with its ends: those stated, or the assumed ones.

    None where no braking truck has a working exhaust.  One number moves the passes of all
    roads alike; where all or none have after-treatment nothing can be moved.

    Raises
    ------
    BadDataError
        When the stated ends leave out the share of the counted passes, or part passes of
        which the counts know only one kind.
    """
    best = counted_share(passes)
    if best is None:
        return None
    only_one = best in (0.0, 1.0)
    if stated is None:
        width = float(toml_table("noisemap.exposure", "after_treatment.toml")["width"]["value"])
        if only_one:
            return AfterTreatmentShare(best, best, best)
        return AfterTreatmentShare(max(best - width, 0.0), best, min(best + width, 1.0))
    low, high = stated
    if not low - 1e-6 <= best <= high + 1e-6:
        raise BadDataError(
            f"[traffic.after_treatment]: {low:.0%} to {high:.0%} of the working exhausts leaves "
            f"out the {best:.0%} of the braking trucks in the traffic; correct the ends, the "
            'shares or the counts, or set counted_states = "replace" in [traffic]'
        )
    if only_one and low < high:
        raise BadDataError(
            "[traffic.after_treatment]: the traffic has no braking truck with "
            f"{'after-treatment' if best == 0.0 else 'a muffler alone'}, so {low:.0%} to "
            f"{high:.0%} cannot be weighed; give both states a share, or leave the table out"
        )
    return AfterTreatmentShare(min(low, best), best, max(high, best))
