"""A wall beside the zone: its side, its reach, what it screens and what it leaves alone."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import zone_cases

from noisemap.states import Zone
from noisemap.transfer.build import Air
from noisemap.zones import wall
from noisemap.zones.wall import levels_with_wall, wall_alternative, wall_choice, wall_line

ZONE = Zone("z", "hill", 700.0, 2500.0, binds="compression_release")
AIR = Air(10.0, 70.0, 101.325)


@pytest.fixture(scope="module")
def case(tmp_path_factory: pytest.TempPathFactory):
    folder = tmp_path_factory.mktemp("store")
    return (*zone_cases.weighed(folder), folder)


def test_the_wall_stands_on_the_side_where_people_live(case) -> None:
    base, _, _ = case
    line, side = wall_line(base, base.scene.roads[0], ZONE)
    assert side == "left"  # the road runs east, the homes lie north
    assert line[:, 1] == pytest.approx(wall_choice("wall_offset_m"))
    assert line[0, 0] == pytest.approx(700.0)
    assert line[-1, 0] == pytest.approx(2500.0)
    assert np.diff(line[:, 0]).max() <= wall_choice("wall_step_m") + 1e-9
    south = replace(
        base, scene=replace(base.scene, homes=replace(base.scene.homes, y=-base.scene.homes.y))
    )
    assert wall_line(south, base.scene.roads[0], ZONE)[1] == "right"


def test_a_wall_screens_the_homes_behind_it(case) -> None:
    base, sound, folder = case
    row = wall_alternative(base, sound, ZONE, AIR, folder, 3000.0)
    assert row.group == "build"
    assert row.spared.best > 0.0
    assert row.spared.low <= row.spared.best <= row.spared.high
    assert row.hottest_c is None
    assert row.bound_a_day == 0.0
    taller = wall_choice("wall_height_m")
    assert f"{taller:g} m along" in row.name
    assert "throws back is in these figures" in row.remark
    plain = wall_alternative(base, sound, ZONE, replace(AIR, reflection_order=0), folder, 3000.0)
    assert "throws back is not in these figures" in plain.remark


def test_only_a_wall_in_the_way_changes_levels(case) -> None:
    base, sound, folder = case
    line, _ = wall_line(base, base.scene.roads[0], ZONE)
    every = np.arange(base.store.receivers)
    aside = line - np.array([0.0, 400.0])  # south of the road, the homes lie north
    same = levels_with_wall(base, sound, aside, 6.0, every, AIR, folder, 3000.0)
    assert same.maximum == pytest.approx(base.passes.maximum, abs=1e-4)
    assert same.energy == pytest.approx(base.passes.energy, rel=1e-4)
    high = levels_with_wall(base, sound, line, 6.0, every, AIR, folder, 3000.0)
    behind = (base.scene.homes.x > 1000.0) & (base.scene.homes.x < 2200.0)
    assert behind.any()
    assert np.all(high.maximum[behind] < same.maximum[behind] - 1.0)


def test_homes_beyond_its_reach_keep_their_levels(case, monkeypatch: pytest.MonkeyPatch) -> None:
    base, sound, folder = case
    line, _ = wall_line(base, base.scene.roads[0], ZONE)
    reached = np.array([1])
    out = levels_with_wall(base, sound, line, 4.0, reached, AIR, folder, 3000.0)
    others = np.setdiff1d(np.arange(base.store.receivers), reached)
    assert np.array_equal(out.maximum[others], base.passes.maximum[others])
    monkeypatch.setattr(
        wall, "wall_choice", lambda name: 0.0 if name == "wall_receivers" else wall_choice(name)
    )
    row = wall_alternative(base, sound, ZONE, AIR, Path("unused"), 3000.0)
    assert not row.computed
    assert row.remark.startswith("not computed")
