"""The store: built once, reused while its inputs stay, rebuilt where a tile is damaged."""

from __future__ import annotations

import itertools
from dataclasses import replace
from pathlib import Path

import hill
import numpy as np
import pytest

from noisemap.errors import StudyError
from noisemap.execution.tasks import Execution
from noisemap.scene.model import Obstacles
from noisemap.scene.stretches import split_stretches
from noisemap.transfer import build, job
from noisemap.transfer.build import Air, build_store, strips
from noisemap.transfer.store import TransferStore

AIR = Air(10.0, 70.0, 101.325)


def store(folder: Path, place=None, air: Air = AIR, reach: float = 500.0) -> TransferStore:
    place = hill.scene() if place is None else place
    return build_store(folder, place, hill.receivers(place), air, reach)


def same(a: TransferStore, b: TransferStore) -> bool:
    return all(
        np.array_equal(getattr(a, name), getattr(b, name))
        for name in (
            "pointer",
            "stretch",
            "t",
            "cmet_factor",
            "distance",
            "nearest",
            "flags",
            "twin",
        )
    )


def count_calls(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    calls: list[int] = []
    real = job.propagate

    def counted(*arguments, **options):
        calls.append(1)
        return real(*arguments, **options)

    monkeypatch.setattr(job, "propagate", counted)
    return calls


def test_reused_while_inputs_stay(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    calls = count_calls(monkeypatch)
    first = store(tmp_path)
    assert calls
    calls.clear()
    assert same(first, store(tmp_path))
    assert not calls


@pytest.mark.parametrize(
    "change",
    [
        lambda place: replace(
            place, terrain=replace(place.terrain, height=place.terrain.height + 1)
        ),
        lambda place: replace(place, stretches=replace(place.stretches, z=place.stretches.z + 0.1)),
        lambda place: replace(
            place, ground=replace(place.ground, factor=np.zeros_like(place.ground.factor))
        ),
        lambda place: replace(
            place, receivers=replace(place.receivers, height=place.receivers.height + 1.0)
        ),
    ],
)
def test_rebuilt_when_geometry_changes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, change
) -> None:
    store(tmp_path)
    calls = count_calls(monkeypatch)
    store(tmp_path, change(hill.scene()))
    assert calls


def test_rebuilt_when_the_air_changes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    store(tmp_path)
    calls = count_calls(monkeypatch)
    store(tmp_path, air=replace(AIR, relative_humidity=30.0))
    assert calls


@pytest.mark.parametrize("damage", ["flip", "remove", "cut"])
def test_a_damaged_tile_is_computed_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, damage: str
) -> None:
    monkeypatch.setattr(build, "PATHS_PER_TILE", 60)
    first = store(tmp_path)
    victim = next(tmp_path.glob("*/tile-00001-attenuation.npy"))
    content = bytearray(victim.read_bytes())
    if damage == "remove":
        victim.unlink()
    elif damage == "cut":
        victim.write_bytes(content[:-20])
    else:
        content[-7] ^= 1
        victim.write_bytes(content)
    calls = count_calls(monkeypatch)
    assert same(first, store(tmp_path))
    assert len(calls) == 2  # the damaged tile and its twin, no other


