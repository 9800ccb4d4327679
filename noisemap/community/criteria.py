"""Published criteria: which indicator, which limit, which sound they speak of."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cache
from types import MappingProxyType

import numpy as np
import numpy.typing as npt

from noisemap.community.awakening import facade_differences
from noisemap.data_tables import toml_table
from noisemap.errors import OutOfDomainError


@dataclass(frozen=True)
class Criterion:
    """One published criterion."""

    key: str
    title: str
    indicator: str  # name of the indicator compared
    limit_db: float  # [dB]
    place: str  # "outdoor" or "indoor"
    land_use: str
    applies_to: str  # "total" or "road_traffic"
    counts_when: str  # "reached" or "exceeded"
    source: str  # reference key
    mark: str
    note: str


@cache
def criteria() -> Mapping[str, Criterion]:
    """All criteria by key.

    Returns
    -------
    mapping
        Key to criterion, in the order of the table.

    References
    ----------
    23cfr772 : highway noise abatement
    24cfr51 : housing
    epa-levels : activity and hearing
    who-2018 : health, with the editions of 1999 and 2009

    Examples
    --------
    >>> criteria()["housing_acceptable"].limit_db
    65.0
    """
    table = toml_table("noisemap.community", "criteria.toml")
    found = {}
    for key, row in table.items():
        limit = row["limit_db"]
        rest = {name: value for name, value in row.items() if name != "limit_db"}
        found[key] = Criterion(
            key, limit_db=limit["value"], source=limit["source"], mark=limit["mark"], **rest
        )
    return MappingProxyType(found)


def criterion(key: str) -> Criterion:
    """One criterion.

    Parameters
    ----------
    key : str
        Key from `criteria`.

    Returns
    -------
    Criterion
        The criterion.

    Raises
    ------
    OutOfDomainError
        For an unknown key.

    References
    ----------
    23cfr772 : highway noise abatement
    24cfr51 : housing
    epa-levels : activity and hearing
    who-2018 : health, with the editions of 1999 and 2009

    Examples
    --------
    >>> criterion("health_road_den").applies_to
    'road_traffic'
    """
    try:
        return criteria()[key]
    except KeyError:
        raise OutOfDomainError(
            f"criterion {key!r} is not allowed (allowed: {', '.join(criteria())})"
        ) from None


def outdoor_readings(rule: Criterion) -> tuple[Criterion, ...]:
    """What a criterion asks of the level outdoors.

    One for rooms asks for its limit and what a facade takes away: the yearly mean for a
    night level, else the window open, slightly open and closed, one reading each.  One
    for single events in rooms stays as it is: passes inside are counted by themselves.

    Parameters
    ----------
    rule : Criterion
        The criterion.

    Returns
    -------
    tuple of Criterion
        The criterion itself where it speaks of outdoors, else its readings there.

    References
    ----------
    who-1999 : 15 dB with the window slightly open
    who-2009 : 21 dB as a yearly mean, for night guidelines
    locher-2018 : medians of 10 and 28 dB with the window open and closed

    Examples
    --------
    >>> [one.limit_db for one in outdoor_readings(criterion("housing_goal_indoor"))]
    [55.0, 60.0, 73.0]
    >>> [one.limit_db for one in outdoor_readings(criterion("bedroom_indoor"))]
    [51.0]
    """
    if rule.place != "indoor" or rule.indicator == "l_a_max":
        return (rule,)
    table = toml_table("noisemap.community", "curves.toml")
    if rule.indicator == "l_night":
        differences = {
            "yearly mean of windows": float(table["yearly_night_difference_db"]["value"])
        }
    else:
        windows = ("window open", "window slightly open", "window closed")
        differences = dict(zip(windows, facade_differences(), strict=True))
    return tuple(
        replace(
            rule,
            title=f"{rule.title}, {rule.limit_db:g} dB inside, {words}, {difference:g} dB less "
            "than outdoors",
            place="outdoor",
            limit_db=rule.limit_db + difference,
        )
        for words, difference in differences.items()
    )


def over_limit(level: npt.ArrayLike, rule: Criterion) -> npt.NDArray[np.bool_]:
    """Whether levels count as over a criterion.

    Parameters
    ----------
    level : array_like
        Levels of the criterion's indicator, at its place. [dB]
    rule : Criterion
        The criterion.

    Returns
    -------
    ndarray of bool
        True where the limit is exceeded, or reached where the criterion says so.

    References
    ----------
    23cfr772 : an impact where the level reaches the criterion

    Examples
    --------
    >>> over_limit([67.0], criterion("traffic_abatement_b"))
    array([ True])
    >>> over_limit([65.0], criterion("housing_acceptable"))
    array([False])
    """
    levels = np.asarray(level, dtype=float)
    if rule.counts_when == "reached":
        return np.asarray(levels >= rule.limit_db)
    return np.asarray(levels > rule.limit_db)
