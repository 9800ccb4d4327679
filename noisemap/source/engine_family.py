"""Engines as data: dimensions, valve events, manifold, turbine and pipe."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from itertools import pairwise
from typing import Any

import numpy as np

from noisemap.data_tables import toml_table
from noisemap.errors import OutOfDomainError
from noisemap.source.engine_kernel import CYLINDERS, Gas, Geometry, Lift

PACKAGED = ("11L", "13L", "15L")

# Widest values for which the model is meant, by table and key of an engine file.
ALLOWED: dict[str, dict[str, tuple[float, float]]] = {
    "cylinder": {
        "bore_mm": (80.0, 170.0),
        "stroke_mm": (80.0, 200.0),
        "rod_mm": (130.0, 350.0),
        "compression_ratio": (12.0, 22.0),
        "wall_k": (300.0, 700.0),
    },
    "brake_valve": {
        "lift_mm": (0.0, 4.0),
        "valves": (1, 2),
        "lash_mm": (0.0, 1.0),
        "discharge": (0.4, 1.0),
    },
    "exhaust_valve": {
        "lift_mm": (6.0, 18.0),
        "valves": (1, 2),
        "diameter_mm": (25.0, 65.0),
        "discharge": (0.4, 1.0),
    },
    "intake_valve": {
        "lift_mm": (6.0, 18.0),
        "valves": (1, 2),
        "diameter_mm": (25.0, 65.0),
        "discharge": (0.4, 1.0),
    },
    "valves": {"seat_share": (0.5, 1.0)},
    "turbocharger": {
        "turbine_area_cm2": (4.0, 30.0),
        "turbine_efficiency": (0.2, 0.85),
        "efficiency_at_rest": (0.0, 1.0),
        "efficiency_slope": (0.0, 1.0),
        "compressor_efficiency": (0.3, 0.85),
        "mechanical_efficiency": (0.5, 1.0),
        "intake_k": (270.0, 370.0),
    },
    "manifold": {
        "length_m": (0.3, 1.2),
        "diameter_mm": (35.0, 90.0),
        "port_width_mm": (20.0, 80.0),
        "wall_k": (290.0, 900.0),
    },
    "pipe": {
        "diameter_mm": (70.0, 180.0),
        "length_m": (1.5, 8.0),
        "wall_k": (290.0, 900.0),
        "fanning": (0.0, 0.02),
    },
    "gas": {"gamma": (1.25, 1.41), "constant_j_kg_k": (280.0, 300.0)},
    "speed": {"rated_rpm": (1200.0, 2600.0)},
    "friction": {"constant_bar": (0.0, 3.0), "per_m_s_bar": (0.0, 0.5)},
}
ANGLES = ("brake_valve", "exhaust_valve", "intake_valve")
SWITCHES = ("two_positions", "three_positions")


@dataclass(frozen=True)
class Engine:
    """A six-cylinder engine in SI units, ready for the model."""

    name: str
    geometry: Geometry
    cylinder_wall_k: float
    firing_order: tuple[int, ...]
    brake: Lift
    exhaust: Lift
    intake: Lift
    seat_share: float
    turbine_area_m2: float
    turbine_efficiency: tuple[float, float, float]
    compressor_efficiency: float
    mechanical_efficiency: float
    intake_k: float
    manifold_length_m: float
    manifold_diameter_m: float
    ports_m: tuple[float, ...]
    port_width_m: float
    manifold_wall_k: float
    pipe_diameter_m: float
    pipe_length_m: float
    pipe_wall_k: float
    fanning: float
    gas: Gas
    rated_rpm: float
    friction_bar: tuple[float, float]
    published_power_kw: tuple[float, float]

    @property
    def pipe_area_m2(self) -> float:
        """Cross-section of the exhaust pipe [m2]."""
        return 0.25 * np.pi * self.pipe_diameter_m**2

    @property
    def displacement_m3(self) -> float:
        """Swept volume of all cylinders [m3]."""
        return CYLINDERS * 0.25 * np.pi * self.geometry.bore**2 * 2.0 * self.geometry.crank


@cache
def packaged_engine(name: str) -> Engine:
    """Engine family that comes with the package.

    Parameters
    ----------
    name : {"11L", "13L", "15L"}
        Key of the engine.

    Returns
    -------
    Engine
        The engine.

    Raises
    ------
    OutOfDomainError
        If there is no such engine.

    References
    ----------
    engine-practice : dimensions, recalled
    exhaust-model : turbine area, manifold and valve events

    Examples
    --------
    >>> round(packaged_engine("15L").displacement_m3 * 1e3, 3)
    14.948
    """
    if name not in PACKAGED:
        raise OutOfDomainError(
            f"engine {name!r} is not allowed (allowed: {', '.join(PACKAGED)}); "
            "or give an engine file of your own"
        )
    return engine_from_table(name, toml_table("noisemap.source", f"engines/{name}.toml"))


def engine_template(name: str) -> str:
    """Text of a packaged engine file, to start an engine of one's own from.

    Parameters
    ----------
    name : {"11L", "13L", "15L"}
        Key of the engine.

    Returns
    -------
    str
        Content of the file, TOML.

    References
    ----------
    engine-practice : dimensions, recalled

    Examples
    --------
    >>> "[turbocharger]" in engine_template("13L")
    True
    """
    packaged_engine(name)
    return files("noisemap.source").joinpath(f"engines/{name}.toml").read_text(encoding="utf-8")


def engine_from_table(name: str, table: Mapping[str, Any]) -> Engine:
    """Engine from the tables of an engine file.

    Parameters
    ----------
    name : str
        Name to show.
    table : mapping
        Content of the file; every entry is a table with `value`, `source` and `mark`.

    Returns
    -------
    Engine
        The engine.

    Raises
    ------
    OutOfDomainError
        Names every entry that is missing, unknown, outside its range or out of order.

    References
    ----------
    own-assumption : ranges for which the model is meant

    Examples
    --------
    >>> import tomllib
    >>> engine = engine_from_table("mine", tomllib.loads(engine_template("13L")))
    >>> round(engine.displacement_m3 * 1e3, 2)
    12.78
    """
    reader = _Reader(name, table)
    values = {
        group: {key: reader.number(group, key, *bounds) for key, bounds in keys.items()}
        for group, keys in ALLOWED.items()
    }
    angles = {group: reader.rising(group, "angles_deg", 4, -180.0, 720.0) for group in ANGLES}
    order = reader.numbers("cylinder", "firing_order", CYLINDERS)
    ports = reader.rising("manifold", "ports_m", 3, 0.0, values["manifold"]["length_m"])
    power = reader.rising("published_power", "range_kw", 2, 0.0, 2000.0)
    reader.require(sorted(order) == list(range(1, CYLINDERS + 1)), "cylinder.firing_order")
    cylinder, manifold = values["cylinder"], values["manifold"]
    half_port = 0.5e-3 * manifold["port_width_mm"]
    reader.require(
        half_port <= ports[0] and ports[-1] + half_port <= manifold["length_m"],
        "manifold.ports_m (with their width inside the manifold)",
    )
    reader.require(cylinder["rod_mm"] > 0.75 * cylinder["stroke_mm"], "cylinder.rod_mm")
    reader.finish()
    piston = 0.25 * np.pi * (1e-3 * cylinder["bore_mm"]) ** 2
    swept = piston * 1e-3 * cylinder["stroke_mm"]
    diameters = {
        "brake_valve": values["exhaust_valve"]["diameter_mm"],
        "exhaust_valve": values["exhaust_valve"]["diameter_mm"],
        "intake_valve": values["intake_valve"]["diameter_mm"],
    }
    lifts = {
        group: Lift(
            angles[group][0],
            angles[group][1],
            angles[group][2],
            angles[group][3],
            1e-3 * values[group]["lift_mm"],
            1e-3 * values[group].get("lash_mm", 0.0),
            1e-3 * diameters[group],
            float(values[group]["valves"]),
            values[group]["discharge"],
        )
        for group in ANGLES
    }
    charger, pipe = values["turbocharger"], values["pipe"]
    return Engine(
        name=name,
        geometry=Geometry(
            1e-3 * cylinder["bore_mm"],
            0.5e-3 * cylinder["stroke_mm"],
            1e-3 * cylinder["rod_mm"],
            swept / (cylinder["compression_ratio"] - 1.0),
        ),
        cylinder_wall_k=cylinder["wall_k"],
        firing_order=tuple(int(number) for number in order),
        brake=lifts["brake_valve"],
        exhaust=lifts["exhaust_valve"],
        intake=lifts["intake_valve"],
        seat_share=values["valves"]["seat_share"],
        turbine_area_m2=1e-4 * charger["turbine_area_cm2"],
        turbine_efficiency=(
            charger["turbine_efficiency"],
            charger["efficiency_at_rest"],
            charger["efficiency_slope"],
        ),
        compressor_efficiency=charger["compressor_efficiency"],
        mechanical_efficiency=charger["mechanical_efficiency"],
        intake_k=charger["intake_k"],
        manifold_length_m=manifold["length_m"],
        manifold_diameter_m=1e-3 * manifold["diameter_mm"],
        ports_m=ports,
        port_width_m=1e-3 * manifold["port_width_mm"],
        manifold_wall_k=manifold["wall_k"],
        pipe_diameter_m=1e-3 * pipe["diameter_mm"],
        pipe_length_m=pipe["length_m"],
        pipe_wall_k=pipe["wall_k"],
        fanning=pipe["fanning"],
        gas=Gas(values["gas"]["gamma"], values["gas"]["constant_j_kg_k"]),
        rated_rpm=values["speed"]["rated_rpm"],
        friction_bar=(values["friction"]["constant_bar"], values["friction"]["per_m_s_bar"]),
        published_power_kw=(power[0], power[1]),
    )


def switch_positions(name: str) -> dict[str, tuple[int, ...]]:
    """Numbers of cylinders that brake at the positions of an engine's switches.

    Parameters
    ----------
    name : {"11L", "13L", "15L"}
        Key of the engine.

    Returns
    -------
    dict
        Numbers of cylinders, rising, by the kind of switch. [1]

    Raises
    ------
    OutOfDomainError
        If there is no such engine.

    References
    ----------
    engine-practice : low, medium and high act on two, four and six cylinders
    own-assumption : low and high act on one bank, and on both

    Examples
    --------
    >>> switch_positions("15L")
    {'two_positions': (3, 6), 'three_positions': (2, 4, 6)}
    """
    packaged_engine(name)
    table = toml_table("noisemap.source", f"engines/{name}.toml")["switch"]
    return {kind: tuple(table[kind]["value"]) for kind in SWITCHES}


def require_braking_cylinders(name: str, cylinders: int) -> int:
    """Number of braking cylinders, if one of the engine's switches can select it.

    Parameters
    ----------
    name : {"11L", "13L", "15L"}
        Key of the engine.
    cylinders : int
        How many cylinders brake. [1] 0, or the position of a switch.

    Returns
    -------
    int
        The number. [1]

    Raises
    ------
    OutOfDomainError
        For a number that no switch selects, or an unknown engine.

    References
    ----------
    engine-practice : positions of the switches

    Examples
    --------
    >>> require_braking_cylinders("15L", 4)
    4
    """
    switches = switch_positions(name)
    if cylinders != 0 and not any(cylinders in positions for positions in switches.values()):
        two, three = (
            ", ".join(str(number) for number in positions[:-1]) + f" or {positions[-1]}"
            for positions in (switches[kind] for kind in SWITCHES)
        )
        raise OutOfDomainError(
            f"braking cylinders: {cylinders} is not allowed (allowed: 0 for motoring; "
            f"{three} with a switch of three positions; {two} with a switch of two)"
        )
    return cylinders


class _Reader:
    """Takes entries from an engine file and collects every fault."""

    def __init__(self, name: str, table: Mapping[str, Any]) -> None:
        self.name = name
        self.table = table
        self.faults: list[str] = []
        self.seen: set[tuple[str, str]] = {("switch", kind) for kind in SWITCHES}

    def entry(self, group: str, key: str) -> Any:
        self.seen.add((group, key))
        try:
            return self.table[group][key]["value"]
        except (KeyError, TypeError):
            self.faults.append(f"{group}.{key}: missing, write {{ value = ... }}")
            return None

    def number(self, group: str, key: str, low: float, high: float) -> float:
        value = self.entry(group, key)
        if value is None:
            return low
        number = isinstance(value, (int, float)) and not isinstance(value, bool)
        if not number or not low <= value <= high:
            self.faults.append(
                f"{group}.{key}: {value!r} is not allowed (allowed: {low:g}..{high:g})"
            )
            return low
        return float(value)

    def numbers(self, group: str, key: str, count: int) -> tuple[float, ...]:
        value = self.entry(group, key)
        fits = isinstance(value, list) and len(value) == count
        if not fits or not all(isinstance(item, (int, float)) for item in value):
            if value is not None:
                self.faults.append(f"{group}.{key}: {value!r} is not a list of {count} numbers")
            return tuple(float(number) for number in range(count))
        return tuple(float(item) for item in value)

    def rising(
        self, group: str, key: str, count: int, low: float, high: float
    ) -> tuple[float, ...]:
        values = self.numbers(group, key, count)
        ordered = all(a < b for a, b in pairwise(values))
        if not ordered or values[0] < low or values[-1] > high:
            self.faults.append(
                f"{group}.{key}: {list(values)} is not allowed "
                f"(allowed: rising within {low:g}..{high:g})"
            )
        return values

    def require(self, holds: bool, what: str) -> None:
        if not holds:
            self.faults.append(f"{what}: does not fit the other entries")

    def finish(self) -> None:
        for group, entries in self.table.items():
            for key in entries if isinstance(entries, Mapping) else [""]:
                if (group, key) not in self.seen:
                    self.faults.append(f"{group}.{key}: unknown entry")
        if self.faults:
            raise OutOfDomainError(f"engine {self.name!r}: " + "; ".join(self.faults))
