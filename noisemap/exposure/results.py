"""What a study finds, as plain tables: the hand-over from the models to the outputs."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from noisemap.exposure.community import Character
from noisemap.states import Zone

FloatArray = npt.NDArray[np.float64]


VERDICT_ORDER = (
    "refused for brakes",
    "needs an engineering study",
    "worth signing",
    "not worth signing",
)
"""Verdicts on zones in the order in which they are told."""


def told_before(verdict: str, spared: float) -> tuple[int, float]:
    """Sorting key of a zone: by its verdict, then by what it spares.

    >>> sorted([("worth signing", 9.0), ("refused for brakes", 1.0)], key=lambda z: told_before(*z))
    [('refused for brakes', 1.0), ('worth signing', 9.0)]
    """
    place = VERDICT_ORDER.index(verdict) if verdict in VERDICT_ORDER else len(VERDICT_ORDER)
    return place, -spared


@dataclass(frozen=True)
class Interval:
    """A figure with its 90 % interval."""

    best: float
    low: float
    high: float


@dataclass(frozen=True)
class HomeLevels:
    """Indicators at every home for one scenario; one value a home, at its loudest facade."""

    l_dn: FloatArray  # braking trucks: day-night level, night 22-7 [dB]
    l_den: FloatArray  # day-evening-night level, evening 19-23, night 23-7 [dB]
    l_night: FloatArray  # night of the study's own hours [dB]
    l_eq_worst_hour: FloatArray  # loudest hour of the 24 [dB]
    worst_hour: npt.NDArray[np.int64]  # which hour it is, 0-23
    l_a_max: FloatArray  # loudest pass class that occurs, A-weighted, fast [dB]
    passes_night: Mapping[int, FloatArray]  # level [dB] -> braking passes a night above it
    l_eq_traffic: FloatArray  # all modelled traffic, 24 h energy mean [dB]
    l_den_traffic: FloatArray
    l_night_traffic: FloatArray
    l_night_total: FloatArray | None  # with the background, where one was given
    l_own: FloatArray | None = None  # braking trucks in the hours of each kind of place [dB]
    passes_own: Mapping[int, FloatArray] = field(default_factory=dict)
    # level [dB] -> braking passes above it in the hours of each kind of place
    passes_inside: Mapping[float, FloatArray] = field(default_factory=dict)
    # facade difference [dB] -> braking passes a night above the bedroom's maximum inside


@dataclass(frozen=True)
class BrakeRow:
    """The brakes of one truck weight on one descent under one rule."""

    truck: str
    mass_kg: float
    road: str
    condition: str  # one of `zones.conditions.CONDITIONS`
    peak_free_c: float  # retarder used wherever it helps [°C]
    peak_zone_c: float  # retarder silent in the zone [°C]
    peak_none_c: float  # no retarder on the whole descent [°C]
    stop_c: float  # heat of one full stop, counted in the three peaks [°C]
    hard_limit_c: float
    planning_limit_c: float
    peak_at_m: float  # chainage where the zone's peak stands [m]
    equipped: bool = True  # False: a truck without a retarder, the baseline beside the others
    direction: int = 1  # 1 with the road's points, -1 against them
    entry_c: float = float("nan")  # with which the truck comes to the road, as driven free

    @property
    def forbids(self) -> bool:
        """Whether the zone takes this truck over a limit, planning or hard, that it kept before."""
        return any(
            self.peak_zone_c > limit >= self.peak_free_c
            for limit in (self.planning_limit_c, self.hard_limit_c)
        )


@dataclass(frozen=True)
class ZoneResult:
    """One zone against no zone."""

    zone: Zone
    levels: HomeLevels
    quieter_by: FloatArray  # per home: night level of braking trucks before minus after [dB]
    people_passes: Mapping[int, Interval]  # level [dB] -> people x passes a night spared
    people_over: Mapping[str, tuple[Interval, Interval]]  # criterion -> before, after
    people_within_2db: Mapping[str, float]  # criterion -> people within 2 dB of the line, after
    people_helped: Interval  # quieter by 1 dB or more
    people_louder: float
    brakes: tuple[BrakeRow, ...]
    # "refused for brakes" | "worth signing" | "not worth signing" | "needs an engineering study"
    verdict: str
    sentence: str
    reasons: tuple[str, ...] = ()
    quieter_bounds: tuple[FloatArray, FloatArray] | None = None
    # per home: 90 % interval of the fall of its night level [dB]
    quieter_interval: Interval | None = None  # people-weighted mean of quieter_by [dB]
    gain_with_background: Mapping[int, Interval] = field(default_factory=dict)
    # assumed background [dB] -> people-weighted fall of the total night level [dB]
    quieter_total: Interval | None = None
    # people-weighted fall of the total night level with the study's own background [dB]


@dataclass(frozen=True)
class LevelArea:
    """Areas between two levels as polygons in the study's coordinate system."""

    low: float  # [dB]
    high: float
    rings: tuple[tuple[FloatArray, ...], ...]  # polygons: outer ring, then holes, each (n, 2)


