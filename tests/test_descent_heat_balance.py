"""The brake heat balance: exact, closed in energy, bounded, and the recalled federal model."""

from __future__ import annotations

import csv
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad, solve_ivp

from noisemap.data_tables import toml_table
from noisemap.descent.brake_temperature import (
    PRESETS,
    Conditions,
    HeatSink,
    IronSink,
    cross_flow_transfer,
    hard_limit_c,
    heat_map,
    heat_model,
    length_to_limit,
    step_temperature,
    stop_rise,
)
from noisemap.descent.drive import Drive, drive
from noisemap.descent.forces import (
    air_force,
    federal_drag_force,
    federal_engine_power,
    gravity_force,
    rolling_force,
)
from noisemap.descent.truck import TruckModel, packaged_truck
from noisemap.errors import OutOfDomainError
from noisemap.units import (
    HORSEPOWER_W,
    MILE_M,
    POUND_KG,
    STANDARD_GRAVITY,
    celsius,
    fahrenheit,
    metres_per_second,
)

VERIFICATION = Path(__file__).parent / "verification" / "descent"
TRUCK = packaged_truck("13L")
SINK = HeatSink(392.9e3, 134.2, 6.2478)


def rows(name: str) -> list[dict[str, float]]:
    with (VERIFICATION / name).open(encoding="utf-8") as stream:
        return [
            {key: float(value) for key, value in row.items() if key not in ("source", "mark")}
            for row in csv.DictReader(stream)
        ]


def hill(
    weight_lb: float, grade_percent: float, miles: float, mph: float, preset: str, **changes: object
) -> Drive:
    """One steady grade without retarder; the length runs along the slope."""
    slope = grade_percent / 100.0
    run = miles * MILE_M if preset == "federal" else miles * MILE_M / np.hypot(1.0, slope)
    return drive(
        [0.0, run],
        [-slope],
        metres_per_second(mph),
        TRUCK,
        weight_lb * POUND_KG,
        retarder_kind="none",
        conditions=Conditions(preset, **changes),
    )


@pytest.mark.parametrize("row", rows("federal_rows.csv"))
def test_federal_rows_through_the_common_engine(row):
    # COMPUTED from the recalled equations (MEMORY-H): within 0.1 °F, the power exact
    found = hill(row["weight_lb"], row["grade_percent"], row["miles"], row["mph"], "federal")
    assert found.brake_w[0] / HORSEPOWER_W == pytest.approx(row["horsepower"], abs=0.0051)
    assert fahrenheit(found.temperature_c[1]) == pytest.approx(row["end_f"], abs=0.1)
    assert found.stop_c[1] * 1.8 == pytest.approx(row["stop_f"], abs=0.1)
    assert fahrenheit(found.peak_c) == pytest.approx(row["peak_f"], abs=0.15)


@pytest.mark.parametrize("row", rows("federal_largest_speed.csv"))
def test_federal_peak_crosses_the_limit_where_it_should(row):
    # COMPUTED: the last speed, in tenths of a mile an hour, before the first crossing;
    # within the 0.1 °F of the rows above
    arguments = row["weight_lb"], row["grade_percent"], row["miles"]
    assert hill(*arguments, row["mph"], "federal").peak_c <= hard_limit_c() + 0.1 / 1.8
    assert hill(*arguments, row["mph"] + 0.1, "federal").peak_c > hard_limit_c() - 0.1 / 1.8


def test_federal_constants_close_as_one_heat_sink():
    # COMPUTED proof of recall: K1 K2 = 12.3 at every speed, that is one heat sink; the
    # stop factor 3.11e-7 is 1.5 kinetic energies
    sink = heat_model(TRUCK, Conditions("federal"))
    assert isinstance(sink, HeatSink)
    for mph in (0.0, 30.0, 60.0):
        k1 = (1.23 + 0.0256 * mph) / 3600.0
        k2 = 1.0 / ((0.100 + 0.00208 * mph) * 1.8 * HORSEPOWER_W)
        cooling = sink.cooling(metres_per_second(mph))
        assert cooling == pytest.approx(1.0 / k2, rel=1e-5)
        assert cooling / sink.capacity_j_k == pytest.approx(k1, rel=3e-4)
    rise = stop_rise(POUND_KG, metres_per_second(1.0), 0.0, sink.capacity_j_k, "federal")
    assert rise * 1.8 == pytest.approx(3.11e-7, rel=2e-3)


