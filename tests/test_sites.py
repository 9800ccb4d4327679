"""Places for a lawful measurement: every condition by hand, and the command on the town."""

from __future__ import annotations

import csv
import json
import shutil
from dataclasses import replace
from pathlib import Path

import geopandas as gpd
import hill
import numpy as np
import pytest
from click.testing import CliRunner

from noisemap.cli.sites import sites_command
from noisemap.errors import StudyError, UsageError
from noisemap.inspection import rule
from noisemap.inspection import sites as geometry
from noisemap.inspection.site_criteria import (
    LOOK,
    MET,
    NOT_MET,
    ambient_criterion,
    geometry_criteria,
    limits_db,
    retarder_criteria,
    surfaces,
)
from noisemap.scene.model import BRIDGE, TUNNEL, Obstacles, Road, Scene
from noisemap.units import FOOT_M

DATA = Path(__file__).parents[1] / "data"
WIDTH = 10.0


def place(scene: Scene, x: float, y: float) -> geometry.Places:
    """A microphone before the lane that goes down the hill (east, on the south side)."""
    return geometry.place_at(scene, [(0, 1)], x, y, WIDTH)


def judged(scene: Scene, places: geometry.Places) -> dict[str, tuple[float, int]]:
    _, share = surfaces(scene, places, WIDTH)
    found = geometry_criteria(scene, places, geometry.surroundings(scene), share)
    return {item.key: (float(item.figure[0]), int(item.state[0])) for item in found}


def fine(scene: Scene) -> Scene:
    return replace(scene, terrain=replace(scene.terrain, native_cell=1.0))


def walled(scene: Scene, edges: list[list[float]], block: int = -1) -> Scene:
    count = len(edges)
    return replace(
        scene,
        obstacles=Obstacles(
            np.array(edges), np.full(count, 3.0), np.full(count, block), np.zeros(count, bool)
        ),
    )


def with_road(scene: Scene, **changes: object) -> Scene:
    return replace(scene, roads=(replace(scene.roads[0], **changes), *scene.roads[1:]))  # type: ignore[arg-type]


SOUTH = -2.5 - 50.0 * FOOT_M
"""50 ft from the centre of the eastbound lane, which lies 2.5 m south of the road's line."""


def test_lane_microphone_and_side() -> None:
    scene = hill.scene()
    south, north = place(scene, 1000.0, SOUTH), place(scene, 1000.0, 20.0)
    assert south.distance_ft[0] == pytest.approx(50.0)
    assert south.target[0].tolist() == pytest.approx([1000.0, -2.5])
    assert south.side[0] == geometry.NEAR
    assert north.side[0] == geometry.FAR
    assert north.distance_ft[0] == pytest.approx(22.5 / FOOT_M)
    back = geometry.place_at(scene, [(0, -1)], 1000.0, 20.0, WIDTH)
    assert back.side[0] == geometry.NEAR
    assert back.distance_ft[0] == pytest.approx(17.5 / FOOT_M)
    single = geometry.place_at(with_road(scene, one_way=1), [(0, 1)], 1000.0, -10.0, WIDTH)
    assert single.distance_ft[0] == pytest.approx(10.0 / FOOT_M)


def test_places_along_the_lane_stand_on_both_sides() -> None:
    scene = hill.scene()
    found = geometry.places_along(scene, [(0, 1)], 50.0, WIDTH)
    assert len(found) == 2 * 201
    away = np.hypot(*(found.microphone - found.target).T)
    assert away == pytest.approx(50.0 * FOOT_M)
    near = found.side == geometry.NEAR
    assert found.microphone[near, 1] == pytest.approx(SOUTH)
    assert found.microphone[~near, 1] == pytest.approx(-2.5 + 50.0 * FOOT_M)


def test_an_open_hill_side_meets_everything() -> None:
    found = judged(fine(hill.scene()), place(hill.scene(), 1000.0, SOUTH))
    assert all(state == MET for _, state in found.values()), found


