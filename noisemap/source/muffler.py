"""Mufflers: handbook insertion loss, a physical network, leaks, flow noise."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Literal, NamedTuple

import numpy as np
import numpy.typing as npt

from noisemap.bands import COLUMNS, EXACT_HZ
from noisemap.checks import require_between
from noisemap.data_tables import band_row, table_rows, toml_table
from noisemap.errors import OutOfDomainError
from noisemap.source.four_pole import (
    ComplexArray,
    FloatArray,
    HotGas,
    area_change_matrix,
    branch_matrix,
    chain,
    closed_cavity_impedance,
    convected_load,
    hole_impedance,
    outlet_transfer,
    perforated_tube_matrix,
    pipe_matrix,
)
from noisemap.source.radiation import radiation_impedance

Interior = Literal["whole", "empty", "lined"]
LeakPlace = Literal["inlet_pipe", "after_perforated_tube"]

INTERIORS: tuple[Interior, ...] = ("whole", "empty", "lined")
LEAK_PLACES: tuple[LeakPlace, ...] = ("inlet_pipe", "after_perforated_tube")


@dataclass(frozen=True)
class Network:
    """A muffler in its line of pipes: dimensions in metres."""

    pipe_m: float
    shell_m: float
    inlet_m: float
    tail_m: float
    length_m: float
    perforated_m: float
    porosity: float
    hole_m: float
    wall_m: float
    chambers_m: tuple[float, ...]
    inlet_share: float
    outlet_share: float
    interior: Interior = "whole"
    absorption: float = 0.0
    leak_m2: float = 0.0
    leak_place: LeakPlace = "inlet_pipe"

    @property
    def pipe_m2(self) -> float:
        """Section of the pipes [m2]."""
        return 0.25 * np.pi * self.pipe_m**2

    @property
    def shell_m2(self) -> float:
        """Section of the shell [m2]."""
        return 0.25 * np.pi * self.shell_m**2

    @property
    def line_m(self) -> float:
        """Length of the whole line [m]."""
        return self.inlet_m + self.length_m + self.tail_m


class PowerRatio(NamedTuple):
    """Sound power relative to the straight pipe of the same length, by frequency."""

    outlet: FloatArray  # [1]
    leak: FloatArray  # [1]

    @property
    def total(self) -> FloatArray:
        """Both together [1]."""
        return self.outlet + self.leak


def default_network(
    pipe_diameter_m: float,
    *,
    interior: Interior = "whole",
    absorption: float = 0.0,
    leak_m2: float = 0.0,
    leak_place: LeakPlace = "inlet_pipe",
) -> Network:
    """Muffler network of the package behind a pipe.

    Parameters
    ----------
    pipe_diameter_m : float
        Diameter of the pipes. [m] Below the shell's.
    interior : {"whole", "empty", "lined"}
        Perforated tube and chambers; an empty shell; a lined straight passage.
    absorption : float
        Absorption coefficient of the lining. [1] 0 to 1.
    leak_m2 : float
        Area of a hole to the open. [m2] 0 and above.
    leak_place : {"inlet_pipe", "after_perforated_tube"}
        Where the hole is.

    Returns
    -------
    Network
        The network.

    Raises
    ------
    OutOfDomainError
        For an unknown interior or place, or a size outside its range.

    References
    ----------
    exhaust-model : dimensions, assumed

    Examples
    --------
    >>> round(default_network(0.125).shell_m2 / default_network(0.125).pipe_m2, 2)
    4.13
    """
    sizes = {
        key: entry["value"]
        for key, entry in toml_table("noisemap.source", "muffler.toml")["network"].items()
    }
    if interior not in INTERIORS or leak_place not in LEAK_PLACES:
        raise OutOfDomainError(
            f"muffler: interior {interior!r} with a leak at {leak_place!r} is not allowed "
            f"(allowed: {', '.join(INTERIORS)}; {', '.join(LEAK_PLACES)})"
        )
    require_between("diameter of the pipe", pipe_diameter_m, 0.03, sizes["shell_m"], "m")
    require_between("absorption", absorption, 0.0, 1.0, "1")
    require_between("leak", leak_m2, 0.0, 0.01, "m2")
    sizes["chambers_m"] = tuple(sizes["chambers_m"])
    return Network(
        pipe_diameter_m,
        interior=interior,
        absorption=absorption,
        leak_m2=leak_m2,
        leak_place=leak_place,
        **sizes,
    )


@cache
def handbook_rows() -> tuple[str, ...]:
    """Names of the mufflers in the handbook's table.

    Returns
    -------
    tuple of str
        Pressure drop and size.

    References
    ----------
    ufc-3-450-02 : table of reactive mufflers, recalled

    Examples
    --------
    >>> handbook_rows()[1]
    'low_drop/medium'
    """
    return tuple(row["muffler"] for row in table_rows("noisemap.source", "muffler_table.csv"))


def handbook_insertion_loss(row: str | None = None) -> FloatArray:
    """Insertion loss of a reactive muffler by the handbook.

    Parameters
    ----------
    row : str, optional
        Name of the muffler, see `handbook_rows`; by default medium, low pressure drop.

    Returns
    -------
    ndarray
        Insertion loss in octaves from 63 Hz to 8 kHz. [dB]

    Raises
    ------
    OutOfDomainError
        If there is no such muffler.

    References
    ----------
    ufc-3-450-02 : table of reactive mufflers, recalled

    Examples
    --------
    >>> handbook_insertion_loss().astype(int).tolist()
    [15, 20, 18, 16, 15, 14, 13, 13]
    """
    default = toml_table("noisemap.source", "muffler.toml")["handbook"]["default_row"]["value"]
    name = default if row is None else row
    if name not in handbook_rows():
        raise OutOfDomainError(
            f"muffler {name!r} is not allowed (allowed: {', '.join(handbook_rows())})"
        )
    return band_row("noisemap.source", "muffler_table.csv", name, COLUMNS)


def handbook_loss_at(frequency: npt.ArrayLike, row: str | None = None) -> FloatArray:
    """Handbook insertion loss of the octave that holds a frequency.

    Parameters
    ----------
    frequency : array_like
        Frequency. [Hz] Below the 63 Hz octave as in it, above the 8 kHz octave as in that.
    row : str, optional
        Name of the muffler.

    Returns
    -------
    ndarray
        Insertion loss. [dB]

    References
    ----------
    ufc-3-450-02 : table of reactive mufflers, recalled
    iec61260-1 : edges of the octaves

    Examples
    --------
    >>> handbook_loss_at([30.0, 105.0, 1000.0]).astype(int).tolist()
    [15, 20, 15]
    """
    octave = np.log10(np.asarray(frequency, dtype=float) / EXACT_HZ[0]) / 0.3
    place = np.clip(np.floor(octave + 0.5), 0, len(EXACT_HZ) - 1).astype(int)
    return np.asarray(handbook_insertion_loss(row)[place])


def after_treatment_loss(where: Literal["low", "value", "high"] = "value") -> float:
    """Insertion loss of filter and catalyst beyond that of a muffler.

    Parameters
    ----------
    where : {"low", "value", "high"}
        Default, or an end of its range.

    Returns
    -------
    float
        Insertion loss. [dB]

    References
    ----------
    own-assumption : published is only that such trucks are no longer an issue

    Examples
    --------
    >>> [after_treatment_loss(end) for end in ("low", "value", "high")]
    [5.0, 8.0, 12.0]
    """
    entry = toml_table("noisemap.source", "muffler.toml")["after_treatment"]
    low, high = entry["range"]
    return float({"low": low, "value": entry["value"], "high": high}[where])


def muffler_matrices(
    frequency: npt.ArrayLike, network: Network, gas: HotGas
) -> tuple[ComplexArray, ComplexArray, ComplexArray | None]:
    """Transfer matrices of the line before and after the leak, and the leak's impedance.

    Parameters
    ----------
    frequency : array_like
        Frequency. [Hz]
    network : Network
        The muffler in its line.
    gas : HotGas
        Gas and flow.

    Returns
    -------
    upstream : ndarray
        Matrices from the turbine to the leak. [1]
    downstream : ndarray
        Matrices from the leak to the outlet. [1]
    leak : ndarray or None
        Impedance of the leak, None without one. [1]

    References
    ----------
    munjal-1987 : extended chambers
    sullivan-1979 : perforated tube
    """
    f = np.atleast_1d(np.asarray(frequency, dtype=float))
    pipe = network.pipe_m2
    first = [pipe_matrix(f, network.inlet_m, pipe, gas)]
    second: list[ComplexArray] = []
    if network.interior == "empty":
        second += _chamber(f, network.length_m, 0.0, 0.0, network, gas)
    elif network.interior == "lined":
        factor = toml_table("noisemap.source", "muffler.toml")["lining"]["factor_db"]["value"]
        attenuation = float(factor) * network.absorption * 4.0 / network.pipe_m
        second.append(pipe_matrix(f, network.length_m, pipe, gas, attenuation))
    else:
        perforated = perforated_tube_matrix(
            f, network.perforated_m, network.pipe_m, network.shell_m, gas,
            porosity=network.porosity, hole_m=network.hole_m, wall_m=network.wall_m,
        )  # fmt: skip
        (first if network.leak_place == "after_perforated_tube" else second).append(perforated)
        for length in network.chambers_m:
            second += _chamber(f, length, network.inlet_share, network.outlet_share, network, gas)
        spare = network.length_m - network.perforated_m - sum(network.chambers_m)
        second.append(pipe_matrix(f, max(spare, 0.0), pipe, gas))
    second.append(pipe_matrix(f, network.tail_m, pipe, gas))
    leak = None
    if network.leak_m2 > 0.0:
        hole = toml_table("noisemap.source", "muffler.toml")["hole"]
        leak = hole_impedance(
            f, network.leak_m2, gas, wall_m=hole["wall_m"]["value"],
            resistance=hole["resistance"]["value"], end_radii=hole["end_radii"]["value"],
        )  # fmt: skip
    return chain(*first), chain(*second), leak


def _chamber(
    f: FloatArray, length: float, inlet_share: float, outlet_share: float, network: Network,
    gas: HotGas,
) -> list[ComplexArray]:  # fmt: skip
    """A chamber into which inlet and outlet reach by shares of its length."""
    pipe, shell = network.pipe_m2, network.shell_m2
    inlet, outlet = inlet_share * length, outlet_share * length
    parts = [pipe_matrix(f, inlet, pipe, gas)] if inlet > 0.0 else []
    parts.append(area_change_matrix(f, pipe, shell, gas))
    if inlet > 0.0:
        parts.append(branch_matrix(closed_cavity_impedance(f, inlet, shell - pipe, gas)))
    parts.append(pipe_matrix(f, length - inlet - outlet, shell, gas))
    if outlet > 0.0:
        parts.append(branch_matrix(closed_cavity_impedance(f, outlet, shell - pipe, gas)))
    parts.append(area_change_matrix(f, shell, pipe, gas))
    if outlet > 0.0:
        parts.append(pipe_matrix(f, outlet, pipe, gas))
    return parts


def power_ratio(
    frequency: npt.ArrayLike, network: Network, gas: HotGas, source_admittance: npt.ArrayLike
) -> PowerRatio:
    """Sound power with a muffler over that of a straight pipe of the same length.

    Parameters
    ----------
    frequency : array_like
        Frequency. [Hz]
    network : Network
        The muffler in its line.
    gas : HotGas
        Gas and flow.
    source_admittance : array_like
        Admittance of the source for mass velocity. [1]

    Returns
    -------
    PowerRatio
        Ratios of the outlet and of the leak.

    References
    ----------
    munjal-1987 : insertion loss
    exhaust-model : the leak radiates its own power
    """
    f = np.atleast_1d(np.asarray(frequency, dtype=float))
    load = convected_load(outlet_impedance(f, network.pipe_m, gas), network.pipe_m2, gas)
    straight = pipe_matrix(f, network.line_m, network.pipe_m2, gas)
    reference = outlet_transfer(straight, load, source_admittance)
    before, after, leak = muffler_matrices(f, network, gas)
    if leak is None:
        through = outlet_transfer(chain(before, after), load, source_admittance)
        return PowerRatio(np.abs(through / reference) ** 2, np.zeros(len(f)))
    through = outlet_transfer(chain(before, branch_matrix(leak), after), load, source_admittance)
    pressure = np.einsum("fj,fj->f", after[:, 0], load)
    escaped = np.abs(through * pressure / leak) ** 2
    straight_power = np.abs(reference) ** 2 * _radiated(f, network.pipe_m)
    radius = np.sqrt(network.leak_m2 / np.pi)
    return PowerRatio(
        np.abs(through / reference) ** 2, escaped * _radiated(f, 2.0 * radius) / straight_power
    )


def outlet_impedance(frequency: npt.ArrayLike, diameter_m: float, gas: HotGas) -> ComplexArray:
    """Impedance of an open end in the ambient air for the mass velocity inside.

    Parameters
    ----------
    frequency : array_like
        Frequency. [Hz]
    diameter_m : float
        Diameter. [m]
    gas : HotGas
        Gas inside.

    Returns
    -------
    ndarray
        Impedance. [1]

    References
    ----------
    levine-schwinger-1948 : unflanged end
    exhaust-model : ambient air outside, exit volume velocity inside
    """
    ambient = toml_table("noisemap.source", "exhaust_model.toml")["ambient"]
    sound = float(ambient["sound_speed_m_s"]["value"])
    air = float(ambient["density_kg_m3"]["value"]) * sound
    ka = np.pi * np.atleast_1d(np.asarray(frequency, dtype=float)) * diameter_m / sound
    area = 0.25 * np.pi * diameter_m**2
    return np.asarray(radiation_impedance(ka) * air / (area * gas.density))


def _radiated(f: FloatArray, diameter_m: float) -> FloatArray:
    """Power of a unit volume velocity at an end, over rho0 c0 [1/m2]."""
    sound = toml_table("noisemap.source", "exhaust_model.toml")["ambient"]["sound_speed_m_s"]
    ka = np.pi * f * diameter_m / float(sound["value"])
    return np.asarray(radiation_impedance(ka).real / (0.25 * np.pi * diameter_m**2))


def insertion_loss(
    frequency: npt.ArrayLike, network: Network, gas: HotGas, source_admittance: npt.ArrayLike
) -> FloatArray:
    """Insertion loss of a muffler against a straight pipe of the same length.

    Parameters
    ----------
    frequency : array_like
        Frequency. [Hz]
    network : Network
        The muffler in its line.
    gas : HotGas
        Gas and flow.
    source_admittance : array_like
        Admittance of the source for mass velocity. [1]

    Returns
    -------
    ndarray
        Insertion loss, the leak included; may be negative at resonances. [dB]

    References
    ----------
    munjal-1987 : insertion loss
    """
    ratio = power_ratio(frequency, network, gas, source_admittance).total
    return np.asarray(-10.0 * np.log10(ratio))


def flow_noise(gas: HotGas, diameter_m: float, pressure_pa: float) -> FloatArray:
    """Sound power level of the flow noise at a muffler's outlet.

    Parameters
    ----------
    gas : HotGas
        Gas and flow.
    diameter_m : float
        Diameter of the outlet. [m]
    pressure_pa : float
        Static pressure. [Pa]

    Returns
    -------
    ndarray
        Level in octaves from 63 Hz to 8 kHz. [dB]

    References
    ----------
    iso14163 : 58 + 10 lg(p c S / 1 W) + 60 lg M + 10 lg(1 + (c/2fH)^2) - 10 lg(1 + (f d/v)^2)

    Examples
    --------
    >>> from noisemap.levels import a_weighted
    >>> level = flow_noise(HotGas(512.0, 0.53, 0.64), 0.125, 101325.0)
    >>> round(float(a_weighted(level)))
    89
    """
    entry = toml_table("noisemap.source", "muffler.toml")["flow_noise"]
    area = 0.25 * np.pi * diameter_m**2
    mach = max(gas.mach(area), 1e-6)
    power = 10.0 * np.log10(pressure_pa * gas.sound_speed * area)
    low = 10.0 * np.log10(1.0 + (gas.sound_speed / (2.0 * EXACT_HZ * diameter_m)) ** 2)
    speed = mach * gas.sound_speed
    high = 10.0 * np.log10(1.0 + (EXACT_HZ * float(entry["length_m"]["value"]) / speed) ** 2)
    return np.asarray(
        float(entry["constant_db"]["value"]) + power + 60.0 * np.log10(mach) + low - high
    )
