"""The fleet behind the readings: recovery and interval coverage on simulated fleets."""

from __future__ import annotations

import csv
import json
import tomllib
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
from click.testing import CliRunner
from scipy.stats import binomtest

from noisemap.cli.fleet import fleet_command
from noisemap.errors import BadDataError
from noisemap.inspection.fleet import (
    Draws,
    energy_means,
    exhaust_shares,
    found_per_hour,
    interval,
    repair_gain,
    sample_mixture,
)
from noisemap.study.model_exhausts import ExhaustShares

SHARES, MEANS, SPREADS = (0.85, 0.09, 0.06), (78.0, 84.5, 92.0), (2.5, 3.0, 3.0)
DEMO = Path(__file__).parents[1] / "data/readings.csv"


def simulated(
    seed: int, count: int, looked_at: float
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.intp]]:
    rng = np.random.default_rng(seed)
    group = rng.choice(3, count, p=SHARES)
    level = rng.normal(np.array(MEANS)[group], np.array(SPREADS)[group])
    return level, np.where(rng.random(count) < looked_at, group, -1)


def test_intervals_cover_the_truth_as_often_as_they_say() -> None:
    """90 % intervals on 30 simulated fleets; both too few and too many covers would fail."""
    fleets = 30
    covered = np.zeros(3, int)
    width = np.zeros(3)
    for seed in range(fleets):
        draws = sample_mixture(*simulated(seed, 200, 0.3), seed)
        for place, truth in enumerate(SHARES):
            found = interval(draws.share[:, place])
            covered[place] += found.low <= truth <= found.high
            width[place] += (found.high - found.low) / fleets
    for count in covered:
        assert binomtest(int(count), fleets, 0.9, alternative="less").pvalue > 0.02, covered
    assert (width < (0.12, 0.12, 0.09)).all(), width


def test_a_large_fleet_is_recovered() -> None:
    draws = sample_mixture(*simulated(3, 1500, 0.5), 3)
    assert draws.share.mean(axis=0) == pytest.approx(SHARES, abs=0.025)
    assert draws.mean.mean(axis=0) == pytest.approx(MEANS, abs=0.8)
    assert draws.spread.mean(axis=0) == pytest.approx(SPREADS, abs=0.6)


def test_levels_alone_do_not_part_worn_from_quiet() -> None:
    """Without a look at the exhausts the interval is wide, and says so."""
    blind = sample_mixture(*simulated(5, 300, 0.0), 5)
    seen = sample_mixture(*simulated(5, 300, 0.4), 5)
    width = [interval(d.share[:, 1]).high - interval(d.share[:, 1]).low for d in (blind, seen)]
    assert width[0] > 2.0 * width[1]


def test_looking_only_at_loud_trucks_does_no_harm() -> None:
    level, group = simulated(8, 600, 1.0)
    only_loud = np.where(level > 84.0, group, -1)
    found = interval(sample_mixture(level, only_loud, 8).share[:, 2])
    assert found.low <= SHARES[2] <= found.high


def test_same_seed_same_figures() -> None:
    level, group = simulated(1, 60, 0.5)
    one, two = sample_mixture(level, group, 7), sample_mixture(level, group, 7)
    assert np.array_equal(one.share, two.share)
    assert (np.diff(one.mean, axis=1) >= 0.0).all()
    assert one.share.sum(axis=1) == pytest.approx(1.0)


def test_repair_gain_of_a_known_fleet() -> None:
    """10 % straight, 20 dB over the rest, no spread: all repaired gives 10 lg(0.9 + 10)."""
    one = np.ones((50, 1))
    draws = Draws(one * [0.9, 0.0, 0.1], one * [70.0, 80.0, 90.0], one * [0.0, 0.0, 0.0])
    assert repair_gain(draws, 1.0).value == pytest.approx(10 * np.log10(0.9 + 10.0))
    assert repair_gain(draws, 0.0).value == 0.0
    assert 0.0 < repair_gain(draws, 0.5).value < repair_gain(draws, 1.0).value
    assert found_per_hour(draws, 20.0).value == pytest.approx(2.0)


@pytest.mark.parametrize("seed", range(5))
def test_shares_fit_the_study(seed: int) -> None:
    rng = np.random.default_rng(seed)
    quiet, worn, straight = rng.dirichlet([5, 1, 1])
    shares = exhaust_shares(quiet, worn, straight, (0.37, 0.63))
    assert sum(round(10_000 * share) for share in shares.values()) == 10_000
    assert ExhaustShares.model_validate(shares).straight == pytest.approx(straight, abs=1e-4)


def test_command_on_the_demo_sheet_moves_the_shares(tmp_path: Path) -> None:
    out = tmp_path / "fleet.toml"
    result = CliRunner().invoke(
        fleet_command, [str(DEMO), "--output", str(out), "--json"], catch_exceptions=False
    )
    content = json.loads(result.stdout)
    shares = tomllib.loads(out.read_text(encoding="utf-8"))["traffic"]["exhaust_shares"]
    assert shares == content["exhaust_shares"]
    found = ExhaustShares.model_validate(shares)
    assert found != ExhaustShares()
    straight = content["groups"]["straight"]["share"]
    assert straight["low"] < straight["value"] < straight["high"]
    assert content["left_out"]["not valid"] > 5


def test_a_split_that_was_not_seen_is_the_studys(tmp_path: Path) -> None:
    rows = list(csv.DictReader(DEMO.read_text(encoding="utf-8").splitlines()))
    for row in rows:
        row["exhaust_condition"] = "not inspected"
    path = tmp_path / "r.csv"
    with path.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)
    result = CliRunner().invoke(fleet_command, [str(path), "--json"], catch_exceptions=False)
    content = json.loads(result.stdout)
    assert "study's own split is kept" in content["split"]
    shares, default = content["exhaust_shares"], ExhaustShares()
    kept = default.after_treatment / (default.after_treatment + default.muffled)
    part = shares["after_treatment"] / (shares["after_treatment"] + shares["muffled"])
    assert part == pytest.approx(kept, abs=1e-3)


def test_too_few_readings(tmp_path: Path) -> None:
    path = tmp_path / "few.csv"
    path.write_text("\n".join(DEMO.read_text(encoding="utf-8").splitlines()[:6]) + "\n")
    with pytest.raises(BadDataError, match="a fleet needs 10 or more"):
        CliRunner().invoke(fleet_command, [str(path)], catch_exceptions=False)


def test_energy_mean_is_that_of_the_passes() -> None:
    """Against 200,000 simulated passes: 2.5 dB of spread lift the mean by 0.72 dB."""
    draws = Draws(np.array([[1.0, 0.0, 0.0]]), np.array([[78.0] * 3]), np.array([[2.5] * 3]))
    passes = np.random.default_rng(1).normal(78.0, 2.5, 200_000)
    simulated_mean = 10 * np.log10(np.mean(10 ** (passes / 10)))
    assert 10 * np.log10(energy_means(draws)[0, 0]) == pytest.approx(simulated_mean, abs=0.01)