@pytest.mark.parametrize("row", rows("temperature_by_preset.csv"))
def test_end_temperature_of_all_presets(row):
    # COMPUTED (independent). The cross-flow law of the first-principles column is ours,
    # its own was not stated: 1 % of the temperature in °F.
    found = {
        preset: fahrenheit(
            hill(
                row["weight_lb"], row["grade_percent"], row["miles"], row["mph"], preset
            ).temperature_c[1]
        )
        for preset in PRESETS
    }
    assert found["federal"] == pytest.approx(row["federal_f"], abs=0.75)
    assert found["modern_drag"] == pytest.approx(row["modern_drag_f"], abs=0.75)
    assert found["first_principles"] == pytest.approx(row["first_principles_f"], rel=0.01)
    # stated: the default is within 0.3 to 6 % of first principles, the hotter of the two
    ratio = found["modern_drag"] / found["first_principles"]
    assert 0.997 <= ratio <= 1.065


@pytest.mark.parametrize("row", rows("free_length.csv"))
@pytest.mark.parametrize("limit", [500, 350])
def test_longest_length_without_retarder(row, limit):
    # COMPUTED (independent); printed to half a unit of the last digit, plus 0.3 % for
    # rounding near the singularity
    steady = hill(row["weight_lb"], row["grade_percent"], 0.1, row["mph"], "modern_drag")
    expected = row[f"limit_{limit}_miles"]
    found = length_to_limit(
        steady.speed_ms[0],
        steady.brake_w[0],
        SINK,
        celsius(150.0),
        celsius(limit) - steady.stop_c[0],
        celsius(90.0),
    )
    half_digit = 0.005 if expected < 1.0 else 0.05
    if np.isinf(expected):
        assert np.isinf(found)
    elif expected == 82.8:
        # the equilibrium lies within 1 K of the limit: a matter of the fifth digit
        assert found / MILE_M == pytest.approx(expected, rel=0.05)
    else:
        assert found / MILE_M == pytest.approx(expected, abs=half_digit + 0.003 * expected)


@pytest.mark.parametrize("row", rows("free_length.csv"))
def test_longest_length_with_the_federal_drag(row):
    # COMPUTED (independent): federal drag, engine and stop, with the sine of the grade
    mass, speed = row["weight_lb"] * POUND_KG, metres_per_second(row["mph"])
    slope, expected = row["grade_percent"] / 100.0, row["federal_drag_500_miles"]
    force = gravity_force(mass, slope) - federal_drag_force(speed)
    power = max(float(force * speed) - federal_engine_power(), 0.0)
    stop = stop_rise(mass, speed, slope, SINK.capacity_j_k, "federal")
    found = length_to_limit(speed, power, SINK, celsius(150), celsius(500) - stop, celsius(90))
    if np.isinf(expected):
        assert np.isinf(found)
    else:
        assert found / MILE_M == pytest.approx(expected, abs=0.05 + 0.003 * expected)


def test_modern_trucks_heat_their_brakes_like_a_steeper_grade():
    # FOUND (bowman-1989): radial tyres and streamlining act like a grade steeper by
    # 0.34 %. COMPUTED here for 80,000 lb: 0.23 to 0.43 over 20 to 60 mph.
    mass = 80_000 * POUND_KG
    speed = np.array([metres_per_second(v) for v in (20.0, 30.0, 40.0, 50.0, 60.0)])
    saved = federal_drag_force(speed) - rolling_force(mass, 0.0, TRUCK.rolling_resistance)
    saved = (saved - air_force(speed, TRUCK.drag_area_m2)) / (mass * STANDARD_GRAVITY)
    np.testing.assert_allclose(100.0 * saved, [0.23, 0.34, 0.41, 0.43, 0.41], atol=0.0051)
    assert saved.min() < 0.0034 < saved.max()
    assert 100.0 * saved[1] == pytest.approx(0.34, abs=0.005)


