"""Schools, clinics, hotels and the like in the hours that matter to them."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import numpy.typing as npt

from noisemap.community.indicators import equivalent_level
from noisemap.exposure.levels import PASS_LEVELS, Scenario, braking_passes_above, loudest
from noisemap.exposure.results import SensitivePlace
from noisemap.scene.model import Homes, Receivers

FloatArray = npt.NDArray[np.float64]


def sensitive_places(
    rule: Scenario,
    receivers: Receivers,
    homes: Homes,
    hours: Mapping[str, frozenset[int]],
    spread: float,
) -> tuple[SensitivePlace, ...]:
    """Levels and passes at every sensitive place in the hours of its kind.

    Parameters
    ----------
    rule : Scenario
        What is heard at the receivers.
    receivers, homes
        Of the scene.
    hours : mapping
        Hours of the day that count, by kind of home; other kinds are left out.
    spread : float
        Standard deviation of the passes' maxima [dB].
    """
    kinds = np.array(homes.kind)
    found: list[SensitivePlace] = []
    for kind, own in sorted(hours.items()):
        places = np.nonzero(kinds == kind)[0].tolist()
        if not places:
            continue
        braking = loudest(equivalent_level(rule.braking_by_hour, own), receivers, homes)
        traffic = loudest(equivalent_level(rule.traffic_by_hour, own), receivers, homes)
        passes = {
            level: loudest(braking_passes_above(rule, own, level, spread), receivers, homes)
            for level in PASS_LEVELS
        }
        found += [
            SensitivePlace(
                home,
                kind,
                own,
                float(braking[home]),
                float(traffic[home]),
                {level: float(values[home]) for level, values in passes.items()},
            )
            for home in places
        ]
    return tuple(sorted(found, key=lambda place: place.home))
