"""Whole scenes from small made-up files: terrain, burn, ground, stretches, gates, sentences."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pytest
import shapely
from scene_files import CRS, X0, Y0, Feature, box, line, write_geojson, write_hgt, write_terrain

from noisemap.errors import BadDataError, MissingInputError, StudyError
from noisemap.scene.build import build_scene, scene_descents
from noisemap.scene.crs import project
from noisemap.scene.inputs import SceneInputs
from noisemap.scene.model import Receivers, Road, Terrain
from noisemap.scene.stretches import cut_stretches, split_stretches
from noisemap.scene.terrain import burn_roads, grid_spacing, height_at

GRADE = 0.06


def slope(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    return 200.0 + GRADE * (x - X0) + 0.0 * y


ROADS: tuple[Feature, ...] = (
    (
        {"id": "1", "ref": "SR 1", "highway": "primary", "maxspeed": "45 mph"},
        line((100, 1500), (1500, 1500)),
    ),
    (
        {"id": "2", "ref": "SR 1", "highway": "primary", "maxspeed": "30"},
        line((1500, 1500), (2900, 1500)),
    ),
    (
        {"id": "3", "name": "Oak", "highway": "residential", "oneway": "-1"},
        line((1500, 1500), (1500, 2900)),
    ),
)
HOMES: tuple[Feature, ...] = tuple(
    ({"id": f"h{i}", "dwellings": 1}, box(300 + 120 * i, 1530 if i % 2 else 1450, 12, 9))
    for i in range(16)
)


@pytest.fixture
def study(tmp_path: Path) -> SceneInputs:
    return SceneInputs(
        (write_terrain(tmp_path / "terrain.tif", slope),),
        write_geojson(tmp_path / "roads.geojson", ROADS),
        write_geojson(tmp_path / "homes.geojson", HOMES),
    )


def with_roads(study: SceneInputs, *roads: Feature, crs: str | None = CRS) -> SceneInputs:
    write_geojson(study.roads_file, roads, crs)
    return study


def with_homes(study: SceneInputs, *homes: Feature, crs: str | None = CRS) -> SceneInputs:
    write_geojson(study.homes_file, homes, crs)
    return study


# ------------------------------------------------------------------------- whole


def test_scene_of_a_tilted_plane(study: SceneInputs) -> None:
    scene = build_scene(study)
    assert scene.crs == CRS
    assert [road.road_id for road in scene.roads] == ["SR 1", "Oak"]
    assert scene.roads[0].grade == pytest.approx(np.full(280, -GRADE), abs=1e-6)
    assert scene.roads[0].x[0] == pytest.approx(X0 + 2900)  # counted from the upper end
    assert scene.roads[1].one_way == 1
    assert scene.roads[1].y[0] > scene.roads[1].y[-1]
    (descent,) = scene_descents(scene)
    assert (descent.direction, descent.length) == (1, pytest.approx(2800.0))
    assert descent.drop == pytest.approx(168.0, abs=0.01)
    facts = scene.facts
    assert (facts["drivable_ways"], facts["edges"], facts["roads"]) == (3, 3, 2)
    assert facts["road_km"] == pytest.approx(4.2)
    assert facts["truck_road_km"] == pytest.approx(2.8)
    assert (facts["homes"], facts["people"], facts["proxies"]) == (16, 40.0, 0)
    assert np.bincount(scene.receivers.home, scene.receivers.share) == pytest.approx(np.ones(16))
    assert any("one-way against its points" in repair.what for repair in scene.repairs)


def test_same_scene_from_lon_lat_files(study: SceneInputs, tmp_path: Path) -> None:
    metric = build_scene(study)
    for path in (study.roads_file, study.homes_file):
        gpd.read_file(path, engine="pyogrio").to_crs(4326).to_file(path, engine="pyogrio")
    degrees = build_scene(study)
    assert degrees.crs == metric.crs
    assert degrees.homes.x == pytest.approx(metric.homes.x, abs=0.02)
    assert degrees.roads[0].height == pytest.approx(metric.roads[0].height, abs=0.02)


def test_terrain_keeps_the_files_own_centres(study: SceneInputs) -> None:
    terrain = build_scene(study).terrain
    assert (terrain.x0 - X0) % 10.0 == pytest.approx(5.0)
    assert (terrain.y0 - Y0) % 10.0 == pytest.approx(5.0)
    rows, columns = terrain.height.shape
    x = terrain.x0 + terrain.cell * np.arange(columns)
    y = terrain.y0 + terrain.cell * np.arange(rows)
    inside = (x > X0 + 140) & (x < X0 + 2860)  # at its ends the road is level for a few metres
    expected = np.broadcast_to(slope(x[None, :], y[:, None]), (rows, columns))
    level = y < Y0 + 1550  # the side street lies level across the slope
    both = np.ix_(level, inside & (np.abs(x - X0 - 1500) > 40))
    assert terrain.height[both] == pytest.approx(expected[both], abs=1e-6)
    assert not terrain.filled.any()


def test_row_zero_of_the_grid_is_in_the_south(study: SceneInputs, tmp_path: Path) -> None:
    def north(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        return 100.0 + 0.05 * (y - Y0) + 0.0 * x

    terrain = build_scene(
        replace(study, terrain_files=(write_terrain(tmp_path / "north.tif", north),))
    ).terrain
    x, y = np.array([X0 + 1000.0, X0 + 2000.0]), np.array([Y0 + 1400.0, Y0 + 2700.0])
    assert height_at(terrain, x, y) == pytest.approx(north(x, y), abs=1e-6)
    assert terrain.height[0, 0] < terrain.height[-1, 0]


def test_tilted_hgt_plane_arrives_unshifted_on_grid_and_roads(tmp_path: Path) -> None:
    def tilted(lon: np.ndarray, lat: np.ndarray) -> np.ndarray:
        return 500.0 + 4000.0 * (lon - 10.0) + 3000.0 * (lat - 46.0)

    tile = write_hgt(tmp_path / "N46E010.hgt", tilted)
    degrees = {"type": "LineString", "coordinates": [[10.5, 46.5], [10.52, 46.5], [10.52, 46.51]]}
    roads = write_geojson(tmp_path / "r.geojson", [({"highway": "primary"}, degrees)], "EPSG:4326")
    home = shapely.box(10.51, 46.501, 10.5102, 46.5011)
    homes = write_geojson(
        tmp_path / "h.geojson", [({"id": "1"}, shapely.geometry.mapping(home))], "EPSG:4326"
    )
    scene = build_scene(SceneInputs((tile,), roads, homes))
    places = gpd.GeoSeries(
        gpd.points_from_xy(scene.roads[0].x, scene.roads[0].y), crs=scene.crs
    ).to_crs(4326)
    truth = tilted(places.x.to_numpy(), places.y.to_numpy())
    # half a 3 arc second cell would be 2.9 m here; whole metres in the file give 0.5 m
    raw = height_at(scene.terrain, scene.roads[0].x, scene.roads[0].y)
    assert float(np.mean(raw - truth)) == pytest.approx(0.0, abs=0.3)
    assert np.abs(raw - truth).max() < 1.6


@pytest.mark.parametrize(("native", "cell"), [(1, 10), (10, 10), (15, 10), (60, 20), (92.8, 30)])
def test_grid_spacing(native: float, cell: float) -> None:
    assert grid_spacing(native) == cell


def test_window_limits_roads_and_homes(study: SceneInputs) -> None:
    window = gpd.GeoSeries([shapely.box(X0, Y0 + 1000, X0 + 950, Y0 + 2000)], crs=CRS).to_crs(4326)
    # vertices every 100 m, so that the cut falls near the window
    corners = [(100 + 100 * i, 1500) for i in range(29)]
    with_roads(study, ({"id": "1", "ref": "SR 1", "highway": "primary"}, line(*corners)))
    scene = build_scene(replace(study, window=tuple(window.total_bounds)))
    assert scene.facts["homes"] == 6
    assert scene.facts["road_km"] == pytest.approx(0.8)
    assert any("reach beyond the terrain or the window" in r.what for r in scene.repairs)


def test_homes_beyond_the_distance_are_counted_out(study: SceneInputs) -> None:
    far = ({"id": "far", "dwellings": 1}, box(300, 2900, 12, 9))
    scene = build_scene(replace(with_homes(study, *HOMES, far), max_distance_m=500.0))
    assert scene.facts["homes"] == 16
    assert any(
        "farther than 500 m from every truck road, left out: 1." in a for a in scene.assumptions
    )
    with pytest.raises(BadDataError, match="no home lies within 100 m of a road"):
        build_scene(replace(with_homes(study, far), max_distance_m=100.0))


def test_only_named_roads_emit(study: SceneInputs) -> None:
    scene = build_scene(replace(study, road_names=("1",)))
    assert scene.facts["truck_road_km"] == pytest.approx(1.4)
    # way 1 is the lower half, and roads are counted from their upper end
    assert float(scene.stretches.from_m.min()) == pytest.approx(1400.0)


def test_repairs_are_listed_and_counted(study: SceneInputs) -> None:
    twice = ({"id": "4", "highway": "residential"}, line((1500, 2900), (1500, 1500)))
    odd = ({"id": "5", "highway": "tertiary", "maxspeed": "30;50"}, line((100, 1500), (100, 2000)))
    bow = {
        "type": "Polygon",
        "coordinates": [
            [[X0 + 900, Y0 + 1600], [X0 + 920, Y0 + 1610], [X0 + 920, Y0 + 1600],
             [X0 + 900, Y0 + 1610], [X0 + 900, Y0 + 1600]]
        ],
    }  # fmt: skip
    with_roads(study, *ROADS, twice, odd)
    with_homes(study, *HOMES, ({"id": "bow", "dwellings": 1}, bow), ({"id": "gone"}, None))
    scene = build_scene(study)
    found = {(repair.layer, repair.item) for repair in scene.repairs}
    assert found == {
        ("roads", "way 3 (Oak)"),
        ("roads", "way 4"),
        ("roads", "way 5"),
        ("homes", "homes.geojson"),
        ("homes", "bow"),
    }
    assert scene.facts["repairs"] == 5


# -------------------------------------------------------------------------- burn


def flat(height: float = 100.0, cell: float = 10.0) -> Terrain:
    grid = np.full((60, 100), height)
    return Terrain(0.0, 0.0, cell, grid, np.zeros(grid.shape, bool), cell)


def straight(height: float, structure: int = 0, y: float = 300.0) -> Road:
    x = np.arange(0.0, 991.0, 10.0)
    n = len(x) - 1
    z = np.full(n + 1, height)
    return Road(
        road_id="r", name="r", road_class="primary", x=x, y=np.full(n + 1, y), chainage=x, height=z,
        grade_sigma=np.zeros(n), structure=np.full(n, structure, np.uint8),
        speed_limit_kmh=np.full(n, 80.0), speed_limit_assumed=np.zeros(n, bool),
        trucks_allowed=np.ones(n, bool), one_way=0, surface=z, direction=np.zeros(n, np.int8),
        emits=np.ones(n, bool),
    )  # fmt: skip


def test_burn_gives_the_road_its_surface_without_a_cliff() -> None:
    burned = burn_roads(flat(), [straight(106.0)], 6.0)
    across = burned.height[:, 50]
    assert across[30] == pytest.approx(106.0)
    assert across[[20, 40]] == pytest.approx([100.0, 100.0])
    steps = np.abs(np.diff(across))
    assert steps.max() < 0.75 * 6.0
    assert int((across > 100.01).sum()) >= 5


def test_burn_of_a_road_on_the_plane_changes_nothing() -> None:
    burned = burn_roads(flat(), [straight(100.0)], 6.0)
    assert burned.height == pytest.approx(flat().height)


@pytest.mark.parametrize("structure", [1, 2])
def test_bridges_and_tunnels_leave_the_terrain(structure: int) -> None:
    assert (burn_roads(flat(), [straight(150.0, structure)], 6.0).height == 100.0).all()


# ------------------------------------------------------------------------ ground


def test_ground_factors_and_their_order(study: SceneInputs, tmp_path: Path) -> None:
    path = write_geojson(
        tmp_path / "ground.geojson",
        [
            ({"landuse": "residential"}, box(1000, 1250, 900, 200)),
            ({"natural": "water"}, box(1100, 1300, 300, 50)),
            ({"landuse": "forest", "dense": "yes"}, box(200, 2000, 800, 800)),
            ({"natural": "wood"}, box(1600, 2000, 500, 500)),
            ({"landuse": "piste"}, box(2200, 2000, 500, 500)),
            ({"factor": 0.3}, box(2200, 1300, 500, 100)),
        ],
    )
    scene = build_scene(replace(study, ground_file=path))
    cover = scene.ground

    def at(x: float, y: float) -> tuple[float, bool]:
        row = round((Y0 + y - cover.y0) / cover.cell)
        column = round((X0 + x - cover.x0) / cover.cell)
        return float(cover.factor[row, column]), bool(cover.foliage[row, column])

    assert at(1055, 1305) == (0.5, False)
    assert at(1255, 1325) == (0.0, False)  # water over residential
    assert at(605, 2405) == (1.0, True)
    assert at(1805, 2205) == (1.0, False)  # a wood that nobody called dense
    assert at(2405, 2205) == (0.7, False)  # unknown land use takes the default
    assert at(2405, 1355) == (0.3, False)
    assert at(805, 1505) == (0.0, False)  # the road
    assert scene.facts["ground_polygons_unknown"] == 1
    assert any("not in the table, taken as not mapped: 1 (" in text for text in scene.assumptions)
    every = build_scene(replace(study, ground_file=path, all_forest_dense=True))
    assert every.facts["dense_foliage_cells"] > scene.facts["dense_foliage_cells"] == 6400


def test_ground_default_and_faults(study: SceneInputs, tmp_path: Path) -> None:
    scene = build_scene(replace(study, ground_default_factor=0.4))
    assert set(np.unique(scene.ground.factor)) == {0.0, 0.4}
    assert scene.facts["ground_assumed_share"] == 1.0
    wrong = write_geojson(tmp_path / "g.geojson", [({"factor": 1.7}, box(0, 0, 900, 900))])
    with pytest.raises(BadDataError, match=r"factor: '1\.7' is not allowed \(allowed: 0\.\.1\)"):
        build_scene(replace(study, ground_file=wrong))
    lines = write_geojson(tmp_path / "l.geojson", [({}, line((0, 0), (9, 9)))])
    with pytest.raises(BadDataError, match="ground cover is polygons"):
        build_scene(replace(study, ground_file=lines))


# --------------------------------------------------------------------- stretches


def receiver(x: float, y: float) -> Receivers:
    return Receivers(np.array([0]), np.array([x]), np.array([y]), np.array([4.0]), np.array([1.0]))


def test_stretches_cover_the_road_and_obey_the_distance() -> None:
    stretches = cut_stretches([straight(100.0)], receiver(500.0, 340.0))
    order = np.argsort(stretches.from_m)
    assert stretches.from_m[order][0] == 0.0
    assert stretches.to_m[order][-1] == 990.0
    assert stretches.from_m[order][1:] == pytest.approx(stretches.to_m[order][:-1])
    nearest = np.array(
        [
            np.hypot(np.linspace(a, b, 50) - 500.0, 40.0).min()
            for a, b in zip(stretches.from_m, stretches.to_m, strict=True)
        ]
    )
    assert (stretches.length <= np.clip(nearest / 2.0, 10.0, 200.0) + 1e-6).all()
    assert stretches.length.max() > 60.0


def test_stretches_end_at_cuts_structures_limits_and_grade_changes() -> None:
    road = straight(100.0)
    structure = road.structure.copy()
    structure[30:40] = 2
    speed = np.where(np.arange(99) < 60, 80.0, 50.0)
    height = np.where(road.x > 800, 100.0 - 0.05 * (road.x - 800), 100.0)
    road = replace(road, structure=structure, speed_limit_kmh=speed, height=height, surface=height)
    whole = cut_stretches([road], receiver(500.0, 5000.0))
    stretches, _ = split_stretches(whole, [road], {0: [123.4, 5000.0, -1.0]})
    for place in (123.4, 300.0, 400.0, 600.0, 800.0):
        assert place in stretches.to_m
    assert set(stretches.from_m[stretches.covered]) == {300.0}
    assert stretches.grade[stretches.from_m >= 800] == pytest.approx(-0.05)
    near = {a for a, flag in zip(stretches.from_m, stretches.near_portal, strict=True) if flag}
    assert near == {150.0, 400.0}
    assert not (stretches.near_portal & stretches.covered).any()


def test_slowly_changing_grade_is_cut_once_a_per_cent() -> None:
    road = straight(100.0)
    height = 100.0 - 0.00004 * road.x**2 / 2.0  # 0 to 4 % over 990 m
    road = replace(road, height=height, surface=height)
    stretches = cut_stretches([road], receiver(0.0, 9000.0))
    change = 0.00004 * stretches.length
    assert change.max() <= 0.01 + 0.00004 * 20.0
    assert len(stretches.length) <= 10


def test_bridge_stands_on_its_deck(study: SceneInputs, tmp_path: Path) -> None:
    def gorge(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        return slope(x, y) - np.where((x > X0 + 1520) & (x < X0 + 1680), 50.0, 0.0)

    piece = {"ref": "SR 1", "highway": "primary"}
    with_roads(
        study,
        ({"id": "1", **piece}, line((100, 1500), (1500, 1500))),
        ({"id": "2", "bridge": "yes", **piece}, line((1500, 1500), (1700, 1500))),
        ({"id": "3", **piece}, line((1700, 1500), (2900, 1500))),
    )
    terrain = write_terrain(tmp_path / "gorge.tif", gorge)
    scene = build_scene(replace(study, terrain_files=(terrain,)))
    on = scene.stretches.bridge
    assert on.any()
    expected = slope(scene.stretches.x, scene.stretches.y)
    assert scene.stretches.z == pytest.approx(expected, abs=0.2)
    below = height_at(scene.terrain, np.array([X0 + 1600.0]), np.array([Y0 + 1500.0]))
    assert float(below[0]) == pytest.approx(float(slope(X0 + 1600, Y0)) - 50.0, abs=0.1)


def test_zone_ends_are_cuts_by_road_name(study: SceneInputs) -> None:
    scene = build_scene(study, {"SR 1": [1234.5]})
    assert 1234.5 in scene.stretches.to_m
    with pytest.raises(StudyError, match="no road is called 'SR 9'"):
        build_scene(study, {"SR 9": [10.0]})


# ------------------------------------------------------------------------- gates


def test_terrain_too_coarse_for_its_roads(study: SceneInputs, tmp_path: Path) -> None:
    def wild(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        return 500.0 + 250.0 * np.sin((x - X0) / 80.0) + 0.0 * y

    terrain = write_terrain(tmp_path / "wild.tif", wild)
    with pytest.raises(BadDataError, match=r"terrain too coarse: .* steeper than 20 %"):
        build_scene(replace(study, terrain_files=(terrain,)))
    huge = write_terrain(tmp_path / "huge.tif", slope, size=30, cell=150.0)
    with pytest.raises(BadDataError, match="terrain too coarse, cells of 150 m"):
        build_scene(replace(study, terrain_files=(huge,)))


def test_grades_above_fifteen_per_cent_warn(study: SceneInputs, tmp_path: Path) -> None:
    def steep(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        return 200.0 + 0.17 * (x - X0) + 0.0 * y

    scene = build_scene(
        replace(study, terrain_files=(write_terrain(tmp_path / "steep.tif", steep),))
    )
    assert any("2800 m of truck road come out steeper than 15 %" in text for text in scene.warnings)
    (listed,) = (repair for repair in scene.repairs if "steep over" in repair.what)
    assert listed.item == "SR 1 from 0 m"
    assert listed.what.startswith("comes out up to 17 % steep over 2800 m: left as it is")
    assert (listed.x, listed.y) == pytest.approx((X0 + 1500.0, Y0 + 1500.0), abs=15.0)


def test_steep_pieces_near_each_other_are_listed_as_one(study: SceneInputs, tmp_path: Path) -> None:
    def steps(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        """Two rises of 18 % with level ground between them, and a third far off."""
        along = x - X0 + 0.0 * y
        rises = [np.clip(along - start, 0.0, 200.0) for start in (600.0, 830.0, 2000.0)]
        return 200.0 + 0.18 * np.sum(rises, axis=0)

    terrain = write_terrain(tmp_path / "steps.tif", steps)
    scene = build_scene(replace(study, terrain_files=(terrain,)))
    listed = [repair for repair in scene.repairs if "steep over" in repair.what]
    assert len(listed) == 2
    assert scene.facts["steep_places"] == 2


def test_coarse_terrain_gives_mean_grades_and_says_so(study: SceneInputs, tmp_path: Path) -> None:
    def bent(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        return 400.0 - 0.05 * (x - X0) - 15.0 * np.sin((x - X0) / 600.0) + 0.0 * y

    terrain = write_terrain(tmp_path / "coarse.tif", bent, size=40, cell=90.0)
    scene = build_scene(replace(study, terrain_files=(terrain,)))
    road = scene.roads[0]
    (descent,) = [d for d in scene_descents(scene) if d.road == 0][:1]
    assert descent.max_grade is None
    inside = (scene.stretches.from_m >= descent.from_m) & (scene.stretches.to_m <= descent.to_m)
    inside &= scene.stretches.road == 0
    assert inside.any()
    assert scene.stretches.grade[inside] == pytest.approx(-descent.mean_grade, abs=1e-6)
    assert scene.stretches.grade_sigma[inside] == pytest.approx(
        scene.stretches.grade_sigma[inside][0]
    )
    # the road still lies on its ground: only the driven heights are evened out
    assert np.abs(road.surface - road.height).max() > 0.5
    assert scene.stretches.z == pytest.approx(
        np.interp((scene.stretches.from_m + scene.stretches.to_m) / 2, road.chainage, road.surface)
    )
    assert any("a descent is known by its mean grade only" in text for text in scene.warnings)


def test_small_voids_are_filled_and_large_ones_stop(study: SceneInputs, tmp_path: Path) -> None:
    def holed(size: float) -> Any:
        def height(x: np.ndarray, y: np.ndarray) -> np.ndarray:
            hole = (np.abs(x - X0 - 1000) < size) & (np.abs(y - Y0 - 1500) < size)
            return np.where(hole, -9999.0, slope(x, y))

        return height

    small = write_terrain(tmp_path / "s.tif", holed(20.0), nodata=-9999.0)
    scene = build_scene(replace(study, terrain_files=(small,)))
    assert scene.facts["terrain_voids"] == 16
    assert scene.facts["road_points_on_voids"] > 0
    assert int(scene.terrain.filled.sum()) == 16
    assert scene.roads[0].grade == pytest.approx(np.full(280, -GRADE), abs=1e-4)
    large = write_terrain(tmp_path / "l.tif", holed(200.0), nodata=-9999.0)
    with pytest.raises(BadDataError, match=r"% of the road points lie in large gaps"):
        build_scene(replace(study, terrain_files=(large,)))


# --------------------------------------------------------------------- sentences


def test_layers_that_do_not_overlap_show_both_extents(study: SceneInputs) -> None:
    away = tuple(({"id": str(i)}, box(90_000 + 20 * i, 0, 9, 9)) for i in range(2))
    with pytest.raises(
        BadDataError, match=r"homes\.geojson \(lon .*\) and the terrain \(lon .*overlap"
    ):
        build_scene(with_homes(study, *away))
    with_homes(study, *HOMES)
    roads = ({"id": "1", "highway": "primary"}, line((90_000, 0), (91_000, 0)))
    with pytest.raises(BadDataError, match=r"roads\.geojson \(lon .* do not overlap"):
        build_scene(with_roads(study, roads))


def test_swapped_axes_are_suggested(study: SceneInputs) -> None:
    place = shapely.geometry.mapping(shapely.box(38.86, -146.98, 38.861, -146.979))
    with pytest.raises(BadDataError, match=r"swapped|cannot be placed|order of its axes"):
        build_scene(with_homes(study, ({"id": "1"}, place), crs="EPSG:4326"))


def test_study_system_is_checked(study: SceneInputs) -> None:
    with pytest.raises(StudyError, match=r'in degrees.*write crs = "EPSG:32606"'):
        build_scene(replace(study, crs="EPSG:4326"))
    assert build_scene(replace(study, crs="EPSG:32606")).crs == "EPSG:32606"


@pytest.mark.parametrize(
    "name", ["terrain_files", "roads_file", "homes_file", "ground_file", "walls_file"]
)
def test_missing_and_remote_files(study: SceneInputs, name: str) -> None:
    suffix = ".tif" if name == "terrain_files" else ".geojson"
    for path, error in (
        (Path(f"none{suffix}"), MissingInputError),
        (Path(f"/vsicurl/http://example.org/a{suffix}"), BadDataError),
    ):
        value = (path,) if name == "terrain_files" else path
        with pytest.raises(error, match=r"no such file|only a plain local file"):
            build_scene(replace(study, **{name: value}))


def test_source_must_fit_the_file(study: SceneInputs, tmp_path: Path) -> None:
    with pytest.raises(StudyError, match=r"homes\.source: 'osm' does not fit homes\.geojson"):
        build_scene(replace(study, homes_source="osm"))


def test_road_classes(study: SceneInputs) -> None:
    with pytest.raises(StudyError, match=r"roads\.classes: canal is not allowed"):
        build_scene(replace(study, road_classes=("canal",)))
    with pytest.raises(BadDataError, match=r"holds no road of the classes read \(motorway\)"):
        build_scene(replace(study, road_classes=("motorway",)))
    scene = build_scene(replace(study, road_classes=("primary",)))
    assert scene.facts["roads"] == 1
    assert any("left out: 1 ('residential': 1)" in text for text in scene.assumptions)


def test_lines_without_a_class_count_as_truck_roads_and_say_so(study: SceneInputs) -> None:
    scene = build_scene(with_roads(study, ({"id": "1"}, line((100, 1500), (2900, 1500)))))
    assert scene.facts["truck_road_km"] == pytest.approx(2.8)
    assert any("has no column 'highway'" in text for text in scene.assumptions)
    with pytest.raises(BadDataError, match="roads are lines"):
        build_scene(with_roads(study, ({"id": "1"}, box(0, 0, 900, 900))))


def test_centre_placement_says_that_buildings_do_not_screen(study: SceneInputs) -> None:
    scene = build_scene(replace(study, placement="centre"))
    assert len(scene.receivers.x) == 16
    assert len(scene.obstacles.edges) == 0
    assert any("buildings do not screen" in text for text in scene.assumptions)


def test_home_on_a_truck_road_is_flagged(study: SceneInputs) -> None:
    scene = build_scene(with_homes(study, *HOMES, ({"id": "on"}, box(1800, 1497, 9, 9))))
    assert any("reach onto a truck road" in text and ": 1;" in text for text in scene.warnings)


def test_scene_is_the_same_twice(study: SceneInputs) -> None:
    first, second = build_scene(study), build_scene(study)
    assert np.array_equal(first.terrain.height, second.terrain.height)
    assert np.array_equal(first.stretches.ends, second.stretches.ends)
    assert np.array_equal(first.receivers.x, second.receivers.x)
    assert first.facts == second.facts
    assert all(math.isfinite(value) for value in first.facts.values())


# ------------------------------------------------------------------------ survey


def write_survey(path: Path, x: np.ndarray, y: float, height: np.ndarray) -> Path:
    lon, lat = project(CRS, "EPSG:4326", X0 + x, np.full(len(x), Y0 + y)).T
    rows = [f"{a:.9f},{b:.9f},{h:.3f}" for a, b, h in zip(lon, lat, height, strict=True)]
    path.write_text("lon,lat,height_m\n" + "\n".join(rows) + "\n", encoding="utf-8")
    return path


def test_surveyed_heights_win_over_the_terrain(study: SceneInputs, tmp_path: Path) -> None:
    x = np.arange(800.0, 1601.0, 20.0)
    # two grades where the terrain has one of 6 %; they meet it at both ends
    truth = np.interp(x, [800.0, 1200.0, 1600.0], [248.0, 268.0, 296.0])
    survey = write_survey(tmp_path / "survey.csv", x, 1502.0, truth)
    scene = build_scene(replace(study, roads_survey_file=survey))
    road = scene.roads[0]
    at = np.interp(X0 + x, road.x[::-1], road.height[::-1])
    assert at == pytest.approx(truth, abs=0.25)
    for low, high, grade in ((860.0, 1140.0, 0.05), (1260.0, 1540.0, 0.07)):
        inside = (road.x[1:] > X0 + low) & (road.x[:-1] < X0 + high)
        steps = int(inside.sum())
        assert road.grade[inside] == pytest.approx(np.full(steps, -grade), abs=0.002)
        assert road.grade_sigma[inside] == pytest.approx(np.full(steps, 0.002))
    assert float(road.grade_sigma[0]) == pytest.approx(0.006)
    far = np.interp(X0 + 2500.0, road.x[::-1], road.height[::-1])
    assert far == pytest.approx(200.0 + GRADE * 2500.0, abs=0.05)
    assert scene.facts["surveyed_points"] == len(x)


def test_surveyed_points_off_the_road(study: SceneInputs, tmp_path: Path) -> None:
    x = np.array([800.0, 820.0])
    away = write_survey(tmp_path / "away.csv", x, 1600.0, np.array([250.0, 251.0]))
    with pytest.raises(BadDataError, match="no surveyed point lies within 15 m of a road"):
        build_scene(replace(study, roads_survey_file=away))
    lines = write_survey(tmp_path / "near.csv", x, 1500.0, np.array([250.0, 251.0])).read_text()
    both = tmp_path / "both.csv"
    both.write_text(lines + "\n".join(away.read_text().splitlines()[1:]) + "\n")
    scene = build_scene(replace(study, roads_survey_file=both))
    assert any("every road, left out: 2" in repair.what for repair in scene.repairs)


def test_survey_table_faults(study: SceneInputs, tmp_path: Path) -> None:
    path = tmp_path / "survey.csv"
    path.write_text("lon,lat,height_m\n-147.0,38.8,nan\n", encoding="utf-8")
    with pytest.raises(BadDataError, match=r"survey\.csv:2: height_m: nan is not allowed"):
        build_scene(replace(study, roads_survey_file=path))


def test_piece_without_trucks_between_two_with_them_is_passive(study: SceneInputs) -> None:
    piece = {"ref": "SR 1", "highway": "primary"}
    with_roads(
        study,
        ({"id": "1", **piece}, line((100, 1500), (1000, 1500))),
        ({"id": "2", "hgv": "no", **piece}, line((1000, 1500), (1400, 1500))),
        ({"id": "3", **piece}, line((1400, 1500), (2900, 1500))),
    )
    scene = build_scene(study)
    silent = scene.stretches.passive
    middle = (scene.stretches.x > X0 + 1000) & (scene.stretches.x < X0 + 1400)
    assert silent.tolist() == middle.tolist()
    assert scene.stretches.length[~silent].sum() == pytest.approx(2400.0)
    assert scene.facts["truck_road_km"] == pytest.approx(2.4)


# ------------------------------------------------------------------------- units


def test_feet_stated_by_the_file_are_taken_and_said(study: SceneInputs, tmp_path: Path) -> None:
    metric = build_scene(study)
    feet = write_terrain(
        tmp_path / "feet.tif", lambda x, y: slope(x, y) / 0.3048, unit="international foot"
    )
    scene = build_scene(replace(study, terrain_files=(feet,)))
    assert scene.roads[0].height == pytest.approx(metric.roads[0].height, abs=1e-6)
    assert any("in ft, as its files say" in line for line in scene.assumptions)
    assert any("metres are assumed" in line for line in metric.assumptions)


def test_heights_in_feet_read_as_metres_are_suspected(study: SceneInputs, tmp_path: Path) -> None:
    feet = write_terrain(
        tmp_path / "f.tif", lambda x, y: (100.0 + 0.07 * (x - X0) + 0.0 * y) / 0.3048
    )
    with pytest.raises(BadDataError, match="that vertical_unit names the unit"):
        build_scene(replace(study, terrain_files=(feet,)))  # 7 % read as 23 %
    gentle = write_terrain(tmp_path / "g.tif", lambda x, y: 200.0 + 0.13 * (x - X0) + 0.0 * y)
    scene = build_scene(replace(study, terrain_files=(gentle,)))
    assert any("100 % of the truck roads come out steeper" in line for line in scene.warnings)
    assert not any("3.28 times" in line for line in build_scene(study).warnings)


def test_map_system_in_feet_asks_for_the_vertical_unit(tmp_path: Path) -> None:
    foot = 1200.0 / 3937.0
    east, north = 3_100_000.0, 1_700_000.0  # US survey feet in EPSG:2232
    tif = write_terrain(
        tmp_path / "t.tif",
        lambda x, y: 6000.0 + 0.05 * (x - east) + 0.0 * y,
        crs="EPSG:2232", cell=30.0, x0=east, y0=north,
    )  # fmt: skip
    road = gpd.GeoDataFrame(
        {"highway": ["primary"]},
        geometry=[shapely.LineString([(east + 500, north + 4000), (east + 8500, north + 4000)])],
        crs="EPSG:2232",
    )
    road.to_file(tmp_path / "r.shp", engine="pyogrio")
    home = shapely.box(east + 4000, north + 4200, east + 4040, north + 4230)
    gpd.GeoDataFrame({"id": ["1"]}, geometry=[home], crs="EPSG:2232").to_file(
        tmp_path / "h.gpkg", engine="pyogrio"
    )
    inputs = SceneInputs((tif,), tmp_path / "r.shp", tmp_path / "h.gpkg")
    scene = build_scene(replace(inputs, terrain_vertical_unit="us-ft"))
    assert scene.terrain.native_cell == pytest.approx(30.0 * foot, rel=1e-6)
    assert scene.facts["road_km"] == pytest.approx(8000 * foot / 1000, rel=1e-3)
    assert np.abs(scene.roads[0].grade[5:-5]) == pytest.approx(0.05, rel=2e-3)
    assert scene.roads[0].height.max() == pytest.approx((6000 + 0.05 * 8500) * foot, abs=0.2)
    assert not any("vertical_unit" in line for line in scene.warnings)
    wrong = build_scene(inputs)
    assert any("US survey foot, heights of such files" in line for line in wrong.warnings)


def test_survey_and_terrain_in_different_units(study: SceneInputs, tmp_path: Path) -> None:
    x = np.arange(200.0, 2800.0, 20.0)
    truth = slope(X0 + x, np.zeros_like(x))
    feet = write_survey(tmp_path / "s.csv", x, 1500.0, truth / 0.3048)
    with pytest.raises(BadDataError, match=r"0\.30 times as high .*the survey looks like feet"):
        build_scene(replace(study, roads_survey_file=feet))
    feet = write_survey(tmp_path / "t.csv", x, 1500.0, truth * 0.3048)
    with pytest.raises(BadDataError, match=r"3\.28 times as high .*the terrain looks like feet"):
        build_scene(replace(study, roads_survey_file=feet))


def test_layers_apart_by_swapped_axes_or_by_their_unit(study: SceneInputs, tmp_path: Path) -> None:
    def moved(path: Path, change: object) -> None:
        frame = gpd.read_file(path, engine="pyogrio")
        shapes = shapely.transform(frame.geometry.to_numpy(), change)
        gpd.GeoDataFrame(frame.drop(columns="geometry"), geometry=shapes, crs=CRS).to_file(
            path, engine="pyogrio"
        )

    roads, homes = study.roads_file.read_bytes(), study.homes_file.read_bytes()
    for path, whole in ((study.roads_file, roads), (study.homes_file, homes)):
        for change, words in (
            (lambda xy: xy[:, ::-1], "its axes look swapped"),
            (lambda xy: xy * 3937.0 / 1200.0, "its coordinates look like feet"),
        ):
            moved(path, change)
            with pytest.raises(BadDataError, match=rf"do not overlap; {words}"):
                build_scene(study)
            path.write_bytes(whole)


def test_one_vertical_system_and_its_own_unit(study: SceneInputs, tmp_path: Path) -> None:
    metric = build_scene(study)
    metres = write_terrain(tmp_path / "m.tif", slope, crs="EPSG:32606+5703")  # NAVD88, metres
    feet = write_terrain(
        tmp_path / "f.tif", lambda x, y: slope(x, y) * 3937.0 / 1200.0, crs="EPSG:32606+6360"
    )  # NAVD88, US survey feet
    for file in (metres, feet):
        scene = build_scene(replace(study, terrain_files=(file,)))
        assert scene.roads[0].height == pytest.approx(metric.roads[0].height, abs=1e-6)
        assert scene.crs == CRS
    both = build_scene(replace(study, terrain_files=(metres, feet)))  # one datum, two units
    assert both.roads[0].height == pytest.approx(metric.roads[0].height, abs=1e-6)
    geoid = write_terrain(tmp_path / "g.tif", slope, crs="EPSG:32606+5773")
    with pytest.raises(BadDataError, match=r"different vertical systems: m\.tif \(.*, g\.tif \("):
        build_scene(replace(study, terrain_files=(metres, geoid)))
