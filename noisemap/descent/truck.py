"""The truck that drives: masses excepted, everything a descent needs to know about it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any

from noisemap.data_tables import toml_table
from noisemap.errors import BadDataError
from noisemap.states import RETARDER_KINDS, RetarderKind

PACKAGE = "noisemap.descent.trucks"
DEFAULT_TRUCK = "13L"
OUTLETS = ("stack", "under_chassis")
TEXTS = ("name", "engine", "outlet", "kind")
LISTS = ("gear_ratios", "switch_cylinders", "model_speed_rpm")
TABLES = ("model_power_kw",)
SWITCHABLE = (2, 3, 4, 6)
"""Braking cylinders that a switch can select: pairs of the six, or one of two banks [1]."""


@dataclass(frozen=True)
class Retarder:
    """What the truck can retard with besides its brakes, drag and idle engine."""

    kind: RetarderKind
    lowest_speed_rpm: float  # below it the retarder releases [rpm]
    switch_cylinders: tuple[int, ...]  # braking cylinders at low, medium, high [1]
    published_power_kw: float  # rated, at the highest engine speed, with friction [kW]
    published_exponent: float  # fall of that power with engine speed [1]
    model_speed_rpm: tuple[float, ...]  # nodes of the source model's table [rpm]
    model_power_kw: tuple[tuple[float, ...], ...]  # by switch position, without friction [kW]
    throttle_over_friction: float  # power of an exhaust throttle over friction power [1]
    driveline_torque_nm: float  # at the propeller shaft [N m]
    driveline_power_kw: float  # what its cooling carries off [kW]


@dataclass(frozen=True)
class Brakes:
    """The wheel brakes of the whole truck as one heat sink."""

    heat_capacity_kj_k: float  # [kJ/K]
    cooling_w_k: float  # at a stand [W/K]
    cooling_w_k_per_ms: float  # added for each metre a second [W/K per m/s]


@dataclass(frozen=True)
class TruckModel:
    """One truck; every figure of a packaged truck has its source and mark in its file."""

    name: str
    engine: str  # key of the emission table
    displacement_l: float  # [L]
    friction_constant_bar: float  # friction mean pressure at no speed [bar]
    friction_per_1000_rpm_bar: float  # and its rise [bar per 1000 rpm]
    highest_speed_rpm: float  # engine speed not exceeded downhill [rpm]
    gear_ratios: tuple[float, ...]  # from the lowest gear to the highest [1]
    axle_ratio: float  # [1]
    tyre_radius_m: float  # loaded [m]
    rolling_resistance: float  # [1]
    drag_area_m2: float  # drag coefficient times front area [m2]
    outlet: str  # where the exhaust ends: "stack" or "under_chassis"
    retarder: Retarder
    brakes: Brakes


def truck_names() -> tuple[str, ...]:
    """Names of the packaged trucks.

    Returns
    -------
    tuple of str
        Names, sorted.

    References
    ----------
    own-assumption : three generic trucks, named by their engine's size

    Examples
    --------
    >>> truck_names()
    ('11L', '13L', '15L')
    """
    entries = (entry.name for entry in files(PACKAGE).iterdir())
    return tuple(sorted(name.removesuffix(".toml") for name in entries if name.endswith(".toml")))


@cache
def packaged_truck(name: str = DEFAULT_TRUCK) -> TruckModel:
    """One of the packaged trucks.

    Parameters
    ----------
    name : str
        Name from `truck_names`.

    Returns
    -------
    TruckModel
        The truck.

    Raises
    ------
    BadDataError
        If there is no truck of this name.

    References
    ----------
    engine-practice : engine, gears, retarder; each figure in the truck's file
    nap-13288 : drag and rolling resistance
    grade-severity : brakes

    Examples
    --------
    >>> packaged_truck("13L").displacement_l
    12.8
    """
    return truck_from_table(_packaged_table(name), name)


def truck_from_table(table: Mapping[str, Any], name: str) -> TruckModel:
    """Truck described by a table of a truck file.

    Parameters
    ----------
    table : mapping
        Keys as in the packaged files; a figure stands alone or as a table with
        `value`. With `base` naming a packaged truck, only what differs is needed.
    name : str
        Name of the new truck.

    Returns
    -------
    TruckModel
        The truck.

    Raises
    ------
    BadDataError
        For an unknown or missing key or a value that is not allowed.

    References
    ----------
    own-assumption : the keys of a truck file

    Examples
    --------
    >>> truck_from_table({"base": "13L", "brakes": {"heat_capacity_kj_k": 300.0}}, "old").brakes
    Brakes(heat_capacity_kj_k=300.0, cooling_w_k=134.2, cooling_w_k_per_ms=6.2478)
    """
    given = {key: value for key, value in table.items() if key != "base"}
    base = _plain(_packaged_table(str(_bare(table["base"])))) if "base" in table else {}
    merged = {**base, **_plain(given)}
    for group in ("retarder", "brakes"):
        if not isinstance(given.get(group, {}), Mapping):
            raise BadDataError(f"truck {name!r}: {group}: write a table, [{group}]")
        merged[group] = {**base.get(group, {}), **_plain(given).get(group, {})}
    where = f"truck {name!r}"
    retarder = _build(f"{where}: retarder", Retarder, merged.pop("retarder"))
    brakes = _build(f"{where}: brakes", Brakes, merged.pop("brakes"))
    truck: TruckModel = _build(
        where, TruckModel, {"name": name, "retarder": retarder, "brakes": brakes, **merged}
    )
    _check(where, truck)
    return truck


def _packaged_table(name: str) -> dict[str, Any]:
    if name not in truck_names():
        raise BadDataError(
            f"truck {name!r} is not packaged (allowed: {', '.join(truck_names())}); "
            "or give the file of your own truck"
        )
    return toml_table(PACKAGE, f"{name}.toml")


def _bare(value: Any) -> Any:
    if isinstance(value, Mapping) and "value" in value:
        return value["value"]
    return value


def _plain(table: Mapping[str, Any]) -> dict[str, Any]:
    return {
        key: _plain(value)
        if isinstance(value, Mapping) and "value" not in value
        else _tupled(_bare(value))
        for key, value in table.items()
    }


def _tupled(value: Any) -> Any:
    return tuple(_tupled(item) for item in value) if isinstance(value, list) else value


def _build(where: str, kind: Any, values: dict[str, Any]) -> Any:
    wanted = set(kind.__dataclass_fields__)
    unknown, missing = sorted(set(values) - wanted), sorted(wanted - set(values))
    if unknown or missing:
        raise BadDataError(
            f"{where}: unknown keys: {', '.join(unknown) or 'none'}; "
            f"missing keys: {', '.join(missing) or 'none'} (allowed: {', '.join(sorted(wanted))})"
        )
    return kind(**values)


def _check(where: str, truck: TruckModel) -> None:
    for owner in (truck, truck.retarder, truck.brakes):
        for key, value in vars(owner).items():
            if owner is truck and key in ("retarder", "brakes"):
                continue
            if not _fits(key, value):
                shown = str(value)[:60]
                raise BadDataError(
                    f"{where}: {key}: {shown} is not allowed (allowed: {_kind(key)})"
                )
    retarder = truck.retarder
    nodes = len(retarder.model_speed_rpm)
    faults = {
        f"retarder.kind (allowed: {', '.join(RETARDER_KINDS)})": retarder.kind in RETARDER_KINDS,
        f"outlet (allowed: {', '.join(OUTLETS)})": truck.outlet in OUTLETS,
        "gear_ratios (allowed: falling from the lowest gear on)": list(truck.gear_ratios)
        == sorted(set(truck.gear_ratios), reverse=True),
        f"retarder.switch_cylinders (allowed: rising, of {', '.join(map(str, SWITCHABLE))})": list(
            retarder.switch_cylinders
        )
        == sorted(set(retarder.switch_cylinders) & set(SWITCHABLE)),
        "retarder.model_speed_rpm (allowed: two or more, rising)": nodes >= 2
        and list(retarder.model_speed_rpm) == sorted(set(retarder.model_speed_rpm)),
        "retarder.model_power_kw (allowed: a row a switch position, a number an engine speed)": [
            len(row) for row in retarder.model_power_kw
        ]
        == [nodes] * len(retarder.switch_cylinders),
    }
    for fault, holds in faults.items():
        if not holds:
            raise BadDataError(f"{where}: not allowed: {fault}")


def _fits(key: str, value: Any) -> bool:
    """Whether a value is of the kind of its key, and its numbers are finite and above 0."""
    if key in TEXTS:
        return isinstance(value, str)
    if key in TABLES:
        return isinstance(value, tuple) and all(_fits(LISTS[0], row) for row in value)
    if key in LISTS:
        return isinstance(value, tuple) and bool(value) and all(map(_above_zero, value))
    return _above_zero(value)


def _above_zero(value: Any) -> bool:
    plain = isinstance(value, int | float) and not isinstance(value, bool)
    return plain and 0.0 < value < float("inf")


def _kind(key: str) -> str:
    """What may stand for a key, in words."""
    if key in TEXTS:
        return "a text in quotes"
    if key in TABLES:
        return "a list of lists of numbers above 0"
    return "a list of numbers above 0" if key in LISTS else "a number above 0"
