"""What an inspection programme puts in, and its gain at the homes shared out over its hours."""

from __future__ import annotations

from dataclasses import dataclass

from noisemap.exposure.results import Interval


@dataclass(frozen=True)
class Effort:
    """What a programme puts in; every figure is stated by the user."""

    inspected_per_hour: float  # trucks [1/h]
    found: float  # share of the worn and straight exhausts among them that is found [1]
    repaired: float  # share of those found that is repaired [1]
    passes_a_day: float  # braking passes of one truck on the study's roads [1]

    @property
    def reached(self) -> float:
        """Share of all worn and straight exhausts that is repaired once every truck was seen [1].

        >>> Effort(10.0, 0.8, 0.5, 1.0).reached
        0.4
        """
        return self.found * self.repaired

    def repaired_per_hour(self, unmuffled: float) -> float:
        """Trucks repaired by an hour of inspection, where this share is worn or straight [1/h].

        >>> Effort(10.0, 0.8, 0.5, 1.0).repaired_per_hour(0.25)
        1.0
        """
        return self.inspected_per_hour * self.reached * unmuffled


@dataclass(frozen=True)
class HomesGain:
    """What a programme brings at the homes, whole and for one hour of inspection."""

    study: str  # its name; untrusted text
    effort: Effort
    people: float
    spared: Interval  # people times passes a night above the level
    helped: Interval  # people whose night level falls by 1 dB or more
    quieter: Interval  # fall of the night level of braking trucks, mean over the people [dB]
    louder: float  # people whose night level rises
    passes_a_day: float  # passes that become quiet [1]
    repaired_per_hour: Interval  # trucks repaired by one hour of inspection
    spared_per_hour: Interval  # people times passes a night that this spares from then on
    level_db: int  # outdoor maximum above which passes are counted
    samples: int
    seed: int


def scaled(figure: Interval, factor: float) -> Interval:
    """A figure with its interval, times a factor.

    >>> scaled(Interval(1.0, 0.5, 2.0), 2.0)
    Interval(best=2.0, low=1.0, high=4.0)
    """
    return Interval(factor * figure.best, factor * figure.low, factor * figure.high)


def spared_per_hour(
    effort: Effort, unmuffled: float, spared: Interval, passes_a_day: float
) -> Interval:
    """People times passes a night that the trucks repaired by one hour spare from then on.

    The gain of the whole programme is shared out over the passes that it makes quiet; each
    repaired truck takes its own passes a day out of it.  Where worn and straight exhausts
    are commoner an hour repairs more of more, so their share itself widens nothing here.

    >>> whole = Interval(200.0, 100.0, 400.0)
    >>> spared_per_hour(Effort(10.0, 1.0, 0.5, 2.0), 0.1, whole, 100.0)
    Interval(best=2.0, low=1.0, high=4.0)
    >>> spared_per_hour(Effort(10.0, 1.0, 0.0, 2.0), 0.1, Interval(0.0, 0.0, 0.0), 0.0)
    Interval(best=0.0, low=0.0, high=0.0)
    """
    if passes_a_day <= 0.0:
        return Interval(0.0, 0.0, 0.0)
    trucks = effort.repaired_per_hour(unmuffled)
    return scaled(spared, trucks * effort.passes_a_day / passes_a_day)
