"""The interim emission table: made from its inputs, ordered as it must be, and bounded."""

from __future__ import annotations

import itertools
from importlib.resources import files

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from noisemap.bands import A_WEIGHT, COLUMNS
from noisemap.data_tables import table_rows
from noisemap.errors import OutOfDomainError
from noisemap.source.emission import (
    emission_table,
    engines,
    exhaust_sound_power,
    tables_from_rows,
)
from noisemap.source.interim_table import FIELDS, interim_table, main
from noisemap.source.pass_by import level_at_15_m
from noisemap.states import EXHAUST_STATES

SPEEDS = np.array([900.0, 1200.0, 1500.0, 1800.0, 2100.0])


def level(engine, speed, cylinders, state):
    return level_at_15_m(exhaust_sound_power(engine, speed, cylinders, state))


def test_the_packaged_table_is_what_its_inputs_give(capsys):
    text = files("noisemap.source").joinpath("emission_table.csv").read_text(encoding="utf-8")
    assert text == interim_table()
    assert text.splitlines()[0] == ",".join(FIELDS)
    assert main(["--check"]) == 0
    assert "as its inputs give it" in capsys.readouterr().out


def test_every_row_is_marked_interim_with_its_uncertainty():
    for row in table_rows("noisemap.source", "emission_table.csv"):
        assert row["model_version"] == "interim-1"
        assert float(row["spread_db"]) == 6.0


def test_rows_that_are_assumed_say_so():
    for row in table_rows("noisemap.source", "emission_table.csv"):
        assumed = row["engine_speed_rpm"] == "900" or row["exhaust_state"] == "after_treatment"
        assert row["mark"] == ("ASSUMED" if assumed else "COMPUTED")


def test_straight_pipe_has_the_ensemble_levels():
    # COMPUTED: means over five pipe lengths, 15 L, six cylinders, dB(A) at 15 m
    found = level("15L", [1200.0, 1500.0, 1800.0, 2100.0], 6, "straight")
    np.testing.assert_allclose(found, [87.1, 91.3, 92.9, 98.4], atol=0.01)


def test_straight_pipe_keeps_the_shape_of_its_row():
    # COMPUTED: A-weighted octaves at 2100 rpm 59 79 92 92 92 86 69 46, plus one shift
    weighted = exhaust_sound_power("15L", 2100.0, 6, "straight") + A_WEIGHT
    shape = weighted - np.array([59, 79, 92, 92, 92, 86, 69, 46])
    np.testing.assert_allclose(shape, shape[0], atol=0.011)


def test_muffler_takes_off_its_recalled_insertion_loss_and_a_hole_gives_back_half():
    for engine in engines():
        straight = exhaust_sound_power(engine, 1800.0, 4, "straight")
        muffled = exhaust_sound_power(engine, 1800.0, 4, "muffled")
        worn = exhaust_sound_power(engine, 1800.0, 4, "worn")
        quiet = exhaust_sound_power(engine, 1800.0, 4, "after_treatment")
        np.testing.assert_allclose(straight - muffled, [15, 20, 18, 16, 15, 14, 13, 13], atol=0.011)
        np.testing.assert_allclose(worn - muffled, 6.5, atol=0.011)
        assert 5.0 <= level_at_15_m(muffled) - level_at_15_m(quiet) <= 12.0


@pytest.mark.parametrize(("engine", "state"), list(itertools.product(engines(), EXHAUST_STATES)))
def test_level_rises_with_engine_speed_and_braking_cylinders(engine, state):
    for cylinders in (0, 2, 4, 6):
        assert (np.diff(level(engine, SPEEDS, cylinders, state)) > 0.0).all()
    for speed in SPEEDS:
        by_count = level(engine, speed, [0, 2, 4, 6], state)
        np.testing.assert_allclose(np.diff(by_count)[1:], 2.5, atol=0.011)
        # COMPUTED: braking adds more than 20 dB to the motoring engine
        assert by_count[3] - by_count[0] > 20.0