@pytest.mark.parametrize(
    ("grade", "miles", "mph", "federal_klb"), [(8, 10, 55, 39.8), (6, 10, 30, 56.6)]
)
def test_critical_weight_falls_as_published(grade, miles, mph, federal_klb):
    # FOUND (bowman-1989): 45,000 to 35,000 lb, a ratio of 0.78. COMPUTED over seven
    # grades 0.74 to 0.87; federal critical weights 39.8 and 56.6 klb.
    critical = {}
    for preset in ("federal", "modern_drag"):
        low, high = 1e4, 2e5
        for _ in range(40):
            middle = 0.5 * (low + high)
            over = hill(middle, grade, miles, mph, preset).peak_c > hard_limit_c()
            low, high = (low, middle) if over else (middle, high)
        critical[preset] = low / 1000.0
    assert critical["federal"] == pytest.approx(federal_klb, abs=0.05)
    ratio = critical["modern_drag"] / critical["federal"]
    assert 0.725 <= ratio <= 0.875
    assert ratio == pytest.approx(35.0 / 45.0, abs=0.05)


def test_what_the_peak_is_sensitive_to():
    # COMPUTED (independent): 80,000 lb, 6 %, 2 mi, 30 mph, end temperature 358 °F; the
    # rises are printed without decimals
    def end(truck: TruckModel = TRUCK, grade: float = 6.0, **changes: float) -> float:
        found = drive(
            [0.0, 2 * MILE_M / np.hypot(1.0, grade / 100.0)],
            [-grade / 100.0],
            metres_per_second(30.0),
            truck,
            80_000 * POUND_KG,
            retarder_kind="none",
            conditions=Conditions(**changes),
        )
        return fahrenheit(found.temperature_c[1])

    brakes, base = TRUCK.brakes, end()
    assert base == pytest.approx(358.0, abs=0.51)
    smaller = replace(brakes, heat_capacity_kj_k=0.8 * brakes.heat_capacity_kj_k)
    still = replace(
        brakes,
        cooling_w_k=0.7 * brakes.cooling_w_k,
        cooling_w_k_per_ms=0.7 * brakes.cooling_w_k_per_ms,
    )
    changed = {
        "heat_capacity": end(replace(TRUCK, brakes=smaller)),
        "brakes_out": end(brakes_out_share=0.2),
        "entry": end(entry_c=celsius(200.0)),
        "grade": end(grade=6.5),
        "cooling": end(replace(TRUCK, brakes=still)),
        "rolling": end(replace(TRUCK, rolling_resistance=0.0055)),
        "engine": end(replace(TRUCK, displacement_l=11.0)),
        "drag_area": end(replace(TRUCK, drag_area_m2=5.0)),
        "ambient": end(ambient_c=celsius(110.0)),
    }
    with (VERIFICATION / "sensitivity.csv").open(encoding="utf-8") as stream:
        printed = {row["change"]: float(row["rise_f"]) for row in csv.DictReader(stream)}
    assert printed.keys() == changed.keys()
    for change, rise in printed.items():
        assert changed[change] - base == pytest.approx(rise, abs=0.55), change


def test_one_step_is_a_thousand_steps():
    power, speed, time = np.array([2.0e5]), np.array([12.0]), np.array([900.0])
    whole = SINK.march(65.0, 30.0, power, speed, time)[-1]
    parts = SINK.march(
        65.0, 30.0, np.repeat(power, 1000), np.repeat(speed, 1000), np.repeat(time / 1000, 1000)
    )[-1]
    assert parts == pytest.approx(whole, abs=1e-9)