def test_coarse_terrain_can_refuse_but_not_confirm() -> None:
    scene = hill.scene()
    found = judged(scene, place(scene, 1000.0, SOUTH))
    assert found["flat"] == (pytest.approx(0.0, abs=1e-6), LOOK)
    assert found["microphone"][1] == LOOK
    rough = scene.terrain.height.copy()
    rows = np.arange(rough.shape[0])
    south = rows * scene.terrain.cell + scene.terrain.y0 < -5.0
    rough[south] += 3.0
    found = judged(replace(scene, terrain=replace(scene.terrain, height=rough)),
                   place(scene, 1000.0, SOUTH))  # fmt: skip
    assert found["flat"][1] == NOT_MET
    assert found["microphone"] == (pytest.approx(3.0 / FOOT_M, rel=0.3), NOT_MET)


@pytest.mark.parametrize(
    ("feet", "state"), [(30.9, NOT_MET), (31.0, MET), (82.9, MET), (83.0, NOT_MET)]
)
def test_distance_band_of_the_rule(feet: float, state: int) -> None:
    scene = hill.scene()
    assert judged(scene, place(scene, 1000.0, -2.5 - feet * FOOT_M))["distance"][1] == state


@pytest.mark.parametrize("feet", [35.0, 50.0, 70.0])
def test_open_radius_is_the_distance_itself(feet: float) -> None:
    """325.77 with 325.33: open around both points as far as the microphone is away."""
    scene = hill.scene()
    microphone = -2.5 - feet * FOOT_M
    for gap, state in ((1.02, MET), (0.98, NOT_MET)):
        wall = microphone - gap * feet * FOOT_M
        found = judged(
            walled(scene, [[900.0, wall, 1100.0, wall]]), place(scene, 1000.0, microphone)
        )
        assert found["open_radius"] == (pytest.approx(gap * feet, rel=1e-6), state)


def test_a_microphone_inside_a_building_or_a_wood_is_refused() -> None:
    scene = hill.scene()
    corners = [(900.0, -110.0), (1100.0, -110.0), (1100.0, -5.0), (900.0, -5.0)]
    ring = [[*corners[k], *corners[(k + 1) % 4]] for k in range(4)]
    found = judged(walled(scene, ring, block=0), place(scene, 1000.0, SOUTH))
    assert found["open_radius"] == (0.0, NOT_MET)
    wood = replace(scene, ground=replace(scene.ground, foliage=~scene.ground.foliage))
    assert judged(wood, place(scene, 1000.0, SOUTH))["open_radius"] == (0.0, NOT_MET)


def test_tunnel_within_200_ft_and_bridge_underfoot() -> None:
    scene = hill.scene()
    structure = scene.roads[0].structure.copy()
    structure[60:62] = TUNNEL  # 1200 to 1240 m
    structure[10:12] = BRIDGE  # 200 to 240 m
    built = with_road(scene, structure=structure)
    for at, state in ((1200.0 - 201.0 * FOOT_M, MET), (1200.0 - 199.0 * FOOT_M, NOT_MET)):
        found = judged(built, place(scene, at, SOUTH))
        assert found["tunnel"][1] == state
        assert found["tunnel"][0] == pytest.approx((1200.0 - at) / FOOT_M, rel=1e-2)
    assert judged(built, place(scene, 220.0, SOUTH))["structure"][1] == NOT_MET
    assert judged(built, place(scene, 400.0, SOUTH))["structure"][1] == MET


def crossing(scene: Scene, structure: int, at: float = 1000.0) -> Scene:
    """A second road that crosses the hill's, northward at `at`."""
    y = np.arange(-300.0, 301.0, 20.0)
    first = scene.roads[0]
    count = len(y) - 1
    other = replace(
        first, road_id="over", name="Over", x=np.full(len(y), at), y=y, chainage=y + 300.0,
        height=np.full(len(y), 500.0), grade_sigma=np.zeros(count),
        structure=np.full(count, structure, np.uint8), speed_limit_kmh=np.full(count, 60.0),
        speed_limit_assumed=np.zeros(count, bool), trucks_allowed=np.ones(count, bool),
        surface=np.full(len(y), 500.0), direction=np.zeros(count, np.int8),
        emits=np.zeros(count, bool),
    )  # fmt: skip
    return replace(scene, roads=(first, other))