@given(st.sampled_from(["11L", "13L", "15L"]), st.floats(900.0, 2100.0), st.floats(0.0, 6.0))
def test_worse_exhausts_are_louder_in_every_band(engine, speed, cylinders):
    levels = [exhaust_sound_power(engine, speed, cylinders, state) for state in EXHAUST_STATES]
    for quieter, louder in itertools.pairwise(levels):
        assert (quieter < louder).all()


def test_smaller_engines_are_quieter_at_every_node():
    for speed in SPEEDS:
        small, middle, large = (level(e, speed, 6, "straight") for e in ("11L", "13L", "15L"))
        assert small < middle < large


def test_between_nodes_the_level_is_linear_in_decibels():
    corner = [exhaust_sound_power("13L", n, c, "worn") for n in (1500.0, 1800.0) for c in (2, 4)]
    middle = exhaust_sound_power("13L", 1650.0, 3, "worn")
    np.testing.assert_allclose(middle, np.mean(corner, axis=0), atol=1e-9)
    assert exhaust_sound_power("13L", SPEEDS[:, None], [0, 2, 6], "worn").shape == (5, 3, 8)


def test_calibration_shifts_every_band_and_is_bounded():
    base = exhaust_sound_power("15L", 1500.0, 6, "straight")
    shifted = exhaust_sound_power("15L", 1500.0, 6, "straight", calibration_db=-4.0)
    np.testing.assert_allclose(base - shifted, 4.0, atol=1e-12)
    with pytest.raises(OutOfDomainError, match="-6 to 6"):
        exhaust_sound_power("15L", 1500.0, 6, "straight", calibration_db=6.1)


@pytest.mark.parametrize(
    ("speed", "cylinders"), [(899.0, 6), (2101.0, 6), (1500.0, 7), (1500.0, -1), (np.nan, 6)]
)
def test_points_outside_the_table_are_refused(speed, cylinders):
    with pytest.raises(OutOfDomainError, match="allowed"):
        exhaust_sound_power("15L", speed, cylinders, "straight")


def test_unknown_engines_and_states_are_refused_with_the_choice():
    with pytest.raises(OutOfDomainError, match="15L, 13L, 11L"):
        emission_table("9L", "straight")
    with pytest.raises(OutOfDomainError, match="after_treatment, muffled, worn, straight"):
        exhaust_sound_power("15L", 1500.0, 6, "gutted")


def small_rows(masked: set[tuple[str, str, str]]) -> list[dict[str, str]]:
    return [
        {
            "engine": "e",
            "exhaust_state": "straight",
            "engine_speed_rpm": speed,
            "braking_cylinders": count,
            "band_hz": band,
            "l_w_db": f"{100 + int(speed) / 100}",
            "spread_db": "6",
            "masked": "1" if (speed, count, band) in masked else "0",
            "mark": "ASSUMED",
            "model_version": "test",
        }
        for speed in ("1000", "2000")
        for count in ("0", "6")
        for band in COLUMNS
    ]


def test_a_masked_band_is_silent_where_all_its_corners_are_and_left_out_otherwise():
    masked = {(speed, count, "63") for speed in ("1000", "2000") for count in ("0", "6")}
    masked |= {("1000", "0", "125"), ("1000", "6", "125")}
    table = tables_from_rows(small_rows(masked))["e", "straight"]
    found = table.level(1500.0, 3.0)
    assert found[0] == -np.inf
    assert found[1] == pytest.approx(120.0)  # the corners at 2000 rpm alone
    np.testing.assert_allclose(found[2:], 115.0)
    assert table.level(1000.0, 0.0)[1] == -np.inf
    assert np.isfinite(level_at_15_m(found))


def test_a_table_with_a_missing_or_doubled_row_is_refused():
    complete = small_rows(set())
    with pytest.raises(OutOfDomainError, match="exactly once"):
        tables_from_rows(complete[:-1])
    with pytest.raises(OutOfDomainError, match="exactly once"):
        tables_from_rows([*complete, complete[0]])