@given(st.floats(0.0, 6e5), st.floats(0.0, 30.0), st.floats(1.0, 5000.0), st.floats(-20.0, 400.0))
def test_braking_energy_warms_the_brakes_or_goes_to_the_air(power, speed, time, start):
    ambient, cooling = 20.0, float(SINK.cooling(speed))
    end = float(step_temperature(start, power, cooling, SINK.capacity_j_k, time, ambient))
    lost = quad(
        lambda t: (
            cooling
            * (
                float(step_temperature(start, power, cooling, SINK.capacity_j_k, t, ambient))
                - ambient
            )
        ),
        0.0,
        time,
    )[0]
    stored = SINK.capacity_j_k * (end - start)
    assert stored + lost == pytest.approx(power * time, abs=1e-6 * (power * time + 1e6))


def test_limits_of_the_step():
    cooling, capacity = 200.0, SINK.capacity_j_k
    assert step_temperature(300.0, 0.0, cooling, capacity, 1e9, 20.0) == pytest.approx(20.0)
    assert step_temperature(20.0, 1e5, cooling, capacity, 1e9, 20.0) == pytest.approx(520.0)
    assert step_temperature(80.0, 1e5, 1e-3, capacity, 600.0, 20.0) == pytest.approx(
        80.0 + 6e7 / capacity, rel=1e-5
    )
    assert step_temperature(80.0, 1e5, cooling, 1e15, 600.0, 20.0) == pytest.approx(80.0)
    assert step_temperature(80.0, 1e5, cooling, capacity, 0.0, 20.0) == 80.0


@given(
    st.floats(0.0, 5e5),
    st.floats(0.0, 30.0),
    st.floats(0.0, 4000.0),
    st.floats(20.0, 300.0),
    st.floats(0.0, 1e5),
)
def test_more_heat_warmer_brakes(power, speed, time, start, more):
    cooling = float(SINK.cooling(speed))

    def end(p=power, t0=start, c=SINK.capacity_j_k, h=cooling, air=20.0):
        return float(step_temperature(t0, p, h, c, time, air))

    slack = 1e-9
    assert end(p=power + more) >= end() - slack
    assert end(t0=start + more / 1e3) >= end() - slack
    assert end(air=25.0) >= end() - slack
    assert end(h=1.1 * cooling) <= end() + slack  # hotter than the air all along
    if power / cooling + 20.0 >= start:
        assert end(c=1.2 * SINK.capacity_j_k) <= end() + slack


def test_length_to_the_limit_leads_exactly_to_the_limit():
    speed, power = 15.0, 2.2e5
    length = float(length_to_limit(speed, power, SINK, 65.0, 260.0, 30.0))
    end = SINK.march(65.0, 30.0, np.array([power]), np.array([speed]), np.array([length / speed]))
    assert end[-1] == pytest.approx(260.0, abs=1e-9)
    assert length_to_limit(speed, 1e3, SINK, 65.0, 260.0, 30.0) == np.inf
    assert length_to_limit(speed, power, SINK, 270.0, 260.0, 30.0) == 0.0
    # without a start above the air and with no power the brakes never warm
    assert length_to_limit(speed, 0.0, SINK, 20.0, 25.0, 30.0) == pytest.approx(
        speed * SINK.capacity_j_k / SINK.cooling(speed) * np.log(2.0)
    )


def test_the_heat_map_is_the_step():
    rng = np.random.default_rng(3)
    power, speed, time = rng.uniform(0, 3e5, 50), rng.uniform(5, 25, 50), rng.uniform(1, 60, 50)
    a, c = heat_map(SINK, power, speed, time, 25.0)
    direct = step_temperature(90.0, power, SINK.cooling(speed), SINK.capacity_j_k, time, 25.0)
    np.testing.assert_allclose(a * 90.0 + c, direct, rtol=1e-12)