def test_a_road_overhead_counts_and_one_beside_does_not() -> None:
    scene = hill.scene()
    over = crossing(scene, BRIDGE)
    assert judged(over, place(scene, 970.0, SOUTH))["tunnel"] == (
        pytest.approx(30.0 / FOOT_M, rel=1e-6),
        NOT_MET,
    )
    assert judged(over, place(scene, 900.0, SOUTH))["tunnel"][1] == MET
    level = crossing(scene, 0)
    assert judged(level, place(scene, 970.0, SOUTH))["tunnel"][1] == MET
    assert judged(level, place(scene, 995.0, SOUTH))["nearest"][1] == NOT_MET
    assert judged(level, place(scene, 900.0, SOUTH))["nearest"][1] == MET


def test_rise_and_fall_by_spreading() -> None:
    """A pass at 50 ft rises by 6 dB where 26 m of road lie before it; at the end it does not."""
    scene = hill.scene()
    assert judged(scene, place(scene, 1000.0, SOUTH))["rise_fall"][1] == MET
    value, state = judged(scene, place(scene, 1995.0, SOUTH))["rise_fall"]
    assert state == NOT_MET
    assert value == pytest.approx(20 * np.log10(np.hypot(17.74, 4.0) / 17.74), abs=0.2)


def test_hard_over_half_soft_over_half_or_more() -> None:
    scene = hill.scene(ground_factor=1.0)
    kinds, share = surfaces(scene, place(scene, 1000.0, SOUTH), WIDTH)
    assert kinds == ["soft"]
    assert share[0] == pytest.approx(2.5 / 15.24, abs=0.03)  # pavement to the edge of the road
    hard = hill.scene(ground_factor=0.0)
    assert surfaces(hard, place(hard, 1000.0, SOUTH), WIDTH)[0] == ["hard"]
    far, part = surfaces(scene, place(scene, 1000.0, -2.5 + 35.0 * FOOT_M), WIDTH)
    assert part[0] == pytest.approx(7.5 / (35.0 * FOOT_M), abs=0.03)
    assert far == ["hard"]


def test_limits_are_those_of_table_1() -> None:
    slow, fast = hill.scene(speed_kmh=35 * 1.609344), hill.scene(speed_kmh=45 * 1.609344)
    for scene, limits in ((slow, (83.0, 85.0)), (fast, (87.0, 89.0))):
        spot = place(scene, 1000.0, SOUTH)
        for kind, limit in zip(("soft", "hard"), limits, strict=True):
            assert limits_db(scene, spot, [kind])[0] == limit  # type: ignore[list-item]
    assert np.isnan(limits_db(slow, place(slow, 1000.0, -40.0), ["soft"])[0])


def test_ambient_ten_below_the_limit_hour_by_hour() -> None:
    ambient = np.full((1, 24), 73.1)
    ambient[0, 8] = 73.0
    item, fits = ambient_criterion(ambient, np.array([83.0]), (7, 8, 9))
    assert fits[0].tolist() == [False, True, False]
    assert item.state[0] == MET
    assert item.figure[0] == pytest.approx(rule.number("ambient_below_db"))
    item, _ = ambient_criterion(ambient, np.array([83.0]), (7, 9))
    assert item.state[0] == NOT_MET


def test_retarders_at_work() -> None:
    work, grade = retarder_criteria(np.array([0.49, 0.5]), np.array([-0.05, 0.0]))
    assert work.state.tolist() == [NOT_MET, MET]
    assert grade.state.tolist() == [MET, NOT_MET]


def test_microphone_keeps_to_the_rule_where_the_ground_falls() -> None:
    """4 ft over the road where it can, 3.5 ft over the ground at least."""
    scene = hill.scene()
    spot = place(scene, 1000.0, SOUTH)
    assert geometry.microphone_height_m(scene, spot)[0] == pytest.approx(4.0 * FOOT_M)
    row = np.arange(scene.terrain.height.shape[0]) * scene.terrain.cell + scene.terrain.y0
    for rise, feet in ((2.0, 3.5), (-0.6096 / 0.75, 6.0), (-5.0, 8.0)):
        height = scene.terrain.height + np.where(row < -9.0, rise, 0.0)[:, None]
        moved = replace(scene, terrain=replace(scene.terrain, height=height))
        assert geometry.microphone_height_m(moved, spot)[0] == pytest.approx(feet * FOOT_M, 0.02)


