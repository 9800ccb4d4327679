"""One engine at one operating point, run until its exhaust repeats itself."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from noisemap.checks import require_between, require_positive
from noisemap.data_tables import toml_table
from noisemap.errors import NoisemapError, OutOfDomainError
from noisemap.source.engine_family import Engine
from noisemap.source.engine_kernel import (
    BANKS,
    CYCLE_DEG,
    CYLINDERS,
    TALLY,
    Sources,
    Turbine,
    _engine_cycle,
    _volume,
)
from noisemap.source.gas_dynamics import outlet_load
from noisemap.source.turbocharger import balanced_boost, turbine_efficiency

FloatArray = npt.NDArray[np.float64]

BRAKING = {0: (), 2: (1, 2), 3: (1, 2, 3), 4: (1, 2, 3, 4), 6: (1, 2, 3, 4, 5, 6)}
"""Which cylinders brake, by their number: housings act on neighbours."""

BOOST_TOLERANCE = 1e-3
SETTLED = 3e-3
COARSE_CYCLES = (10, 60)
FINE_CYCLES = (3, 12)
LARGEST_COURANT = 0.95


@dataclass(frozen=True)
class Draw:
    """One truck of an ensemble: what differs from the engine's own figures."""

    pipe_length_m: float
    speed_factor: float = 1.0
    lift_factors: tuple[float, ...] = (1.0,) * CYLINDERS


@dataclass(frozen=True)
class EngineRun:
    """Periodic operation of one engine; pressures absolute, powers positive when absorbed."""

    engine_speed_rpm: float
    outlet_velocity: FloatArray  # (steps,) over one cycle [m/s]
    boost_pa: float
    peak_pressure_pa: FloatArray  # (cylinders,) [Pa]
    braking: tuple[int, ...]
    indicated_power_w: float
    closed_cycle_power_w: float
    mass_flow_kg_s: float
    outlet_mass_flow_kg_s: float
    turbine_temperature_k: float
    pipe_temperature_k: float
    choked_power_w: float
    change: float  # relative change of the outlet velocity over the last cycle [1]
    cycles: int

    @property
    def cycle_s(self) -> float:
        """Duration of a cycle of 720 degrees [s]."""
        return 120.0 / self.engine_speed_rpm


def braking_cylinders(count: int) -> tuple[int, ...]:
    """Numbers of the cylinders that brake.

    Parameters
    ----------
    count : int
        How many. [1] 0, 2, 3, 4 or 6.

    Returns
    -------
    tuple of int
        Cylinder numbers from 1.

    Raises
    ------
    OutOfDomainError
        For another count.

    References
    ----------
    engine-practice : housings act on two or three neighbouring cylinders

    Examples
    --------
    >>> braking_cylinders(4)
    (1, 2, 3, 4)
    """
    if count not in BRAKING:
        raise OutOfDomainError(
            f"braking cylinders: {count} is not allowed "
            f"(allowed: {', '.join(str(number) for number in BRAKING)})"
        )
    return BRAKING[count]


def simulate(
    engine: Engine,
    engine_speed_rpm: float,
    cylinders: int,
    draw: Draw | None = None,
    *,
    cell_m: float = 0.01,
    boost_pa: float | None = None,
) -> EngineRun:
    """Periodic operation of a braking engine and the velocity at its outlet.

    Coarse cells flush the pipe and settle the boost; the asked cells follow with that
    boost until the outlet velocity repeats itself.

    Parameters
    ----------
    engine : Engine
        The engine.
    engine_speed_rpm : float
        Engine speed before the draw's factor. [rpm] 500 to 2600.
    cylinders : int
        How many cylinders brake. [1] 0, 2, 3, 4 or 6.
    draw : Draw, optional
        The truck; by default the engine's own pipe without scatter.
    cell_m : float
        Length of the cells. [m] 0.002 to 0.06.
    boost_pa : float, optional
        Absolute boost pressure. [Pa] By default from the turbocharger's power balance.

    Returns
    -------
    EngineRun
        The last cycle.

    Raises
    ------
    OutOfDomainError
        For a speed, number of cylinders or cell length outside its range.
    NoisemapError
        If the flow does not settle.

    References
    ----------
    exhaust-model : cylinders, manifold banks, turbine and pipe in one scheme
    """
    draw = draw or Draw(engine.pipe_length_m)
    require_between("cell length", cell_m, 0.002, 0.06, "m")
    require_between("engine speed", engine_speed_rpm, 500.0, 2600.0, "rpm")
    if boost_pa is not None:
        require_positive("boost pressure", boost_pa, "Pa")
    numbers = braking_cylinders(cylinders)
    model = toml_table("noisemap.source", "exhaust_model.toml")
    coarse = max(cell_m, float(model["solver"]["coarse_cell_m"]["value"]))
    machine = _Machine(engine, engine_speed_rpm * draw.speed_factor, numbers, draw, coarse)
    machine.settle_boost(boost_pa)
    if cell_m < coarse:
        machine = machine.refined(cell_m)
    return machine.settle_outlet()


