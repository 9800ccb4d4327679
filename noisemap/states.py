"""The plain types that several floors hand each other: states, pulses' owners, zones."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal, get_args

ExhaustState = Literal["after_treatment", "muffled", "worn", "straight"]
RetarderKind = Literal["compression_release", "exhaust_throttle", "driveline", "none"]
VehicleClass = Literal["light", "medium", "heavy"]
Binds = Literal["unmuffled_compression_release", "compression_release", "every_auxiliary_brake"]

EXHAUST_STATES: tuple[ExhaustState, ...] = get_args(ExhaustState)
RETARDER_KINDS: tuple[RetarderKind, ...] = get_args(RetarderKind)
VEHICLE_CLASSES: tuple[VehicleClass, ...] = get_args(VehicleClass)
BINDS: tuple[Binds, ...] = get_args(Binds)

UNMUFFLED: tuple[ExhaustState, ...] = ("worn", "straight")
"""States that an unmuffled-only zone binds: no muffler, or one that leaks or is gutted."""


@dataclass(frozen=True)
class Zone:
    """A piece of road where some trucks may not use some retarders at some hours."""

    name: str
    road: str
    from_m: float
    to_m: float
    hours: frozenset[int] = field(default_factory=lambda: frozenset(range(24)))
    binds: Binds = "unmuffled_compression_release"
    observance: float = 0.7
    emergency_use: float = 0.0  # share of those who obey that use it all the same, to keep control

    @property
    def silent_share(self) -> float:
        """Share of the bound passes with the retarder silent in the zone.

        >>> z = Zone("town", "SR 1", 0.0, 100.0, observance=0.8, emergency_use=0.1)
        >>> round(z.silent_share, 2)
        0.72
        """
        return self.observance * (1.0 - self.emergency_use)

    def binds_truck(self, retarder: RetarderKind, exhaust_state: ExhaustState) -> bool:
        """Whether the zone forbids this truck's retarder.

        >>> z = Zone("town", "SR 1", 0.0, 100.0, binds="unmuffled_compression_release")
        >>> z.binds_truck("compression_release", "straight")
        True
        >>> z.binds_truck("compression_release", "muffled"), z.binds_truck("none", "straight")
        (False, False)
        """
        if retarder == "none":
            return False
        if self.binds == "every_auxiliary_brake":
            return True
        if retarder != "compression_release":
            return False
        return self.binds == "compression_release" or exhaust_state in UNMUFFLED
