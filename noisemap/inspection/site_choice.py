"""From places that fit to sites: one distance a place, the best of neighbours, in order."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from noisemap.inspection.rule import Surface
from noisemap.inspection.site_criteria import (
    LOOK,
    MET,
    NOT_MET,
    STATES,
    Criterion,
    State,
    StateArray,
    counts_of_refusals,
    whole_state,
)
from noisemap.inspection.sites import NEAR, FloatArray, Places, choice
from noisemap.states import ExhaustState

BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.int64]
DISTANCE_FREE = ("retarders", "grade", "tunnel", "structure")
"""Conditions of the target point alone."""

Ambient = Callable[[FloatArray, FloatArray, tuple[int, ...]], tuple[Criterion, BoolArray]]


@dataclass(frozen=True)
class Found:
    """Places of one distance with everything known of them."""

    places: Places
    kinds: list[Surface]
    limit: FloatArray  # Table 1 [dB(A)]
    criteria: list[Criterion]
    passes: FloatArray  # braking passes in the hours [1]
    ambient: FloatArray  # (n, 24) [dB(A)]; nan where nothing was computed
    fits: BoolArray  # (n, hours)
    maxima: Mapping[ExhaustState, FloatArray]  # fast maximum of a braking pass [dB(A)]

    def with_sound(
        self,
        rows: IntArray,
        ambient: FloatArray,
        maxima: Mapping[Any, FloatArray],
        hours: tuple[int, ...],
        judge: Ambient,
    ) -> Found:
        """The same with the levels of some of its places."""
        item, fits = judge(ambient, self.limit[rows], hours)
        figure = np.full(len(self.places), np.nan)
        state = np.full(len(self.places), LOOK, dtype=np.int64)
        whole, all_fits = self.ambient.copy(), self.fits.copy()
        figure[rows], state[rows] = item.figure, item.state
        whole[rows], all_fits[rows] = ambient, fits
        loud = {}
        for key, values in maxima.items():
            loud[key] = np.full(len(self.places), np.nan)
            loud[key][rows] = values
        criterion = replace(item, figure=figure, state=state)
        return replace(
            self,
            criteria=[*self.criteria, criterion],
            ambient=whole,
            fits=all_fits,
            maxima=loud,
        )

    @property
    def state(self) -> StateArray:
        """Whether each place is refused, fits, or must be looked at."""
        return whole_state(self.criteria)


@dataclass(frozen=True)
class Check:
    """One condition at one site."""

    key: str
    name: str
    asked: str
    clause: str
    unit: str
    figure: float
    state: State


@dataclass(frozen=True)
class Site:
    """One site: the best of neighbouring places, or one that the user named."""

    name: str  # of the study's [[site]]; empty for one that was found
    road: int
    direction: int
    near_side: bool
    at_m: float
    from_m: float  # where the run of neighbouring places that fit begins
    to_m: float
    distance_ft: float
    target: tuple[float, float]
    microphone: tuple[float, float]
    surface: Surface
    limit: float
    passes: float  # braking passes in the hours
    hours: tuple[int, ...]  # in which the ambient fits
    maxima: Mapping[ExhaustState, float]
    checks: tuple[Check, ...]
    state: State

    @property
    def failed(self) -> tuple[Check, ...]:
        """Conditions that refuse the place."""
        return tuple(check for check in self.checks if check.state == "not met")

    def check(self, key: str) -> Check:
        """One of the conditions."""
        return next(check for check in self.checks if check.key == key)


@dataclass(frozen=True)
class Refusals:
    """How many places a condition refuses at the standard distance, alone or with others."""

    name: str
    asked: str
    clause: str
    places: int
    alone: int


@dataclass(frozen=True)
class Sites:
    """The answer: sites in order, what the user named, and what was refused and why."""

    sites: tuple[Site, ...]
    named: tuple[Site, ...]
    tried: int  # places: points along the lanes, on either side
    fitting: int  # of them with a distance at which nothing refuses them
    refusals: tuple[Refusals, ...]
    refused: FloatArray  # (n, 2) microphones at the standard distance [m]
    runs: int  # sites found, told or not
    hours: tuple[int, ...]
    notes: tuple[str, ...] = ()
    study: str = ""
    roads: tuple[str, ...] = ()  # how each road of the scene is called; untrusted text

    def with_words(self, notes: tuple[str, ...], study: str, roads: tuple[str, ...]) -> Sites:
        """The same with sentences about the study, and its roads called apart."""
        return replace(self, notes=notes, study=study, roads=roads)

    def road(self, site: Site) -> str:
        """How a site's road is called."""
        return self.roads[site.road] if site.road < len(self.roads) else f"road {site.road + 1}"


def called_apart(roads: Sequence[tuple[str, str]]) -> tuple[str, ...]:
    """Names of roads given with their ids: the id where another road bears the same name.

    >>> called_apart((("SR 77", "main"), ("CG-2", "CG-2"), ("CG-2", "CG-2 (2)")))
    ('SR 77', 'CG-2', 'CG-2 (2)')
    """
    names = [name for name, _ in roads]
    return tuple(name if names.count(name) == 1 else road_id for name, road_id in roads)