@pytest.fixture(scope="module")
def town(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("town")
    for file in DATA.iterdir():
        if file.suffix in (".geojson", ".csv", ".tif", ".toml"):
            shutil.copy(file, folder)
    text = (folder / "study.toml").read_text(encoding="utf-8")
    text = text.replace("max_distance_m = 1500.0", "max_distance_m = 200.0")
    text += '\n[[site]]\nname = "<b>=1+1"\nlon = -147.01345\nlat = 38.9897\n'
    (folder / "study.toml").write_text(text, encoding="utf-8")
    return folder / "study.toml"


def test_the_command_on_the_invented_town(town: Path) -> None:
    done = CliRunner().invoke(
        sites_command, [str(town), "--hours", "7-9,13-15", "--most", "4", "--json", "--quiet"],
        catch_exceptions=False,
    )  # fmt: skip
    found = json.loads(done.stdout)
    assert found["verdict"] == "sites found"
    assert found["hours"] == [7, 8, 13, 14]
    folder = Path(found["folder"])
    page = (folder / "sites/sites.html").read_text(encoding="utf-8")
    rows = list(csv.reader((folder / "sites/sites.csv").read_text("utf-8").splitlines()))
    assert len(found["sites"]) == 4
    assert found["fitting"] < found["tried"]
    for site in found["sites"]:
        states = {c["key"]: c["state"] for c in site["conditions"]}
        assert "not met" not in states.values()
        assert states["flat"] == "look at the place"  # cells of 10 m
        assert {c["key"]: c["clause"] for c in site["conditions"]}["ambient"] == "49 CFR 325.35"
        assert site["hours"] == [7, 8, 13, 14]
        own = {c["key"]: c["figure"] for c in site["conditions"]}
        assert own["grade"] < 0.0
        assert own["retarders"] >= 0.5
        assert own["ambient"] >= 10.0
        assert own["tunnel"] >= 200.0
        assert own["open_radius"] >= site["distance_ft"]
        assert f"{site['road_name']}: " in page
        assert site["road_name"] in [row[2] for row in rows]
        loud = site["predicted_maxima_dba"]
        assert loud["straight"] > loud["worn"] > loud["muffled"] >= loud["after_treatment"]
    (named,) = found["named"]
    assert named["state"] == "not met"
    assert [Path(name).name for name in found["files"]] == [
        "sites.html", "sites.csv", "sites.gpkg", "sites.json",
    ]  # fmt: skip
    assert "<b>=1+1" not in page
    assert "&lt;b&gt;=1+1" in page
    assert "invented" in page
    assert len(rows) == 6
    layer = gpd.read_file(folder / "sites/sites.gpkg")
    assert len(layer) == 5
    assert layer.crs.to_epsg() == 32606
    refused = {row["condition"]: row["places"] for row in found["refusals"]}
    assert refused["open around microphone and target point"] > 0
    assert refused["tunnel or road overhead"] > 0


def test_errors_of_the_command(town: Path, tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="--hours 'noon'"):
        CliRunner().invoke(
            sites_command, [str(town), "--hours", "noon", "-q"], catch_exceptions=False
        )
    text = town.read_text(encoding="utf-8").replace(
        'retarder = "compression_release"', 'retarder = "driveline"'
    )
    quiet = town.parent / "quiet.toml"
    quiet.write_text(text, encoding="utf-8")
    with pytest.raises(StudyError, match="there is nothing to measure"):
        CliRunner().invoke(
            sites_command, [str(quiet), "--output", str(tmp_path), "-q"], catch_exceptions=False
        )


def test_steps_of_a_road() -> None:
    road: Road = hill.scene().roads[0]
    assert geometry.step_at(road, np.array([0.0, 19.9, 20.0, 2000.0])).tolist() == [0, 0, 1, 99]