class _Machine:
    """The state of the whole engine on one grid."""

    def __init__(
        self,
        engine: Engine,
        speed_rpm: float,
        braking: tuple[int, ...],
        draw: Draw,
        cell_m: float,
    ) -> None:
        model = toml_table("noisemap.source", "exhaust_model.toml")
        ambient = model["ambient"]
        self.engine, self.speed_rpm, self.braking, self.draw = engine, speed_rpm, braking, draw
        self.speed = np.pi * speed_rpm / 30.0
        self.courant = float(model["solver"]["courant"]["value"])
        self.outside = outlet_load(engine.pipe_diameter_m)
        self.bank_duct = _duct(
            engine.manifold_length_m,
            cell_m,
            engine.manifold_diameter_m,
            engine.fanning,
            engine.manifold_wall_k,
        )
        self.pipe_duct = _duct(
            draw.pipe_length_m, cell_m, engine.pipe_diameter_m, engine.fanning, engine.pipe_wall_k
        )
        cells = round(engine.manifold_length_m / self.bank_duct[0])
        self.ports, self.weights = port_weights(
            engine.ports_m, engine.port_width_m, self.bank_duct[0], cells
        )
        self.parts = (engine.geometry, engine.brake, engine.exhaust, engine.intake)
        interval = CYCLE_DEG / CYLINDERS
        self.offsets = np.zeros(CYLINDERS)
        for place, number in enumerate(engine.firing_order):
            self.offsets[number - 1] = interval * place
        self.scales = np.array(
            [draw.lift_factors[c] if c + 1 in braking else 0.0 for c in range(CYLINDERS)]
        )
        self.boost = 1.3 * float(ambient["pressure_pa"]["value"])
        self.load = 0.0
        self.waves = (1100.0, 1100.0)
        gamma, constant = engine.gas
        pipe_cells = round(draw.pipe_length_m / self.pipe_duct[0])
        self.pipe = _still_gas(pipe_cells, 1.02e5, 450.0, engine.gas)
        self.banks = np.stack([_still_gas(cells, 1.3e5, 500.0, engine.gas) for _ in range(BANKS)])
        volumes = np.array([_volume(-offset, engine.geometry)[0] for offset in self.offsets])
        energy = self.boost * volumes / (gamma - 1.0)
        self.cylinders = np.stack(
            [self.boost * volumes / (constant * engine.intake_k), energy], axis=1
        )

    def cycle(self) -> tuple[FloatArray, FloatArray, dict[str, float]]:
        """One cycle, repeated with more steps if a wave outran the grid."""
        engine = self.engine
        period = CYCLE_DEG / np.degrees(self.speed)
        sources = Sources(self.boost, engine.intake_k, engine.cylinder_wall_k, 1.0)
        efficiency = turbine_efficiency(engine, self.speed_rpm)
        turbine = Turbine(engine.turbine_area_m2 / BANKS, efficiency)
        for _ in range(6):
            rate = max(self.waves[0] / self.bank_duct[0], self.waves[1] / self.pipe_duct[0])
            steps = int(np.ceil(period * rate / self.courant))
            banks, pipe, cylinders = self.banks.copy(), self.pipe.copy(), self.cylinders.copy()
            record, peaks, tally = np.zeros(steps), np.zeros(CYLINDERS), np.zeros(len(TALLY))
            load, *waves = _engine_cycle(
                banks, pipe, self.load, cylinders, self.speed, self.offsets, self.scales,
                self.ports, self.weights, (*self.parts, engine.seat_share), sources, engine.gas,
                turbine, self.bank_duct, self.pipe_duct, self.outside, steps, record, peaks, tally,
            )  # fmt: skip
            used = (
                self.courant
                * max(waves[0] / self.bank_duct[0], waves[1] / self.pipe_duct[0])
                / rate
            )
            finite = bool(np.isfinite(record).all() and np.isfinite(used))
            if finite:
                self.waves = (1.03 * waves[0], 1.03 * waves[1])
            else:
                self.waves = (1.5 * self.waves[0], 1.5 * self.waves[1])
            if finite and used <= LARGEST_COURANT:
                self.banks, self.pipe, self.cylinders, self.load = banks, pipe, cylinders, load
                return record, peaks, dict(zip(TALLY, tally.tolist(), strict=True))
        raise NoisemapError(
            f"engine {engine.name!r} at {self.speed_rpm:.0f} rpm: the flow does not stay finite; "
            "check the engine's valve, manifold and pipe figures"
        )

    def settle_boost(self, given: float | None) -> None:
        """Run on this grid until the boost holds itself, or with the given one."""
        least, most = COARSE_CYCLES
        if given is not None:
            self.boost = given
            for _ in range(least):
                self.cycle()
            return
        for number in range(most):
            _, _, tally = self.cycle()
            target = balanced_boost(
                self.engine, max(tally["turbine_power"], 0.0), max(tally["intake_flow"], 1e-3)
            )
            change = target / self.boost - 1.0
            self.boost *= 1.0 + 0.6 * change
            if number >= least and abs(change) < BOOST_TOLERANCE:
                return
        raise NoisemapError(
            f"engine {self.engine.name!r} at {self.speed_rpm:.0f} rpm: the boost does not "
            "settle; give a boost pressure or check the turbocharger's figures"
        )

    def refined(self, cell_m: float) -> _Machine:
        """The same state on finer cells."""
        finer = _Machine(self.engine, self.speed_rpm, self.braking, self.draw, cell_m)
        finer.boost, finer.load, finer.waves = self.boost, self.load, self.waves
        finer.cylinders = self.cylinders.copy()
        for bank in range(BANKS):
            _transfer(self.banks[bank], finer.banks[bank])
        _transfer(self.pipe, finer.pipe)
        return finer

    def settle_outlet(self) -> EngineRun:
        """Run on this grid until the outlet velocity repeats itself."""
        least, most = FINE_CYCLES
        before: FloatArray | None = None
        change = np.inf
        for number in range(1, most + 1):
            record, peaks, tally = self.cycle()
            if before is not None:
                change = _relative_change(before, record)
            before = record
            if number >= least and change < SETTLED:
                break
        return self._result(record, peaks, tally, change, number)

    def _result(
        self, record: FloatArray, peaks: FloatArray, tally: dict[str, float],
        change: float, cycles: int,
    ) -> EngineRun:  # fmt: skip
        heat = tally["turbine_heat"]
        flow = max(tally["inlet_flow"], 1e-9)
        gamma, constant = self.engine.gas
        capacity = gamma * constant / (gamma - 1.0)
        return EngineRun(
            self.speed_rpm,
            record,
            self.boost,
            peaks,
            self.braking,
            -tally["indicated_work"],
            -tally["closed_work"],
            tally["inlet_flow"],
            tally["outlet_flow"],
            heat / flow,
            heat / flow - tally["turbine_power"] / (flow * capacity),
            tally["choked_power"],
            change,
            cycles,
        )


