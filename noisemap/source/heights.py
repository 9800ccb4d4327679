"""At which height above the road each part of a vehicle radiates."""

from __future__ import annotations

from typing import Literal, get_args

from noisemap.data_tables import toml_table
from noisemap.errors import OutOfDomainError

Part = Literal["rolling", "propulsion", "exhaust"]
Outlet = Literal["stack", "under_chassis"]

OUTLETS: tuple[Outlet, ...] = get_args(Outlet)


def source_height(part: Part, outlet: Outlet = "stack") -> float:
    """Height of a part's point source above the road.

    Parameters
    ----------
    part : {"rolling", "propulsion", "exhaust"}
        What radiates.
    outlet : {"stack", "under_chassis"}
        Where the exhaust ends; no matter for the other parts.

    Returns
    -------
    float
        Height. [m]

    Raises
    ------
    OutOfDomainError
        For an unknown part or outlet.

    References
    ----------
    own-assumption : 0.5 m for rolling and propulsion, where the Directive has 0.05 m
    engine-practice : outlet of a stack 3.5 to 4 m

    Examples
    --------
    >>> source_height("rolling"), source_height("exhaust", "stack")
    (0.5, 3.7)
    """
    heights = toml_table("noisemap.source", "vehicles.toml")["height_m"]
    key = f"exhaust_{outlet}" if part == "exhaust" else part
    if key not in heights:
        raise OutOfDomainError(
            f"source height: {part!r} with outlet {outlet!r} is not allowed "
            f"(allowed: rolling, propulsion, exhaust; outlets {', '.join(OUTLETS)})"
        )
    return float(heights[key]["value"])