def test_tiles_do_not_change_a_bit(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    whole = store(tmp_path / "whole")
    monkeypatch.setattr(build, "PATHS_PER_TILE", 30)
    assert same(whole, store(tmp_path / "tiles"))


def test_too_large_is_refused_before_computing(tmp_path: Path) -> None:
    place = hill.scene()
    with pytest.raises(StudyError, match=r"run\.memory_gb"):
        build_store(tmp_path, place, hill.receivers(place), AIR, 500.0, memory_gb=1e-6)
    assert not list(tmp_path.iterdir())


def test_covered_stretches_have_no_path(tmp_path: Path) -> None:
    place = hill.scene()
    covered = place.stretches.x > 1000.0
    place = replace(place, stretches=replace(place.stretches, covered=covered))
    found = store(tmp_path, place)
    assert len(found.stretch) > 0
    assert not covered[found.stretch].any()


def test_nearest_point_of_a_stretch(tmp_path: Path) -> None:
    place = hill.scene(piece=40.0)
    found = store(tmp_path, place)
    rows = slice(found.pointer[0], found.pointer[1])
    beside = np.argmin(found.nearest[rows])
    assert found.nearest[rows][beside] == pytest.approx(60.0, abs=0.3)
    assert found.distance[rows][beside] >= found.nearest[rows][beside]


def test_lifting_everything_changes_nothing(tmp_path: Path) -> None:
    low = store(tmp_path)
    high = store(tmp_path, hill.moved(hill.scene(), 250.0))
    a, b = low.t.astype(float), high.t.astype(float)
    assert np.abs(10.0 * np.log10(a / b)).max() <= 0.0101  # one step of the stored hundredths


def test_zones_do_not_enter_the_store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    place = hill.scene()
    plain = store(tmp_path, place)
    calls = count_calls(monkeypatch)
    parts, part_of = split_stretches(place.stretches, place.roads, {0: [907.0, 1013.0]})
    assert len(parts.road) == len(place.stretches.road) + 2
    cut = replace(place, stretches=parts, whole=place.stretches, part_of=part_of)
    found = store(tmp_path, cut)
    assert not calls
    assert found.paths == plain.paths + 2 * found.receivers
    for receiver in range(found.receivers):
        rows = slice(found.pointer[receiver], found.pointer[receiver + 1])
        old = slice(plain.pointer[receiver], plain.pointer[receiver + 1])
        assert (np.diff(found.stretch[rows]) > 0).all()
        assert np.array_equal(np.unique(part_of[found.stretch[rows]]), plain.stretch[old])
        lookup = {int(s): t for s, t in zip(plain.stretch[old], plain.t[old], strict=True)}
        for stretch, t in zip(found.stretch[rows], found.t[rows], strict=True):
            assert np.array_equal(t, lookup[int(part_of[stretch])])


def test_a_changed_program_never_meets_an_old_store(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    store(tmp_path)
    calls = count_calls(monkeypatch)
    monkeypatch.setattr(build, "program_digest", lambda: "another")
    store(tmp_path)
    assert calls


@pytest.mark.parametrize("sides", [True, False])
def test_sides_enter_the_key(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, sides: bool) -> None:
    store(tmp_path)
    calls = count_calls(monkeypatch)
    store(tmp_path, air=replace(AIR, sides=sides))
    assert bool(calls) is not sides


def test_strips_of_a_grid_give_the_bits_of_the_whole(tmp_path: Path) -> None:
    """Receivers computed run by run: no seam, and never more paths than memory allows."""
    place = hill.scene()
    east, north = np.meshgrid(np.linspace(300.0, 900.0, 7), np.linspace(-200.0, 200.0, 5))
    grid = np.column_stack([east.ravel(), north.ravel(), np.full(east.size, 4.0)])
    whole = build_store(tmp_path / "whole", place, grid, AIR, 500.0)
    sources = len(place.stretches.x)
    memory_gb = 4.5 * sources * build.BYTES_PER_PATH / 1e9
    runs = strips(len(grid), sources, memory_gb)
    assert runs[0][0] == 0
    assert runs[-1][1] == len(grid)
    assert all(a[1] == b[0] for a, b in itertools.pairwise(runs))
    assert [last - first for first, last in runs[:-1]] == [4] * 8
    parts = [
        build_store(tmp_path / "strips", place, grid[first:last], AIR, 500.0, memory_gb=memory_gb)
        for first, last in runs
    ]
    assert np.concatenate([part.t for part in parts]).tobytes() == whole.t.tobytes()
    assert np.concatenate([part.stretch for part in parts]).tolist() == whole.stretch.tolist()


def test_a_strip_is_never_empty() -> None:
    assert strips(3, 1000, 1e-9) == [(0, 1), (1, 2), (2, 3)]
    assert strips(3, 0, 1.0) == [(0, 3)]


def test_a_map_does_without_the_twin(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Half the paths are computed, the rest of the store keeps its bits."""
    whole = store(tmp_path)
    calls = count_calls(monkeypatch)
    bare = store(tmp_path, air=replace(AIR, twin=False))
    assert len(calls) == 1
    assert np.array_equal(bare.t, whole.t)
    assert np.array_equal(bare.grazing, whole.grazing)
    assert whole.twin.any()
    assert not bare.twin.any()


def test_the_twin_is_of_the_path_over_the_top(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A wall with two ends and a mirror change the levels, and nothing of the twin."""
    place = hill.scene()
    walls = Obstacles(
        np.array([[960.0, 40.0, 1040.0, 40.0], [900.0, -30.0, 1100.0, -30.0]]),
        np.array([4.0, 6.0]),
        np.array([-1, -1]),
        np.zeros(2, dtype=bool),
    )
    place = replace(place, obstacles=walls)
    options: list[dict[str, object]] = []
    real = job.propagate

    def noted(*arguments, **named):
        options.append(named)
        return real(*arguments, **named)

    monkeypatch.setattr(job, "propagate", noted)
    whole = store(tmp_path, place)
    assert [(o["sides"], o["reflection_order"]) for o in options] == [(True, 1), (False, 0)]
    bare = store(tmp_path, place, replace(AIR, sides=False, reflection_order=0))
    assert (whole.t > bare.t).any()
    assert np.array_equal(whole.twin, bare.twin)
    assert whole.twin.any()


def test_the_device_is_handed_to_every_path(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real, devices = job.propagate, []

    def noted(*arguments, device, **named):
        devices.append(device)
        return real(*arguments, **named)

    monkeypatch.setattr(job, "propagate", noted)
    place = hill.scene()
    execution = Execution(device="cuda")
    build_store(tmp_path, place, hill.receivers(place), AIR, 500.0, execution=execution)
    assert devices == ["cuda", "cuda"]
