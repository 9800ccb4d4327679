"""The one heat balance of the wheel brakes: heat in from braking, out to the air.

C dT/dt = P - hA(v) (T - Ta).  The presets differ in the constants, in the drag that
helps the brakes, and in what a full stop adds.  Temperatures are bulk means of all
brakes: linings and the worst axle run hotter.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Literal, Protocol, get_args

import numpy as np
import numpy.typing as npt
from scipy.linalg.lapack import dtbtrs

from noisemap.data_tables import toml_table
from noisemap.descent.truck import TruckModel
from noisemap.errors import OutOfDomainError
from noisemap.units import STANDARD_GRAVITY

FloatArray = npt.NDArray[np.float64]
Preset = Literal["modern_drag", "federal", "first_principles"]

PRESETS: tuple[Preset, ...] = get_args(Preset)
ABSOLUTE_ZERO_C = -273.15
_STEFAN_BOLTZMANN = 5.670374419e-8
_SUBSTEP_S = 5.0


def _default(name: str) -> float:
    return float(toml_table("noisemap.descent", "presets.toml")[name]["value"])


@cache
def _constants(group: str) -> dict[str, float]:
    entries = toml_table("noisemap.descent", "presets.toml")[group]
    return {name: float(entry["value"]) for name, entry in entries.items()}


@dataclass(frozen=True)
class Conditions:
    """With which brakes and in which air a descent begins."""

    preset: Preset = "modern_drag"
    entry_c: float = _default("entry_c")  # brakes at the first point [°C]
    ambient_c: float = _default("ambient_c")  # air [°C]
    brakes_out_share: float = 0.0  # brakes that do not work [1]

    def __post_init__(self) -> None:
        if self.preset not in PRESETS:
            raise OutOfDomainError(
                f"brake preset {self.preset!r} is not allowed (allowed: {', '.join(PRESETS)})"
            )
        if not 0.0 <= self.brakes_out_share < 1.0:
            raise OutOfDomainError(
                f"share of brakes out {self.brakes_out_share:g} is not allowed "
                "(allowed: 0 to below 1)"
            )
        for name in ("entry_c", "ambient_c"):
            if not ABSOLUTE_ZERO_C < getattr(self, name) < 2000.0:
                raise OutOfDomainError(
                    f"brake conditions: {name} {getattr(self, name):g} °C is not allowed "
                    "(allowed: above absolute zero, below 2000 °C)"
                )

    @staticmethod
    def degraded(
        preset: Preset = "modern_drag",
        ambient_c: float | None = None,
        entry_c: float | None = None,
    ) -> Conditions:
        """Two of ten brakes out, so a fifth less heat sink and cooling, and a warm entry.

        The entry is never cooler than `entry_c`, that of the sound brakes.
        """
        worn = _constants("degraded")
        return Conditions(
            preset,
            worn["entry_c"] if entry_c is None else max(worn["entry_c"], entry_c),
            _default("ambient_c") if ambient_c is None else ambient_c,
            worn["brakes_out_share"],
        )


class HeatModel(Protocol):
    """Brakes as a heat sink in moving air."""

    def heat_capacity(self, temperature_c: npt.ArrayLike) -> FloatArray:
        """Heat capacity of all working brakes [J/K]."""
        ...

    def march(
        self,
        entry_c: float,
        ambient_c: float,
        power_w: FloatArray,
        speed_ms: FloatArray,
        time_s: FloatArray,
    ) -> FloatArray:
        """Temperatures at the nodes of a drive, the entry first [°C]."""
        ...


@dataclass(frozen=True)
class HeatSink:
    """Brakes with constant heat capacity and cooling that rises with speed."""

    capacity_j_k: float
    cooling_w_k: float
    cooling_w_k_per_ms: float

    def heat_capacity(self, temperature_c: npt.ArrayLike) -> FloatArray:
        """Heat capacity of all working brakes [J/K]."""
        return np.full(np.shape(temperature_c), self.capacity_j_k)

    def cooling(self, speed_ms: npt.ArrayLike) -> FloatArray:
        """Heat flow to the air for each degree above it [W/K]."""
        return np.asarray(self.cooling_w_k + self.cooling_w_k_per_ms * np.asarray(speed_ms))

    def march(
        self,
        entry_c: float,
        ambient_c: float,
        power_w: FloatArray,
        speed_ms: FloatArray,
        time_s: FloatArray,
    ) -> FloatArray:
        """Temperatures at the nodes of a drive, exact for constant power on each piece [°C]."""
        factor, offset = heat_map(self, power_w, speed_ms, time_s, ambient_c)
        band = np.zeros((2, len(factor) + 1))
        band[1, :-1] = -factor
        nodes, _ = dtbtrs(band, np.append(entry_c, offset)[:, None], uplo="L", diag="U")
        return np.asarray(nodes[:, 0])


@dataclass(frozen=True)
class IronSink:
    """Cast iron whose specific heat rises with temperature, in cross flow and radiating."""

    mass_kg: float
    specific_heat_j_kgk: float
    specific_heat_per_c: float
    area_m2: float
    diameter_m: float
    emissivity: float
    natural_w_m2k: float

    def heat_capacity(self, temperature_c: npt.ArrayLike) -> FloatArray:
        """Heat capacity of all working brakes [J/K]."""
        temperature = np.asarray(temperature_c, dtype=float)
        specific = self.specific_heat_j_kgk + self.specific_heat_per_c * temperature
        return np.asarray(self.mass_kg * specific)

    def cooling(self, speed_ms: float, temperature_c: float, ambient_c: float) -> float:
        """Heat flow to the air for each degree above it [W/K]."""
        kelvin, air = temperature_c - ABSOLUTE_ZERO_C, ambient_c - ABSOLUTE_ZERO_C
        film = 0.5 * (temperature_c + ambient_c)
        forced = cross_flow_transfer(0.5 * speed_ms, self.diameter_m, film)
        convection = max(self.natural_w_m2k, forced)
        radiation = self.emissivity * _STEFAN_BOLTZMANN * (kelvin**2 + air**2) * (kelvin + air)
        return self.area_m2 * (convection + radiation)

    def march(
        self,
        entry_c: float,
        ambient_c: float,
        power_w: FloatArray,
        speed_ms: FloatArray,
        time_s: FloatArray,
    ) -> FloatArray:
        """Temperatures at the nodes of a drive, by fourth-order steps of 5 s or less [°C]."""
        nodes = [entry_c]
        for power, speed, time in zip(
            power_w.tolist(), speed_ms.tolist(), time_s.tolist(), strict=True
        ):
            nodes.append(self._advance(nodes[-1], ambient_c, power, speed, time))
        return np.array(nodes)

    def _advance(
        self, start: float, ambient: float, power: float, speed: float, time: float
    ) -> float:
        def rate(temperature: float) -> float:
            loss = self.cooling(speed, temperature, ambient) * (temperature - ambient)
            specific = self.specific_heat_j_kgk + self.specific_heat_per_c * temperature
            return (power - loss) / (self.mass_kg * specific)

        steps = max(1, int(np.ceil(time / _SUBSTEP_S)))
        dt, temperature = time / steps, start
        for _ in range(steps):
            k1 = rate(temperature)
            k2 = rate(temperature + 0.5 * dt * k1)
            k3 = rate(temperature + 0.5 * dt * k2)
            k4 = rate(temperature + dt * k3)
            temperature += dt * (k1 + 2.0 * k2 + 2.0 * k3 + k4) / 6.0
        return temperature


def cross_flow_transfer(speed_ms: float, diameter_m: float, film_c: float) -> float:
    """Heat transfer coefficient of a cylinder in cross flow of air.

    Parameters
    ----------
    speed_ms : float
        Speed of the air. [m/s]
    diameter_m : float
        Diameter. [m]
    film_c : float
        Mean temperature of surface and air. [°C]

    Returns
    -------
    float
        Coefficient. [W/(m2 K)]

    References
    ----------
    own-model : Nu = 0.193 Re^0.618 Pr^(1/3), above Re 40,000 0.027 Re^0.805 Pr^(1/3)

    Examples
    --------
    >>> round(cross_flow_transfer(10.0, 0.42, 100.0), 1)
    30.5
    """
    air = _constants("air_film")
    warmth = (film_c - ABSOLUTE_ZERO_C) / -ABSOLUTE_ZERO_C
    viscosity = air["viscosity_m2_s"] * warmth ** air["viscosity_exponent"]
    conductivity = air["conductivity_w_mk"] * warmth ** air["conductivity_exponent"]
    reynolds = speed_ms * diameter_m / viscosity
    branch = "low" if reynolds < air["reynolds_change"] else "high"
    nusselt = air[f"{branch}_factor"] * reynolds ** air[f"{branch}_exponent"]
    return float(nusselt * air["prandtl"] ** (1.0 / 3.0) * conductivity / diameter_m)


def heat_model(truck: TruckModel, conditions: Conditions) -> HeatModel:
    """Brakes of a truck under given conditions.

    Parameters
    ----------
    truck : TruckModel
        The truck; its own brakes serve the preset `modern_drag`.
    conditions : Conditions
        Preset and share of brakes out; both heat capacity and cooling shrink by it.

    Returns
    -------
    HeatModel
        The heat sink.

    References
    ----------
    grade-severity : constants of `federal` and, by default, of the trucks
    own-model : constants of `first_principles`

    Examples
    --------
    >>> from noisemap.descent.truck import packaged_truck
    >>> round(float(heat_model(packaged_truck(), Conditions.degraded()).heat_capacity(100.0)))
    314320
    """
    working = 1.0 - conditions.brakes_out_share
    if conditions.preset == "first_principles":
        iron = dict(_constants("first_principles"))
        iron["mass_kg"] *= working
        iron["area_m2"] *= working
        return IronSink(**iron)
    if conditions.preset == "federal":
        federal = _constants("federal")
        capacity = federal["heat_capacity_kj_k"]
        still, moving = federal["cooling_w_k"], federal["cooling_w_k_per_ms"]
    else:
        capacity = truck.brakes.heat_capacity_kj_k
        still, moving = truck.brakes.cooling_w_k, truck.brakes.cooling_w_k_per_ms
    return HeatSink(working * capacity * 1e3, working * still, working * moving)


def step_temperature(
    temperature_c: npt.ArrayLike,
    power_w: npt.ArrayLike,
    cooling_w_k: npt.ArrayLike,
    capacity_j_k: npt.ArrayLike,
    time_s: npt.ArrayLike,
    ambient_c: npt.ArrayLike,
) -> FloatArray:
    """Brake temperature after a time of constant braking, exact.

    Parameters
    ----------
    temperature_c : array_like
        Temperature at the start. [°C]
    power_w : array_like
        Power of the brakes. [W] Zero and above.
    cooling_w_k : array_like
        Heat flow to the air for each degree above it. [W/K] Above zero.
    capacity_j_k : array_like
        Heat capacity. [J/K] Above zero.
    time_s : array_like
        Time. [s] Zero and above.
    ambient_c : array_like
        Air temperature. [°C]

    Returns
    -------
    ndarray
        Temperature at the end. [°C]

    References
    ----------
    own-model : T2 = Teq + (T1 - Teq) exp(-hA t / C), Teq = Ta + P / hA
    grade-severity : the recalled closed form is this one

    Examples
    --------
    >>> round(float(step_temperature(60.0, 0.0, 200.0, 4e5, 2000.0, 20.0)), 3)
    34.715
    """
    equilibrium = np.asarray(ambient_c) + np.asarray(power_w) / np.asarray(cooling_w_k)
    decay = np.exp(-np.asarray(cooling_w_k) * np.asarray(time_s) / np.asarray(capacity_j_k))
    return np.asarray(equilibrium + (np.asarray(temperature_c) - equilibrium) * decay)


def heat_map(
    sink: HeatSink,
    power_w: npt.ArrayLike,
    speed_ms: npt.ArrayLike,
    time_s: npt.ArrayLike,
    ambient_c: float,
) -> tuple[FloatArray, FloatArray]:
    """Linear map of the brake temperature over each piece of a drive.

    Parameters
    ----------
    sink : HeatSink
        Brakes with constant heat capacity.
    power_w : array_like
        Power of the brakes on each piece. [W]
    speed_ms : array_like
        Speed on each piece. [m/s]
    time_s : array_like
        Time on each piece. [s]
    ambient_c : float
        Air temperature. [°C]

    Returns
    -------
    factor : ndarray
        a in T2 = a T1 + c. [1]
    offset : ndarray
        c in T2 = a T1 + c. [°C]

    References
    ----------
    own-model : the exact step, read as a linear map

    Examples
    --------
    >>> a, c = heat_map(HeatSink(4e5, 200.0, 0.0), [0.0], [10.0], [2000.0], 20.0)
    >>> round(float(a[0] * 60.0 + c[0]), 3)
    34.715
    """
    cooling = sink.cooling(speed_ms)
    factor = np.exp(-cooling * np.asarray(time_s) / sink.capacity_j_k)
    equilibrium = ambient_c + np.asarray(power_w) / cooling
    return factor, np.asarray((1.0 - factor) * equilibrium)


def stop_rise(
    mass_kg: npt.ArrayLike,
    speed_ms: npt.ArrayLike,
    slope: npt.ArrayLike,
    capacity_j_k: npt.ArrayLike,
    preset: Preset = "modern_drag",
) -> FloatArray:
    """Temperature rise of one full stop: the reserve kept below every limit.

    Parameters
    ----------
    mass_kg : array_like
        Mass of the truck. [kg]
    speed_ms : array_like
        Speed at the start of the stop. [m/s]
    slope : array_like
        Fall over length; a climb does not help. [1]
    capacity_j_k : array_like
        Heat capacity of all working brakes. [J/K]
    preset : {"modern_drag", "federal", "first_principles"}
        The federal preset leaves out the pull of the grade.

    Returns
    -------
    ndarray
        Temperature rise. [K]

    References
    ----------
    grade-severity : 3.11e-7 W V^2, that is 1.5 kinetic energies over the heat sink
    own-model : bracket 1 + g sin / a of the grade

    Examples
    --------
    >>> round(float(stop_rise(36287.4, 20.1168, 0.07, 392900.0)), 1)
    34.4
    """
    constants = _constants("stop")
    angle = np.arctan(np.maximum(np.asarray(slope, dtype=float), 0.0))
    pull = 1.0 + STANDARD_GRAVITY * np.sin(angle) / constants["deceleration_ms2"]
    energy = 0.5 * np.asarray(mass_kg) * np.asarray(speed_ms) ** 2
    rise = constants["uneven"] * energy / np.asarray(capacity_j_k)
    return np.asarray(rise if preset == "federal" else rise * pull)


def length_to_limit(
    speed_ms: npt.ArrayLike,
    power_w: npt.ArrayLike,
    sink: HeatSink,
    entry_c: float,
    limit_c: npt.ArrayLike,
    ambient_c: float,
) -> FloatArray:
    """Length of constant braking after which the brakes reach a limit.

    Parameters
    ----------
    speed_ms : array_like
        Speed. [m/s] Above zero.
    power_w : array_like
        Power of the brakes. [W]
    sink : HeatSink
        Brakes with constant heat capacity.
    entry_c : float
        Temperature at the start. [°C]
    limit_c : array_like
        Limit less the rise of a full stop. [°C]
    ambient_c : float
        Air temperature. [°C]

    Returns
    -------
    ndarray
        Length; zero where the entry is over the limit already, infinite where the
        limit is never reached. [m]

    References
    ----------
    own-model : L = v C / hA ln((Teq - T0) / (Teq - limit))

    Examples
    --------
    >>> sink = HeatSink(392900.0, 134.2, 6.2478)
    >>> round(float(length_to_limit(11.176, 2.0e5, sink, 65.6, 250.0, 32.2)))
    4662
    """
    speed, limit = np.asarray(speed_ms, dtype=float), np.asarray(limit_c, dtype=float)
    cooling = sink.cooling(speed)
    equilibrium = ambient_c + np.asarray(power_w) / cooling
    reached = (equilibrium > limit) & (limit > entry_c)
    ratio = np.where(
        reached, (equilibrium - entry_c) / np.where(reached, equilibrium - limit, 1.0), 1.0
    )
    length = speed * sink.capacity_j_k / cooling * np.log(ratio)
    return np.where(limit <= entry_c, 0.0, np.where(reached, length, np.inf))


def hard_limit_c() -> float:
    """Brake temperature that no plan may pass, the reserve of a stop included.

    Returns
    -------
    float
        Temperature. [°C]

    References
    ----------
    grade-severity : 500 °F

    Examples
    --------
    >>> hard_limit_c()
    260.0
    """
    return _default("hard_limit_c")
