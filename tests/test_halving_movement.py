"""What a run says about its own stretches: how much halving them moves each home."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import small_study
from outputs_fixture import make_findings, make_scene

import noisemap.exposure.halving as halving
from noisemap.exposure.halving import Movement, movers
from noisemap.exposure.product import PassSound, PathShares, pass_levels
from noisemap.outputs.tables import homes_table
from noisemap.scene.model import Scene
from noisemap.scene.stretches import split_stretches
from noisemap.study.compute import (
    Computed,
    compute,
    moved_by_halving,
    receivers_of,
    terrain_effect,
)
from noisemap.study.halving import halving_flags, halving_sentence
from noisemap.study.prepare import Prepared, prepare
from noisemap.study.progress import Silent
from noisemap.study.run import read_scene
from noisemap.transfer.build import build_store


@pytest.fixture(scope="module")
def hill(tmp_path_factory: pytest.TempPathFactory) -> tuple[Prepared, Scene, Computed, Path]:
    folder = tmp_path_factory.mktemp("hill")
    text = small_study.TEXT.replace("max_distance_m = 400.0", "max_distance_m = 2500.0")
    prepared = prepare(small_study.write(folder, text))
    place = read_scene(prepared, Silent())
    return prepared, place, compute(prepared, place, folder / "store", Silent()), folder


def by_a_second_store(
    prepared: Prepared, place: Scene, computed: Computed, folder: Path
) -> Movement:
    """The same with every path computed anew, from a scene with halved stretches."""
    whole = place.stretches
    cuts: dict[int, list[float]] = {}
    for road, first, last in zip(whole.road, whole.from_m, whole.to_m, strict=True):
        cuts.setdefault(int(road), []).append((first + last) / 2.0)
    fine, parent = split_stretches(whole, place.roads, cuts)
    store = build_store(
        folder / "fine", replace(place, stretches=fine, whole=None), receivers_of(place),
        computed.air, prepared.study.run.max_distance_m,
    )  # fmt: skip
    sound = computed.sound
    halves = PassSound(
        sound.energy[:, parent] / 2.0, sound.peak[:, parent], sound.running[:, parent],
        sound.duration[:, parent] / 2.0, sound.speed[:, parent],
        2 * sound.first, 2 * sound.last,
    )  # fmt: skip
    base = computed.base
    after, before = pass_levels(store, halves), base.passes
    night = base.free.per_hour[:, sorted(base.periods.night)].sum(axis=1)
    facade = base.loudest_receiver
    energy = [(one.energy.astype(float) @ night)[facade] for one in (before, after)]
    top = [one.maximum.max(axis=1)[facade] for one in (before, after)]
    return Movement(10.0 * np.log10(energy[1] / energy[0]), top[1] - top[0], store.paths)


def test_equal_to_a_second_store_of_halved_stretches(
    hill: tuple[Prepared, Scene, Computed, Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    prepared, _, computed, _ = hill
    expected = by_a_second_store(*hill)
    monkeypatch.setattr(halving, "CARRIED", 2.0)
    every = moved_by_halving(prepared, computed, Silent())
    assert np.abs(every.level - expected.level).max() < 1e-4
    assert np.abs(every.maximum - expected.maximum).max() < 1e-4
    assert np.abs(expected.level).max() > 1e-3
    monkeypatch.undo()
    usual = moved_by_halving(prepared, computed, Silent())
    assert usual.paths < every.paths
    assert np.abs(usual.level - every.level).max() < 0.02
    assert np.array_equal(usual.maximum, every.maximum)


def test_long_stretches_move_and_are_flagged(
    hill: tuple[Prepared, Scene, Computed, Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A limit below what halving moves here flags exactly the homes beyond it, with the size."""
    prepared, _, computed, _ = hill
    moved = moved_by_halving(prepared, computed, Silent())
    assert not movers(moved).any()
    limit = float(np.median(np.abs(moved.level)))
    monkeypatch.setattr(halving, "LEVEL_DB", limit)
    flags = halving_flags(moved, len(moved.level))
    for home, words in enumerate(flags):
        assert bool(words) == (abs(moved.level[home]) > limit)
        assert not words or f"{moved.level[home]:+.1f} dB" in words[0]
    assert any(flags)


def test_the_sentence_never_rounds_up_to_all() -> None:
    level = np.zeros(2000)
    level[0] = -0.4
    moved = Movement(level, np.full(2000, 0.1), 12_345)
    (sentence,) = halving_sentence(moved)
    assert "12,345 more paths" in sentence
    assert "by 0.3 dB at most at 99.9 % of 2,000 homes" in sentence
    assert "0.5 dB at most at 100 %; the homes that move more, 1," in sentence
    assert halving_sentence(None) == ()
    assert halving_sentence(Movement(np.full(3, np.nan), np.full(3, np.nan), 0)) == ()


def test_the_effect_of_the_terrain_s_error_stands_in_the_table_of_homes() -> None:
    place = make_scene()
    effect = np.full(len(place.homes.home_id), -0.456)
    effect[0] = np.nan
    table = homes_table(place, replace(make_findings(place), home_terrain=effect))
    column = table.headers.index("before: night level moves with the terrain's height error [dB]")
    assert [row[column] for row in table.rows[:2]] == [None, -0.46]


def test_the_effect_of_the_terrain_s_error_is_that_of_its_twin() -> None:
    shares = PathShares(
        np.array([1.0, 0.0, 4.0]), np.array([2.0, 0.0, 1.0]), np.zeros(3), np.zeros((3, 8)),
        np.zeros(3), np.zeros(3),
    )  # fmt: skip
    effect = terrain_effect(shares, np.array([2, 1, 0]))
    assert effect[[0, 2]] == pytest.approx([-6.0206, 3.0103], abs=1e-4)
    assert np.isnan(effect[1])


def test_both_sizes_stand_in_the_table_of_homes() -> None:
    place = make_scene()
    homes = len(place.homes.home_id)
    sizes = np.full(homes, 0.123), np.full(homes, np.nan)
    table = homes_table(place, replace(make_findings(place), home_halving=sizes))
    level = table.headers.index("before: night level moves when stretches are halved [dB]")
    maximum = table.headers.index("before: LAmax moves when stretches are halved [dB]")
    assert {row[level] for row in table.rows} == {0.12}
    assert {row[maximum] for row in table.rows} == {None}
