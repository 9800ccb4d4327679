"""Boost from the power balance of the turbocharger."""

from __future__ import annotations

from noisemap.checks import require_between, require_positive
from noisemap.data_tables import toml_table
from noisemap.source.engine_family import Engine


def turbine_efficiency(engine: Engine, engine_speed_rpm: float) -> float:
    """Efficiency of the turbine at an engine speed.

    Parameters
    ----------
    engine : Engine
        The engine.
    engine_speed_rpm : float
        Engine speed. [rpm]

    Returns
    -------
    float
        Efficiency. [1]

    References
    ----------
    exhaust-model : eta_t = 0.65 (0.55 + 0.45 n / 2100), assumed

    Examples
    --------
    >>> from noisemap.source.engine_family import packaged_engine
    >>> round(turbine_efficiency(packaged_engine("15L"), 1050.0), 5)
    0.50375
    """
    best, at_rest, slope = engine.turbine_efficiency
    return best * (at_rest + slope * engine_speed_rpm / engine.rated_rpm)


def balanced_boost(engine: Engine, turbine_power_w: float, air_flow_kg_s: float) -> float:
    """Boost pressure that the turbine's power can hold.

    Parameters
    ----------
    engine : Engine
        The engine.
    turbine_power_w : float
        Mean power of the turbine. [W] 0 and above.
    air_flow_kg_s : float
        Mean air flow of the engine. [kg/s] Above 0.

    Returns
    -------
    float
        Absolute pressure after the compressor. [Pa]

    Raises
    ------
    OutOfDomainError
        If the power is negative or the air flow not above zero.

    References
    ----------
    exhaust-model : eta_m P = m cp T1 ((pb/pa)^0.286 - 1) / eta_c

    Examples
    --------
    >>> from noisemap.source.engine_family import packaged_engine
    >>> round(balanced_boost(packaged_engine("15L"), 0.0, 0.5))
    101325
    """
    model = toml_table("noisemap.source", "exhaust_model.toml")
    power = float(require_between("turbine power", turbine_power_w, 0.0, 1e7, "W"))
    flow = float(require_positive("air flow", air_flow_kg_s, "kg/s"))
    work = engine.mechanical_efficiency * power / flow
    inlet_k = float(model["ambient"]["temperature_k"]["value"])
    heat = float(model["compressor"]["heat_capacity"]["value"]) * inlet_k
    rise = 1.0 + engine.compressor_efficiency * work / heat
    ambient = float(model["ambient"]["pressure_pa"]["value"])
    return ambient * float(rise ** (1.0 / model["compressor"]["exponent"]["value"]))