def test_iron_agrees_with_a_general_solver_and_closes_in_energy():
    iron = heat_model(TRUCK, Conditions("first_principles"))
    assert isinstance(iron, IronSink)
    power, speed, time, air = 2.5e5, 15.0, 1200.0, 30.0
    end = iron.march(65.0, air, np.array([power]), np.array([speed]), np.array([time]))[-1]

    def rate(_, state):
        temperature = state[0]
        loss = iron.cooling(speed, temperature, air) * (temperature - air)
        return [(power - loss) / float(iron.heat_capacity(temperature)), loss]

    solved = solve_ivp(rate, (0.0, time), [65.0, 0.0], rtol=1e-10, atol=1e-8)
    assert end == pytest.approx(solved.y[0, -1], abs=1e-3)
    stored = iron.mass_kg * (
        iron.specific_heat_j_kgk * (end - 65.0)
        + 0.5 * iron.specific_heat_per_c * (end**2 - 65.0**2)
    )
    assert stored + solved.y[1, -1] == pytest.approx(power * time, rel=1e-6)


def test_stop_rises_with_the_grade_except_in_the_federal_preset():
    flat = stop_rise(36_000.0, 20.0, 0.0, SINK.capacity_j_k)
    steep = stop_rise(36_000.0, 20.0, 0.07, SINK.capacity_j_k)
    climb = stop_rise(36_000.0, 20.0, -0.07, SINK.capacity_j_k)
    # COMPUTED: the bracket adds 23 % on 7 %
    assert steep / flat == pytest.approx(1.23, abs=0.005)
    assert climb == flat
    assert stop_rise(36_000.0, 20.0, 0.07, SINK.capacity_j_k, "federal") == flat


def test_sensible_heat_of_a_drop_without_help():
    # COMPUTED thumb rule: 80/60/40 klb heat by 50/37/25 °F for each 100 ft of drop
    for klb, expected in ((80, 50), (60, 37), (40, 25)):
        energy = klb * 1000 * POUND_KG * STANDARD_GRAVITY * 30.48
        assert 1.8 * energy / SINK.capacity_j_k == pytest.approx(expected, abs=0.5)


@given(
    st.sampled_from(["modern_drag", "federal", "first_principles"]),
    st.floats(20_000.0, 90_000.0),
    st.floats(1.0, 9.5),
    st.floats(5.0, 65.0),
)
def test_the_default_is_never_cooler_than_federal_and_degraded_never_than_sound(
    preset, weight, grade, mph
):
    arguments = weight, grade, 3.0, mph
    sound = hill(*arguments, preset)
    worn = Conditions.degraded(preset)
    degraded = hill(
        *arguments, preset, entry_c=worn.entry_c, brakes_out_share=worn.brakes_out_share
    )
    assert degraded.peak_c >= sound.peak_c
    assert hill(*arguments, "modern_drag").peak_c >= hill(*arguments, "federal").peak_c - 1e-9


def test_conditions_refuse_what_cannot_be():
    with pytest.raises(OutOfDomainError, match="modern_drag, federal, first_principles"):
        Conditions("wyoming")
    with pytest.raises(OutOfDomainError, match="brakes out"):
        Conditions(brakes_out_share=1.0)
    with pytest.raises(OutOfDomainError, match="entry_c"):
        Conditions(entry_c=-300.0)
    with pytest.raises(OutOfDomainError, match="ambient_c"):
        Conditions(ambient_c=float("nan"))
    assert Conditions().entry_c == pytest.approx(celsius(150.0), abs=1e-4)
    assert Conditions().ambient_c == pytest.approx(celsius(90.0), abs=1e-4)
    assert Conditions.degraded().entry_c == pytest.approx(celsius(200.0), abs=1e-4)
    assert hard_limit_c() == celsius(500.0)


