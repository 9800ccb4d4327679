"""What a braking truck sends out: pulses in octaves, and the broadband noise under them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from noisemap.bands import N_BANDS
from noisemap.levels import from_energy, to_energy
from noisemap.source.emission import exhaust_sound_power, exhaust_thirds
from noisemap.source.engine_family import packaged_engine
from noisemap.source.exhaust_states import Exhaust, flow_noise_thirds, hot_gas, line_ratio
from noisemap.source.operation import typical_truck
from noisemap.source.propulsion import vehicle_sound_power
from noisemap.source.radiation import (
    FIRST_OCTAVE_THIRD,
    Lines,
    line_power,
    octave_level,
    third_octave_level,
    third_of,
)
from noisemap.states import ExhaustState

FloatArray = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]


@dataclass(frozen=True)
class Voice:
    """Order lines scaled to the emission table, and noise, as sound power."""

    engine_speed_rpm: float
    order: FloatArray  # (lines,) multiples of the cycle frequency [1]
    amplitude: ComplexArray  # (lines,) square root of the power over 1 pW, with the phase [1]
    octave: npt.NDArray[np.int64]  # (lines,) which octave each line belongs to [1]
    table_db: FloatArray  # (8,) exhaust level of the emission table [dB]
    flow_noise_db: FloatArray  # (8,) noise of the outlet, in the table behind a muffler [dB]
    running_db: FloatArray  # (8,) rolling and propulsion noise [dB]

    @property
    def cycle_hz(self) -> float:
        """Frequency of the engine's cycle [Hz]."""
        return self.engine_speed_rpm / 120.0

    @property
    def lines_db(self) -> FloatArray:
        """Sound power level of the lines in octaves [dB]."""
        power = np.abs(self.amplitude) ** 2
        return from_energy(np.bincount(self.octave, weights=power, minlength=N_BANDS))

    @property
    def exhaust_db(self) -> FloatArray:
        """Sound power level of the whole exhaust in octaves [dB]."""
        return from_energy(to_energy(self.lines_db) + to_energy(self.flow_noise_db))


@dataclass(frozen=True)
class Pulses:
    """Order lines by the third of an octave they belong to, as sound power."""

    order: FloatArray  # (lines,) multiples of the cycle frequency [1]
    amplitude: ComplexArray  # (lines,) square root of the power over 1 pW, with the phase [1]
    third: npt.NDArray[np.int64]  # (lines,) place of the third, 0 for 25 Hz [1]
    flow_noise_db: FloatArray  # (27,) noise of the outlet, in the table behind a muffler [dB]


def exhaust_voice(
    engine: str,
    engine_speed_rpm: float,
    cylinders: int,
    state: ExhaustState,
    speed_ms: float,
    *,
    calibration_db: float = 0.0,
    temperature_c: float = 10.0,
) -> Voice:
    """Pulses and noise of a braking truck.

    The pulses are those of the typical truck of the nearest point of the table. Each
    third is scaled to the table's energy mean, so the phases that make the crack stay
    and the level is the one that studies use.

    Parameters
    ----------
    engine : str
        Key of the engine.
    engine_speed_rpm : float
        Engine speed. [rpm] 900 to 2100.
    cylinders : int
        How many cylinders brake. [1] 0 to 6.
    state : {"after_treatment", "muffled", "worn", "straight"}
        What stands between the engine and the open.
    speed_ms : float
        Speed, for rolling and propulsion noise. [m/s]
    calibration_db : float
        Offset of the exhaust's levels. [dB]
    temperature_c : float
        Air temperature, for rolling noise. [°C]

    Returns
    -------
    Voice
        Lines and noise.

    Raises
    ------
    OutOfDomainError
        For a point outside the emission table.

    References
    ----------
    exhaust-model : order lines of a typical truck, energy mean of the ensemble
    iso14163 : flow noise of the outlet
    """
    table = exhaust_sound_power(
        engine, engine_speed_rpm, cylinders, state, calibration_db=calibration_db
    )
    pulses = exhaust_pulses(
        engine, engine_speed_rpm, cylinders, state, calibration_db=calibration_db
    )
    inside = pulses.third >= FIRST_OCTAVE_THIRD
    octave = np.asarray((pulses.third[inside] - FIRST_OCTAVE_THIRD) // 3, dtype=np.int64)
    return Voice(
        engine_speed_rpm, pulses.order[inside], pulses.amplitude[inside], octave, table,
        octave_level(pulses.flow_noise_db),
        vehicle_sound_power("heavy", speed_ms, temperature_c=temperature_c),
    )  # fmt: skip


def exhaust_pulses(
    engine: str,
    engine_speed_rpm: float,
    cylinders: int,
    state: ExhaustState,
    *,
    calibration_db: float = 0.0,
) -> Pulses:
    """Order lines of a braking engine from 25 Hz on, scaled to the table in thirds.

    Parameters
    ----------
    engine : str
        Key of the engine.
    engine_speed_rpm : float
        Engine speed. [rpm] 900 to 2100.
    cylinders : int
        How many cylinders brake. [1] 0 to 6.
    state : {"after_treatment", "muffled", "worn", "straight"}
        What stands between the engine and the open.
    calibration_db : float
        Offset of the exhaust's levels. [dB]

    Returns
    -------
    Pulses
        Lines and the noise of the outlet.

    Raises
    ------
    OutOfDomainError
        For a point outside the emission table.

    References
    ----------
    exhaust-model : order lines of a typical truck, energy mean of the ensemble
    """
    thirds = exhaust_thirds(
        engine, engine_speed_rpm, cylinders, state, calibration_db=calibration_db
    )
    truck, family = typical_truck(engine, engine_speed_rpm, cylinders), packaged_engine(engine)
    ratio = line_ratio(truck.lines.frequency, family, truck.flow, Exhaust(state))
    power = line_power(truck.lines, family.pipe_diameter_m) * ratio
    frequency = truck.lines.frequency * (engine_speed_rpm / truck.engine_speed_rpm)
    floor = flow_noise_thirds(hot_gas(family, truck.flow), family.pipe_diameter_m)
    if state != "straight":  # where the table is all noise, the noise is no louder than it
        floor = np.where(np.isfinite(thirds), np.minimum(floor, thirds), floor)
    wanted = to_energy(thirds) - (to_energy(floor) if state != "straight" else 0.0)
    place = third_of(frequency)
    inside = (place >= 0) & (place < len(thirds))
    place, power, phase = place[inside], power[inside], _phase(truck.lines)[inside]
    have = to_energy(third_octave_level(frequency[inside], power))
    gain = np.sqrt(np.maximum(wanted, 0.0) / np.where(have > 0.0, have, np.inf))
    return Pulses(
        np.asarray(np.flatnonzero(inside) + 1.0, dtype=float),
        gain[place] * np.sqrt(power / 1e-12) * phase,
        place,
        floor,
    )


def _phase(lines: Lines) -> ComplexArray:
    """Phase of the sound: that of the flow, a quarter turn ahead."""
    size = np.maximum(np.abs(lines.volume_flow), 1e-300)
    return np.asarray(1j * lines.volume_flow / size)
