"""The product over classes: against a plain sum of all terms, and collapsed against full."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import hill
import numpy as np
import pytest
from test_exposure import built, sound_of

from noisemap.errors import OutOfDomainError
from noisemap.exposure.class_blocks import TIME_WEIGHTING
from noisemap.exposure.collapsed import collapse, scenario_levels
from noisemap.exposure.driving import in_zone, road_rows
from noisemap.exposure.product import PassLevels, PassSound, pass_levels
from noisemap.states import Zone
from noisemap.transfer.store import TransferStore

STRETCHES, HOMES, REACH, CLASSES = 90, 13, 37, 7


@pytest.fixture(scope="module")
def paths() -> TransferStore:
    """Random transfers over many orders of size; the last home hears nothing."""
    rng = np.random.default_rng(11)
    stretch = np.concatenate(
        [np.sort(rng.choice(STRETCHES, REACH, replace=False)) for _ in range(HOMES)]
    ).astype(np.int32)
    count = len(stretch)
    distance = rng.uniform(5.0, 1500.0, count).astype(np.float32)
    two = np.ones((count, 2), dtype=np.float32)
    return TransferStore(
        heights=(0.5, 3.7),
        pointer=np.append(np.arange(HOMES + 1) * REACH, count),
        stretch=stretch,
        t=(10.0 ** rng.uniform(-14.0, -3.0, (count, 2, 8))).astype(np.float32),
        cmet_factor=two,
        distance=distance,
        nearest=(distance * rng.uniform(0.3, 1.0, count)).astype(np.float32),
        flags=np.zeros(count, dtype=np.uint8),
        grazing=two,
        twin=two,
    )


@pytest.fixture(scope="module")
def trucks() -> PassSound:
    """Seven classes on two roads, so that one block is full and two are not."""
    rng = np.random.default_rng(12)
    running = rng.uniform(1e8, 1e10, (CLASSES, STRETCHES, 8)).astype(np.float32)
    duration = rng.uniform(0.5, 3.0, (CLASSES, STRETCHES)).astype(np.float32)
    exhaust = rng.uniform(0.0, 1e11, (CLASSES, STRETCHES, 2, 8)).astype(np.float32)
    peak = exhaust.copy()
    peak[:, :, 0] += running
    energy = exhaust * (0.5 * duration)[:, :, None, None]
    energy[:, :, 0] += running * duration[:, :, None]
    first = np.array([0, 50, 0, 0, 50, 0, 0])
    return PassSound(
        energy=energy,
        peak=peak,
        running=running,
        duration=duration,
        speed=rng.uniform(0.2, 40.0, (CLASSES, STRETCHES)).astype(np.float32),
        first=first,
        last=np.where(first == 0, 50, STRETCHES),
    )


def plainly(store: TransferStore, sound: PassSound) -> PassLevels:
    """All terms in double precision, one path at a time, with the logarithms."""
    shape = (store.receivers, len(sound.energy))
    energy, running = np.zeros(shape), np.zeros(shape)
    maximum, share = np.full(shape, -np.inf), np.zeros(shape)
    for r in range(store.receivers):
        for p in range(store.pointer[r], store.pointer[r + 1]):
            s, t = store.stretch[p], store.t[p].astype(float)
            for c in range(shape[1]):
                if not sound.first[c] <= s < sound.last[c]:
                    continue
                energy[r, c] += (t * sound.energy[c, s]).sum()
                power, low = (t * sound.peak[c, s]).sum(), t[0] @ sound.running[c, s].astype(float)
                running[r, c] += low * sound.duration[c, s]
                ratio = np.log10(sound.speed[c, s] * 0.125 / store.nearest[p])
                fast = np.interp(ratio, np.linspace(-3.0, 2.0, 251), TIME_WEIGHTING)
                closer = 20.0 * np.log10(store.distance[p] / store.nearest[p])
                level = 10.0 * np.log10(power) + closer + fast
                if level > maximum[r, c]:
                    maximum[r, c], share[r, c] = level, max(1.0 - low / power, 0.0)
    return PassLevels(energy, running, maximum, share)  # type: ignore[arg-type]


def assert_same(found: PassLevels, expected: PassLevels, decibel: float) -> None:
    relative = 10.0 ** (0.1 * decibel) - 1.0
    np.testing.assert_allclose(found.energy, expected.energy, rtol=relative)
    np.testing.assert_allclose(found.running_energy, expected.running_energy, rtol=relative)
    np.testing.assert_allclose(found.maximum, expected.maximum, atol=decibel)
    np.testing.assert_allclose(found.exhaust_share, expected.exhaust_share, atol=1e-5)


def silenced(sound: PassSound, silent: np.ndarray) -> PassSound:
    energy, peak = sound.energy.copy(), sound.peak.copy()
    rolled = sound.running * sound.duration[:, :, None]
    for c, rows in enumerate(np.broadcast_to(silent, sound.speed.shape)):
        energy[c, rows], peak[c, rows] = 0.0, 0.0
        energy[c, rows, 0], peak[c, rows, 0] = rolled[c, rows], sound.running[c, rows]
    return replace(sound, energy=energy, peak=peak)


def test_the_product_is_the_plain_sum(paths: TransferStore, trucks: PassSound) -> None:
    assert_same(pass_levels(paths, trucks), plainly(paths, trucks), 1e-4)


def test_one_source_height(paths: TransferStore, trucks: PassSound) -> None:
    low = replace(paths, t=np.ascontiguousarray(paths.t[:, :1]))
    sound = replace(trucks, energy=trucks.energy[:, :, :1], peak=trucks.peak[:, :, :1])
    assert_same(pass_levels(low, sound), plainly(low, sound), 1e-4)


@pytest.mark.parametrize("kind", ["nowhere", "everywhere", "a zone", "patches", "by class"])
def test_collapsed_is_the_full_product(paths: TransferStore, trucks: PassSound, kind: str) -> None:
    """Well within the 0.01 dB asked for."""
    rng = np.random.default_rng(13)
    place = np.arange(STRETCHES)
    silent = {
        "nowhere": np.zeros(STRETCHES, dtype=bool),
        "everywhere": np.ones(STRETCHES, dtype=bool),
        "a zone": (place >= 20) & (place < 61),
        "patches": rng.random(STRETCHES) < 0.5,
        "by class": rng.random((CLASSES, STRETCHES)) < 0.2,
    }[kind]
    found = scenario_levels(collapse(paths, trucks), silent)
    assert_same(found, pass_levels(paths, silenced(trucks, silent)), 1e-4)


def test_collapsed_is_a_drive_with_the_retarder_off(tmp_path: Path) -> None:
    """The zone of a study, driven and multiplied out in full, on the invented hill."""
    place = hill.scene()
    zone = Zone("z", "Hill Road", 800.0, 1200.0)
    store = built(tmp_path, place)
    rows = road_rows(place.stretches, 0)
    silent = np.zeros(len(place.stretches.x), dtype=bool)
    silent[rows] = in_zone(place.stretches, rows, zone)
    found = scenario_levels(collapse(store, sound_of(place)), silent)
    assert_same(found, pass_levels(store, sound_of(place, zone=zone)), 1e-3)


def test_no_class_at_all(paths: TransferStore, trucks: PassSound) -> None:
    none = PassSound(*(part[:0] for part in vars(trucks).values()))
    found = scenario_levels(collapse(paths, none), np.zeros(STRETCHES, dtype=bool))
    assert found.energy.shape == (HOMES + 1, 0)


def test_marks_that_do_not_fit(paths: TransferStore, trucks: PassSound) -> None:
    with pytest.raises(OutOfDomainError, match=r"allowed are \(90,\) and \(7, 90\)"):
        scenario_levels(collapse(paths, trucks), np.zeros(STRETCHES + 1, dtype=bool))