@pytest.mark.parametrize("name", ["entry_c", "ambient_c"])
def test_temperatures_lie_between_absolute_zero_and_2000(name):
    for wrong in (-273.15, 2000.0):
        with pytest.raises(OutOfDomainError, match=name):
            Conditions(**{name: wrong})
    for right in (-273.14, 1999.99):
        assert getattr(Conditions(**{name: right}), name) == right
    with pytest.raises(OutOfDomainError, match="brakes out"):
        Conditions(brakes_out_share=-1e-9)
    assert Conditions(brakes_out_share=0.0).brakes_out_share == 0.0
    assert Conditions(brakes_out_share=0.999).brakes_out_share == 0.999


def test_worn_brakes_are_never_cooler_at_the_entry_than_sound_ones():
    warm = Conditions.degraded().entry_c
    assert Conditions.degraded(entry_c=warm - 1.0).entry_c == warm
    assert Conditions.degraded(entry_c=warm + 1.0).entry_c == pytest.approx(warm + 1.0)
    assert Conditions.degraded(ambient_c=3.0).ambient_c == 3.0
    assert Conditions.degraded().brakes_out_share == 0.2


@pytest.mark.parametrize(
    ("speed", "factor", "exponent"), [(1.0, 0.193, 0.618), (20.0, 0.027, 0.805)]
)
def test_cross_flow_on_both_sides_of_its_change(speed, factor, exponent):
    air = {
        name: entry["value"]
        for name, entry in toml_table("noisemap.descent", "presets.toml")["air_film"].items()
    }
    warmth = (273.15 + 60.0) / 273.15
    reynolds = speed * 0.42 / (air["viscosity_m2_s"] * warmth ** air["viscosity_exponent"])
    assert (reynolds < 40_000.0) == (factor == 0.193)
    nusselt = factor * reynolds**exponent * air["prandtl"] ** (1.0 / 3.0)
    conductivity = air["conductivity_w_mk"] * warmth ** air["conductivity_exponent"]
    assert cross_flow_transfer(speed, 0.42, 60.0) == pytest.approx(nusselt * conductivity / 0.42)


def test_iron_cools_by_the_better_of_two_flows_and_by_radiation():
    iron = IronSink(600.0, 450.0, 0.4, 8.0, 0.42, 0.8, 7.0)
    black = 0.8 * 5.670374419e-8 * (573.15**4 - 293.15**4) / 280.0
    still = iron.cooling(0.0, 300.0, 20.0)
    assert still == pytest.approx(8.0 * (7.0 + black), rel=1e-12)
    forced = cross_flow_transfer(10.0, 0.42, 160.0)  # the air at the wheels, half the speed
    assert forced > 7.0
    assert iron.cooling(20.0, 300.0, 20.0) == pytest.approx(8.0 * (forced + black), rel=1e-12)
    assert float(iron.heat_capacity(100.0)) == pytest.approx(600.0 * 490.0)


def test_iron_advances_by_steps_of_five_seconds():
    iron = IronSink(600.0, 450.0, 0.4, 8.0, 0.42, 0.8, 7.0)
    whole = iron.march(90.0, 20.0, np.array([2e6]), np.array([20.0]), np.array([30.0]))
    cut = iron.march(90.0, 20.0, np.full(6, 2e6), np.full(6, 20.0), np.full(6, 5.0))
    assert whole[-1] == cut[-1]
    halved = iron.march(90.0, 20.0, np.full(2, 2e6), np.full(2, 20.0), np.array([3.5, 3.5]))
    seven = iron.march(90.0, 20.0, np.array([2e6]), np.array([20.0]), np.array([7.0]))
    assert seven[-1] == halved[-1]


def test_length_to_the_limit_at_its_ends():
    sink = HeatSink(4e5, 200.0, 5.0)
    equilibrium = 20.0 + 1e5 / (200.0 + 5.0 * 10.0)
    lengths = length_to_limit(10.0, 1e5, sink, 90.0, [80.0, 90.0, equilibrium], 20.0)
    assert lengths.tolist() == [0.0, 0.0, np.inf]
    half = float(length_to_limit(10.0, 1e5, sink, 90.0, 0.5 * (90.0 + equilibrium), 20.0))
    assert half == pytest.approx(10.0 * 4e5 / 250.0 * np.log(2.0))