@dataclass(frozen=True)
class DriveRow:
    """What one truck weight does on one stretch of its descent."""

    stretch: int
    speed_kmh: float
    engine_speed_rpm: float
    braking_cylinders: float  # mean over time while braking
    duty: float  # share of time with the retarder on
    brake_temperature_c: float


@dataclass(frozen=True)
class SensitivePlace:
    """A school, clinic, hotel or the like in its own hours, without any zone."""

    home: int  # index into Homes
    kind: str
    hours: frozenset[int]
    l_eq_braking: float  # braking trucks in these hours, loudest facade [dB]
    l_eq_traffic: float  # all modelled traffic [dB]
    passes: Mapping[int, float]  # level [dB] -> braking passes in these hours above it


@dataclass(frozen=True)
class Findings:
    """Everything a run found; the outputs only format it."""

    study_name: str
    units: str
    before: HomeLevels
    zones: tuple[ZoneResult, ...]
    areas: tuple[LevelArea, ...]  # l_a_max of braking trucks without any zone
    areas_indicator: str
    drive: Mapping[str, tuple[DriveRow, ...]]  # truck name -> rows along its descents
    people_by_band: Mapping[str, Mapping[str, float]]  # indicator -> band label -> people
    far_people: float  # people beyond 1000 m of every braking stretch
    home_flags: tuple[tuple[str, ...], ...]  # per home: near grazing, beyond 1000 m, ...
    answer: str  # the sentence that answers the question
    cautions: tuple[str, ...]
    assumptions: tuple[str, ...]
    warnings: tuple[str, ...]
    method: tuple[str, ...]  # editions, readings, what they do not cover
    uncertainty: tuple[str, ...]
    sources: tuple[str, ...]  # reference keys
    gain_with_background: Mapping[int, Interval] = field(default_factory=dict)
    # assumed background [dB] -> people-weighted fall of the total night level [dB]
    optional_effects: Mapping[str, str] = field(default_factory=dict)
    alternatives: tuple[str, ...] = ()  # other ways to the same quiet, plain sentences
    l_night_long_term: FloatArray | None = None
    # per home: night level of braking trucks with the meteorological correction [dB]
    sensitive: tuple[SensitivePlace, ...] = ()
    home_halfwidth: FloatArray | None = None
    # per home: half the 90 % interval of its own levels [dB]; None where not computed
    home_terrain: FloatArray | None = None
    # per home: change of its night level over a twin of the terrain with its height error [dB]
    home_halving: tuple[FloatArray, FloatArray] | None = None
    # per home: how halved stretches move its night level and its loudest pass [dB]
    invented: bool = False  # whether the place and its data are made up
    character: Character | None = None  # None: the study did not ask for it
    own_hours: Mapping[str, frozenset[int]] = field(default_factory=dict)
    # kind of place -> the hours that `passes_own` counts
