"""Passes of trucks whose auxiliary brake makes no noise of its own: throttle or driveline."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from noisemap.descent.drive import Drive
from noisemap.exposure.driving import TruckClass
from noisemap.exposure.passes import FREE, DriveKey, PassClass, driven_grade
from noisemap.exposure.rules import rule
from noisemap.exposure.traffic import Flow
from noisemap.scene.model import Stretches


def auxiliary_passes(
    flows: Sequence[Flow],
    trucks: Sequence[TruckClass],
    drives: Mapping[DriveKey, Drive],
    stretches: Stretches,
) -> tuple[PassClass, ...]:
    """Free passes of the trucks that use such a brake on a downgrade of their road.

    They stay in the other traffic with their tyres and engines; a rule on every
    auxiliary brake binds them all the same, and heats their wheel brakes.
    """
    found = []
    for flow in flows:
        if flow.vehicle_class != "heavy" or flow.exhaust_state is None:
            continue
        steep = driven_grade(stretches, flow) <= -rule("least_downgrade")
        for index, truck in enumerate(trucks):
            drive = drives.get((flow.road, flow.direction, index, FREE))
            if drive is None or truck.retarder in ("none", "compression_release"):
                continue
            if np.any((drive.retarder_share > 0.0) & steep):
                per_hour = flow.per_hour * truck.share
                found.append(
                    PassClass(flow.road, flow.direction, index, flow.exhaust_state, FREE, per_hour)
                )
    return tuple(found)
