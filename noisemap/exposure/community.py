"""What a study finds beyond levels: character, rooms, own hours, who gets louder, certainty."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True)
class CharacterGroup:
    """Character of one synthesised pass, at 15 m or at homes that are much alike."""

    place: str  # "beside the road", or what is lost on the way to the homes
    from_m: float  # distance to the loudest stretch [m]
    to_m: float
    exhaust_state: str
    homes: int  # in the group; 0 at 15 m
    people: float
    loudest_home: int  # whose paths stand for the group, index into Homes; -1 at 15 m
    l_a_eq: float  # of the part of the pass that is assessed [dB]
    c_less_a: float | None  # [dB]; None where the method does not use it
    impulse_less_a: float | None  # [dB]
    tone_hz: float | None  # third that stands out most, nominal [Hz]
    tone_excess: float | None  # [dB]
    prominence: float | None  # of the steepest onset [1]
    impulsive: float | None  # adjustments [dB]; None: not assessed by this method
    tonal: tuple[float, float] | None  # without and with tones below the lowest octave
    low_frequency: float | None
    total: tuple[float, float]  # as a range, equal where it is one figure [dB]


@dataclass(frozen=True)
class Character:
    """What one method says of the character of the loudest braking passes."""

    method: str  # what the study asked for
    title: str
    mark: str  # how well the method's source was seen
    groups: tuple[CharacterGroup, ...]
    home_group: npt.NDArray[np.int64]  # per home: place in `groups`, -1 where not assessed