def still_open(found: Found) -> IntArray:
    """Places that are refused by nothing that another distance could not change."""
    fixed = [item.state == NOT_MET for item in found.criteria if item.key in DISTANCE_FREE]
    return np.flatnonzero((found.state == NOT_MET) & ~np.any(fixed, axis=0))


def with_places(found: Found, rows: IntArray, other: Found) -> Found:
    """The same with those of `other`, which stand for the places `rows`, that fit."""
    fits = np.flatnonzero(other.state != NOT_MET)
    at = rows[fits]

    def put(own: npt.NDArray[Any], new: npt.NDArray[Any]) -> npt.NDArray[Any]:
        out = own.copy()
        out[at] = new[fits]
        return out

    kinds = list(found.kinds)
    for place, row in zip(at.tolist(), fits.tolist(), strict=True):
        kinds[place] = other.kinds[row]
    names = Places.__dataclass_fields__
    return replace(
        found,
        places=Places(*(put(getattr(found.places, n), getattr(other.places, n)) for n in names)),
        kinds=kinds,
        limit=put(found.limit, other.limit),
        passes=put(found.passes, other.passes),
        criteria=[
            replace(item, figure=put(item.figure, new.figure), state=put(item.state, new.state))
            for item, new in zip(found.criteria, other.criteria, strict=True)
        ],
    )


def best_sites(
    found: Found,
    named: Sequence[tuple[str, Found]],
    hours: tuple[int, ...],
    most: int,
) -> Sites:
    """Sites in order, and why the other places are refused."""
    fits = found.state != NOT_MET
    names = counts_of_refusals([_at_fault(one, ~fits) for one in found.criteria])
    sites = [_site("", found, row, hours) for row in np.flatnonzero(fits).tolist()]
    runs = [_best_of(run) for run in _runs(sites)]
    runs.sort(key=_order)
    return Sites(
        sites=tuple(runs[:most]),
        named=tuple(_site(name, one, 0, hours) for name, one in named),
        tried=len(fits),
        fitting=int(fits.sum()),
        refusals=tuple(
            Refusals(item.name, item.asked, item.clause, *names[item.key])
            for item in found.criteria
        ),
        refused=found.places.microphone[~fits],
        runs=len(runs),
        hours=hours,
    )


def _at_fault(item: Criterion, wanted: BoolArray) -> Criterion:
    """A condition at some of the places."""
    return replace(item, figure=item.figure[wanted], state=item.state[wanted])


def _site(name: str, found: Found, row: int, hours: tuple[int, ...]) -> Site:
    places = found.places
    at = float(places.at_m[row])
    checks = tuple(
        Check(
            item.key, item.name, item.asked, item.clause, item.unit,
            float(item.figure[row]), STATES[int(item.state[row])],
        )
        for item in found.criteria
    )  # fmt: skip
    return Site(
        name=name,
        road=int(places.road[row]),
        direction=int(places.direction[row]),
        near_side=bool(places.side[row] == NEAR),
        at_m=at,
        from_m=at,
        to_m=at,
        distance_ft=float(places.distance_ft[row]),
        target=(float(places.target[row, 0]), float(places.target[row, 1])),
        microphone=(float(places.microphone[row, 0]), float(places.microphone[row, 1])),
        surface=found.kinds[row],
        limit=float(found.limit[row]),
        passes=float(found.passes[row]),
        hours=tuple(np.array(hours)[found.fits[row]].tolist()),
        maxima={key: float(values[row]) for key, values in found.maxima.items()},
        checks=checks,
        state=STATES[int(found.state[row])],
    )


def _runs(sites: Sequence[Site]) -> list[list[Site]]:
    """Neighbouring places of one lane and side, in pieces of bounded length."""
    step, longest = choice("step_m"), choice("merge_m")
    runs: list[list[Site]] = []
    for site in sites:
        last = runs[-1] if runs else None
        same = last is not None and (
            (last[-1].road, last[-1].direction, last[-1].near_side)
            == (site.road, site.direction, site.near_side)
            and site.at_m - last[-1].at_m <= 1.5 * step
            and site.at_m - last[0].at_m <= longest
        )
        if same and last is not None:
            last.append(site)
        else:
            runs.append([site])
    return runs


def _best_of(run: Sequence[Site]) -> Site:
    best = min(run, key=_order)
    return replace(best, from_m=run[0].at_m, to_m=run[-1].at_m)


def _order(site: Site) -> tuple[float, ...]:
    """Order of sites: nothing to look at first, near side, hours, passes, room, distance."""
    return (
        float(site.state != STATES[MET]),
        float(not site.near_side),
        -float(len(site.hours)),
        -round(site.passes),
        -round(min(site.check("open_radius").figure - site.distance_ft, 100.0)),
        abs(site.distance_ft - 50.0),
        site.check("flat").figure,
    )