def port_weights(
    ports_m: Sequence[float], width_m: float, cell_m: float, cells: int
) -> tuple[npt.NDArray[np.int64], FloatArray]:
    """Share of each cell in the mouth of each port.

    Parameters
    ----------
    ports_m : sequence of float
        Centres of the ports from the closed end. [m]
    width_m : float
        Width of a mouth. [m]
    cell_m : float
        Length of the cells. [m]
    cells : int
        Number of cells. [1]

    Returns
    -------
    first : ndarray
        Index of the first cell of each mouth in an array with two ghost cells. [1]
    weights : ndarray
        Shares by port and cell, each row sums to one. [1]

    References
    ----------
    own-assumption : flow is spread evenly over the width of the mouth

    Examples
    --------
    >>> import numpy as np
    >>> first, weights = port_weights([0.05], 0.02, 0.01, 10)
    >>> [int(first[0]), np.round(weights, 3).tolist()]
    [6, [[0.5, 0.5, 0.0]]]
    """
    count = int(np.ceil(width_m / cell_m)) + 1
    first = np.zeros(len(ports_m), dtype=np.int64)
    weights = np.zeros((len(ports_m), count))
    for row, centre in enumerate(ports_m):
        start, end = centre - 0.5 * width_m, centre + 0.5 * width_m
        lowest = min(int(np.floor(start / cell_m + 1e-9)), cells - count)
        first[row] = lowest + 2
        edges = (lowest + np.arange(count + 1)) * cell_m
        overlap = np.minimum(edges[1:], end) - np.maximum(edges[:-1], start)
        weights[row] = np.maximum(np.where(overlap > 1e-9, overlap, 0.0), 0.0) / width_m
    return first, weights


def _duct(length: float, cell: float, diameter: float, fanning: float, wall_k: float) -> FloatArray:
    """Cell length, cross-section, diameter, friction factor and wall temperature."""
    return np.array(
        [length / round(length / cell), 0.25 * np.pi * diameter**2, diameter, fanning, wall_k]
    )


def _still_gas(
    cells: int, pressure: float, temperature: float, gas: tuple[float, float]
) -> FloatArray:
    gamma, constant = gas
    q = np.zeros((3, cells + 4))
    q[0] = pressure / (constant * temperature)
    q[2] = pressure / (gamma - 1.0)
    return q


def _transfer(coarse: FloatArray, fine: FloatArray) -> None:
    """Interpolate cell means from one grid to another of the same duct."""
    old, new = coarse.shape[1] - 4, fine.shape[1] - 4
    at_old = (np.arange(old) + 0.5) / old
    at_new = (np.arange(new) + 0.5) / new
    for row in range(3):
        fine[row, 2:-2] = np.interp(at_new, at_old, coarse[row, 2:-2])


def _relative_change(before: FloatArray, now: FloatArray) -> float:
    """Root mean square difference of two cycles relative to the fluctuation."""
    if len(before) != len(now):
        at = np.arange(len(now)) / len(now)
        before = np.interp(at, np.arange(len(before)) / len(before), before, period=1.0)
    spread = np.std(now)
    return float(np.sqrt(np.mean((before - now) ** 2)) / max(spread, 1e-9))


__all__ = [
    "BRAKING", "Draw", "EngineRun", "braking_cylinders", "port_weights", "simulate",
]  # fmt: skip
