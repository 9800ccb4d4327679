"""How a retarder is worked: by hand, with the brake pedal, by cruise or descent control."""

from __future__ import annotations

from typing import Any, Literal, get_args

import numpy as np
import numpy.typing as npt

from noisemap.data_tables import toml_table
from noisemap.errors import OutOfDomainError

FloatArray = npt.NDArray[np.float64]
Engagement = Literal["steady", "hand", "pedal", "cruise", "descent_control"]
Habit = Literal["lowest_that_holds", "low", "medium", "high"]
ENGAGEMENTS: tuple[Engagement, ...] = get_args(Engagement)


def engagement_habit(engagement: Engagement) -> Habit | None:
    """Switch position to which a way of working the retarder leads.

    Parameters
    ----------
    engagement : {"steady", "hand", "pedal", "cruise", "descent_control"}
        How the retarder is worked.

    Returns
    -------
    str or None
        Habit of the drive; None where the practice's own counts.

    Raises
    ------
    OutOfDomainError
        If the way is unknown.

    References
    ----------
    own-assumption : positions

    Examples
    --------
    >>> engagement_habit("hand"), engagement_habit("steady")
    ('high', None)
    """
    habit: Habit = _entry(engagement)["habit"]
    return None if engagement == "steady" else habit


def wheel_share(engagement: Engagement) -> float:
    """Share of the retarding work that the wheel brakes take while both are on.

    Parameters
    ----------
    engagement : {"steady", "hand", "pedal", "cruise", "descent_control"}
        How the retarder is worked.

    Returns
    -------
    float
        Share. [1] 0 to 1.

    Raises
    ------
    OutOfDomainError
        If the way is unknown.

    References
    ----------
    own-assumption : share

    Examples
    --------
    >>> wheel_share("pedal"), wheel_share("hand")
    (0.25, 0.0)
    """
    return float(_entry(engagement)["wheel_share"]["value"])


def holds_taken(
    engagement: Engagement,
    mass_kg: float,
    speed_ms: FloatArray,
    time_s: FloatArray,
    mean_w: FloatArray,
    full_w: FloatArray,
) -> FloatArray:
    """Expected number of times that the retarder takes hold again on each piece.

    With the full power on, the truck loses the band of speed at full less mean power;
    without it, the truck gains the band back at the mean power: one time each cycle.

    Parameters
    ----------
    engagement : {"steady", "hand", "pedal", "cruise", "descent_control"}
        How the retarder is worked.
    mass_kg : float
        Gross mass. [kg] Above 0.
    speed_ms : ndarray
        Speed on each piece. [m/s] Above 0.
    time_s : ndarray
        Time on each piece. [s] Above 0.
    mean_w : ndarray
        Mean power of the retarder. [W]
    full_w : ndarray
        Its power while it is on. [W]

    Returns
    -------
    ndarray
        Number; 0 where it is off, on all the time, or held evenly. [1]

    Raises
    ------
    OutOfDomainError
        If the way is unknown.

    References
    ----------
    own-model : kinetic energy of the band over the surplus of power
    own-assumption : band

    Examples
    --------
    >>> one = np.ones(1)
    >>> holds_taken("hand", 30e3, 15 * one, 100 * one, 1e5 * one, 2e5 * one).round(2)
    array([5.])
    """
    band = float(_entry(engagement)["band_kmh"]["value"]) / 3.6
    cycles = (mean_w > 0.0) & (full_w > mean_w * (1.0 + 1e-9))
    if band == 0.0:
        return np.zeros(len(time_s))
    lost = np.where(cycles, full_w - mean_w, 1.0)
    gained = np.where(cycles, mean_w, 1.0)
    cycle = mass_kg * speed_ms * band * (1.0 / lost + 1.0 / gained)
    return np.where(cycles, time_s / cycle, 0.0)


def _entry(engagement: str) -> dict[str, Any]:
    if engagement not in ENGAGEMENTS:
        raise OutOfDomainError(
            f"engagement {engagement!r} is not allowed (allowed: {', '.join(ENGAGEMENTS)})"
        )
    found: dict[str, Any] = toml_table("noisemap.descent", "engagement.toml")[engagement]
    return found
