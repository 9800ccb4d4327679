"""Where a truck is heard from: distances and attenuations along one pass."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from noisemap.atmosphere import absorption_coefficient
from noisemap.bands import EXACT_HZ, N_BANDS
from noisemap.checks import require_between, require_positive
from noisemap.errors import OutOfDomainError, UsageError
from noisemap.exposure.driving import road_rows
from noisemap.scene.model import Scene
from noisemap.source.heights import Outlet, source_height
from noisemap.transfer.store import TransferStore

FloatArray = npt.NDArray[np.float64]

STEP_S = 0.02
"""Step of the track [s]."""

SILENT_DB = 300.0
"""Attenuation that stands for no path at all [dB]."""

HARD_GROUND_DB = -3.0
SPHERE_DB = 10.0 * float(np.log10(4.0 * np.pi))
LONGEST_S = 120.0


@dataclass(frozen=True)
class Track:
    """One pass: distances and attenuations of the exhaust and of the running noise."""

    time_s: FloatArray  # (n,) when the sound is sent, equal steps [s]
    distance_m: FloatArray  # (n,) from the outlet to the ear [m]
    image_m: FloatArray  # (n,) longer way by the ground [m]
    attenuation_db: FloatArray  # (n, 8) of the exhaust, spreading included [dB]
    running_db: FloatArray  # (n, 8) of rolling and propulsion noise [dB]
    speed_ms: float
    name: str
    along_m: FloatArray | None = None  # (n,) place on a study's road, from its upper end [m]

    @property
    def duration_s(self) -> float:
        """Duration [s]."""
        return float(self.time_s[-1] - self.time_s[0])

    def part(self, kept: npt.NDArray[np.bool_]) -> Track:
        """Some of its steps."""
        return Track(
            self.time_s[kept], self.distance_m[kept], self.image_m[kept],
            self.attenuation_db[kept], self.running_db[kept], self.speed_ms, self.name,
            None if self.along_m is None else self.along_m[kept],
        )  # fmt: skip


def straight_pass(
    distance_m: float,
    speed_ms: float,
    *,
    outlet: Outlet = "stack",
    ear_m: float = 1.2,
    screening_db: npt.ArrayLike = 0.0,
    temperature_c: float = 10.0,
    humidity_percent: float = 70.0,
    pressure_kpa: float = 101.325,
    seconds: float | None = None,
) -> Track:
    """Pass on a straight road over hard ground.

    Parameters
    ----------
    distance_m : float
        Shortest horizontal distance. [m] 3 to 2000.
    speed_ms : float
        Speed. [m/s] 1 to 45.
    outlet : {"stack", "under_chassis"}
        Where the exhaust ends.
    ear_m : float
        Height of the ear. [m] 0.5 to 50.
    screening_db : array_like
        What stands between, one value or eight octaves from 63 Hz on. [dB] 0 to 60.
    temperature_c, humidity_percent, pressure_kpa : float
        The air. [°C], [%], [kPa]
    seconds : float, optional
        Duration; by default until the level has fallen by 20 dB on either side. [s]

    Returns
    -------
    Track
        The pass.

    Raises
    ------
    OutOfDomainError
        For a figure outside its range.

    References
    ----------
    iso9613-2 : divergence, air absorption, -3 dB over hard ground
    moving-point-source : straight pass
    """
    require_between("distance", distance_m, 3.0, 2000.0, "m")
    require_between("speed", speed_ms, 1.0, 45.0, "m/s")
    require_between("height of the ear", ear_m, 0.5, 50.0, "m")
    extra = np.asarray(require_between("screening", screening_db, 0.0, 60.0, "dB"))
    if extra.shape not in ((), (N_BANDS,)):
        raise OutOfDomainError(
            f"screening: {extra.size} values are not allowed (allowed: one, or {N_BANDS} octaves)"
        )
    usual = min(max(20.0 * distance_m / speed_ms, 8.0), 60.0)
    whole = usual if seconds is None else seconds
    require_between("duration", whole, 2.0, LONGEST_S, "s")
    time = _times(whole)
    air = absorption_coefficient(temperature_c, humidity_percent, pressure_kpa, EXACT_HZ)

    def way(height: float) -> FloatArray:
        return np.asarray(np.sqrt(distance_m**2 + (speed_ms * time) ** 2 + (height - ear_m) ** 2))

    def attenuation(distance: FloatArray) -> FloatArray:
        spread = 20.0 * np.log10(distance)[:, None] + SPHERE_DB
        return np.asarray(spread + air * distance[:, None] + HARD_GROUND_DB + extra)

    height = source_height("exhaust", outlet)
    direct = way(height)
    return Track(
        time,
        direct,
        way(-height) - direct,
        attenuation(direct),
        attenuation(way(source_height("rolling"))),
        speed_ms,
        f"straight road, {distance_m:g} m",
    )


def home_pass(
    scene: Scene,
    store: TransferStore,
    receiver: int,
    road: int,
    direction: int,
    speed_ms: float,
    *,
    outlet_index: int = 1,
    seconds: float = 30.0,
) -> Track:
    """Pass at a receiver of a study: its own paths over terrain and past obstacles.

    Spreading follows the truck's place; what the store holds beyond spreading is
    carried from stretch to stretch.

    Parameters
    ----------
    scene : Scene
        The scene.
    store : TransferStore
        Its paths.
    receiver : int
        Index of the receiver. [1]
    road : int
        Index of the road. [1]
    direction : int
        1 with the chainage, -1 against it. [1]
    speed_ms : float
        Speed, the same all along. [m/s] 1 to 45.
    outlet_index : int
        Which of the store's heights the outlet has. [1]
    seconds : float
        Duration, about the nearest point. [s] 2 to 120.

    Returns
    -------
    Track
        The pass.

    Raises
    ------
    UsageError
        If no path leads from the road to the receiver.
    OutOfDomainError
        For a speed or duration outside its range.

    References
    ----------
    own-model : excess attenuation between the middles of the stretches, linear in dB
    """
    require_positive("speed", speed_ms, "m/s")
    require_between("speed", speed_ms, 1.0, 45.0, "m/s")
    require_between("duration", seconds, 2.0, LONGEST_S, "s")
    rows = road_rows(scene.stretches, road)
    paths = np.arange(store.pointer[receiver], store.pointer[receiver + 1])
    paths = paths[np.isin(store.stretch[paths], rows)]
    paths = paths[scene.stretches.sounding[store.stretch[paths]]]
    if not len(paths):
        raise UsageError("no sound path leads from this road to this home; choose another")
    stretches = scene.stretches
    ear = np.array([scene.receivers.x[receiver], scene.receivers.y[receiver]])
    middle = 0.5 * (stretches.from_m + stretches.to_m)
    along = direction * middle[rows]
    order = np.argsort(along)
    rows, along = rows[order], along[order]
    found = np.full(len(rows), -1)
    place = {int(stretch): number for number, stretch in enumerate(rows)}
    for path in paths:
        found[place[int(store.stretch[path])]] = path
    known = found >= 0
    path = found[known]
    flat = np.hypot(stretches.x[rows] - ear[0], stretches.y[rows] - ear[1])
    rise = np.sqrt(np.maximum(store.distance[path].astype(float) ** 2 - flat[known] ** 2, 0.0))
    nearest = along[known][np.argmin(store.distance[path])]
    time = _times(seconds)
    at = nearest + speed_ms * time
    x, y = (np.interp(at, along, values[rows]) for values in (stretches.x, stretches.y))
    lift = np.interp(at, along[known], rise)
    distance = np.sqrt((x - ear[0]) ** 2 + (y - ear[1]) ** 2 + lift**2)
    spread = 20.0 * np.log10(distance)[:, None] + SPHERE_DB

    def attenuation(height: int) -> FloatArray:
        values = np.full((len(rows), N_BANDS), np.nan)
        own = 20.0 * np.log10(store.distance[path].astype(float))[:, None] + SPHERE_DB
        with np.errstate(divide="ignore"):
            total = -10.0 * np.log10(store.t[path, height].astype(float))
        values[known] = np.minimum(total, SILENT_DB) - own
        values[~known] = SILENT_DB
        edge = (at < along[0]) | (at > along[-1])
        excess = np.stack([np.interp(at, along, column) for column in values.T], axis=1)
        return np.asarray(np.where(edge[:, None], SILENT_DB, spread + excess))

    height = float(store.heights[outlet_index])
    image = 2.0 * height * float(scene.receivers.height[receiver]) / distance
    home = int(scene.receivers.home[receiver])
    return Track(
        time, distance, image, attenuation(outlet_index), attenuation(0), speed_ms,
        f"home number {home + 1} of the study", np.asarray(direction * at),
    )  # fmt: skip


def _times(seconds: float) -> FloatArray:
    """Equal steps about the nearest point."""
    return np.asarray(np.arange(-0.5 * seconds, 0.5 * seconds + 0.5 * STEP_S, STEP_S), dtype=float)
