"""The what-if table of a study: the base, and the part of its traffic that is heavy."""

from __future__ import annotations

from noisemap.exposure.passes import other_flows, traffic_emission
from noisemap.exposure.product import energy_at_receivers
from noisemap.scene.model import Scene
from noisemap.study.compute import Computed, traffic_of
from noisemap.study.prepare import Prepared
from noisemap.zones.what_if import NoTable, WhatIf, what_if


def study_what_if(prepared: Prepared, scene: Scene, computed: Computed) -> WhatIf | NoTable:
    """What a page needs to try any zone on the study's roads, or why it cannot."""
    base = computed.base
    flows, _ = traffic_of(prepared, scene)
    heavy = [one for one in other_flows(flows, base.classes) if one.vehicle_class == "heavy"]
    emission = traffic_emission(heavy, scene.stretches, base.temperature, base.practice)
    ends = [end for zone in prepared.zones for end in (zone.from_m, zone.to_m)]
    return what_if(base, computed.drives, energy_at_receivers(base.store, emission), ends)
