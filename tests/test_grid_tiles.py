"""A map's grid in many runs is the grid in one piece, to the last bit, without a seam."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
import small_study

from noisemap.exposure.areas import level_areas
from noisemap.exposure.results import LevelArea
from noisemap.study import compute as computing
from noisemap.study.compute import Computed, area_grid, areas, compute
from noisemap.study.prepare import Prepared, prepare
from noisemap.study.progress import Silent
from noisemap.study.run import read_scene
from noisemap.transfer import build
from noisemap.transfer.build import strips


@pytest.fixture(scope="module")
def hill(tmp_path_factory: pytest.TempPathFactory) -> tuple[Prepared, Computed]:
    folder = tmp_path_factory.mktemp("grid")
    text = small_study.TEXT.replace("grid_points = 60", "grid_points = 900")
    prepared = prepare(small_study.write(folder, text))
    place = read_scene(prepared, Silent())
    return prepared, compute(prepared, place, folder / "store", Silent())


def with_memory(prepared: Prepared, gigabytes: float) -> Prepared:
    run = prepared.study.run.model_copy(update={"memory_gb": gigabytes})
    return replace(prepared, study=prepared.study.model_copy(update={"run": run}))


def levels_and_areas(
    hill: tuple[Prepared, Computed], folder: Path, gigabytes: float, monkeypatch: pytest.MonkeyPatch
) -> tuple[int, np.ndarray, tuple[LevelArea, ...]]:
    """Runs of the grid, its levels, and the areas, as a study with so much memory has them."""
    prepared, computed = hill
    seen: list[np.ndarray] = []
    real = level_areas

    def kept(levels: np.ndarray, *rest: object) -> tuple[LevelArea, ...]:
        seen.append(levels)
        return real(levels, *rest)  # type: ignore[arg-type]

    monkeypatch.setattr(computing, "level_areas", kept)
    prepared = with_memory(prepared, gigabytes)
    grid = area_grid(prepared, computed.base.scene, computed.sound, computed.air)
    assert grid is not None
    found = areas(prepared, computed, folder, Silent())
    monkeypatch.undo()
    return len(grid.strips), seen[0], found


def test_runs_and_tiles_change_no_bit_and_leave_no_seam(
    hill: tuple[Prepared, Computed], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = levels_and_areas(hill, tmp_path / "whole", 2.0, monkeypatch)
    stretches = len(hill[1].base.scene.stretches.x)
    monkeypatch.setattr(build, "PATHS_PER_TILE", 500)
    parts = levels_and_areas(hill, tmp_path / "parts", 160.0 * stretches * 47 / 1e9, monkeypatch)
    assert whole[0] == 1
    assert parts[0] >= 15
    assert np.isfinite(whole[1]).sum() > 500
    assert np.array_equal(whole[1], parts[1])
    assert len(whole[2]) == len(parts[2]) >= 4
    for one, other in zip(whole[2], parts[2], strict=True):
        assert (one.low, one.high) == (other.low, other.high)
        for rings, others in zip(one.rings, other.rings, strict=True):
            assert all(np.array_equal(a, b) for a, b in zip(rings, others, strict=True))


def test_areas_meet_without_gap_or_overlap(
    hill: tuple[Prepared, Computed], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Every place of the grid lies in exactly the area of its own level."""
    shapely = pytest.importorskip("shapely")
    prepared, computed = hill
    _, levels, found = levels_and_areas(hill, tmp_path / "areas", 2.0, monkeypatch)
    grid = area_grid(prepared, computed.base.scene, computed.sound, computed.air)
    assert grid is not None
    points = shapely.points(np.concatenate(grid.strips)[:, :2])
    shapes = [
        shapely.union_all([shapely.Polygon(rings[0], rings[1:]) for rings in area.rings])
        for area in found
    ]
    loud = levels > found[0].low + 1e-6
    inside = np.array([shapely.covers(shape, points) for shape in shapes])
    assert loud.sum() > 200
    assert (inside[:, loud].sum(axis=0) >= 1).all()
    for area, within in zip(found, inside, strict=True):
        middle = (levels > area.low + 0.01) & (levels < area.high - 0.01)
        assert np.array_equal(within[middle], np.ones(middle.sum(), bool))
        assert not within[(levels < area.low - 0.01) | (levels > area.high + 0.01)].any()


@pytest.mark.parametrize(("receivers", "memory"), [(1000, 0.001), (1, 2.0), (7, 1e-9)])
def test_runs_cover_every_receiver_once(receivers: int, memory: float) -> None:
    runs = strips(receivers, 50, memory)
    assert runs[0][0] == 0
    assert runs[-1][1] == receivers
    assert all(a[1] == b[0] for a, b in pairwise(runs))
    assert max(last - first for first, last in runs) <= max(1, memory * 1e9 / (160 * 50))
