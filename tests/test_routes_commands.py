"""The commands on the invented town, as a new user calls them."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import click
import pytest
from click.testing import CliRunner

from noisemap.cli.descend import descend_command
from noisemap.cli.fleet_trips import fleet_trips_command
from noisemap.cli.route import route_command
from noisemap.errors import NoisemapError, UsageError

DATA = Path(__file__).parents[1] / "data"


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The town with only the homes within 250 m, so that its store is small."""
    folder = tmp_path_factory.mktemp("town")
    for file in DATA.iterdir():
        if file.suffix in (".geojson", ".csv", ".tif", ".toml"):
            shutil.copy(file, folder)
    text = (folder / "study.toml").read_text(encoding="utf-8")
    changed = text.replace("max_distance_m = 1500.0", "max_distance_m = 250.0")
    assert changed != text
    (folder / "study.toml").write_text(changed, encoding="utf-8")
    return folder / "study.toml"


def call(command: click.Command, *arguments: str) -> dict[str, Any]:
    done = CliRunner().invoke(command, [*arguments, "--json", "--quiet"], catch_exceptions=False)
    assert done.exit_code == 0
    found: dict[str, Any] = json.loads(done.stdout)
    return found


def test_two_real_alternatives_down_the_grade(study: Path) -> None:
    found = call(route_command, str(study), "--from", "SR 77@0", "--to", "SR 77@9900", "--no-zones")
    assert found["verdict"] == "routes"
    assert len(found["routes"]) >= 2
    by_road = {tuple(route["roads"]): route for route in found["routes"]}
    assert ("SR 77",) in by_road
    usual = by_road["SR 77",]
    assert usual["ordinary"]
    old = next(route for roads, route in by_road.items() if "Old Grade Road" in roads)
    assert old["number"] < usual["number"]
    assert old["quieter_db"] > 1.0
    assert old["peak_c"] < usual["peak_c"]
    assert old["steepest_pct"] < usual["steepest_pct"]
    assert found["roads_not_used_m"] > 0
    folder = Path(found["folder"])
    assert all((folder / name).is_file() for name in found["files"])


def test_the_whole_ban_puts_the_grade_over_the_limit(study: Path) -> None:
    found = call(
        route_command,
        str(study),
        "--from", "SR 77@0",
        "--to", "SR 77@9900",
        "--zone", "Whole grade, every retarder",
        "--depart", "23:00",
    )  # fmt: skip
    over = [route for route in found["routes"] if route["over_planning_limit"]]
    assert over
    assert not found["routes"][0]["over_planning_limit"]
    assert found["routes"][-1]["over_planning_limit"]
    assert all(zone["status"] == "in force" for route in over for zone in route["zones"])


def test_a_tall_truck_meets_what_is_known_only(study: Path) -> None:
    """No height is tagged in the town: unknown, counted, and not taken as a ban."""
    found = call(
        route_command, str(study), "--from", "SR 77@0", "--to", "SR 77@3000", "--height-m", "5"
    )
    route = found["routes"][0]
    assert route["unknown_m"]["height"] == pytest.approx(route["length_m"], abs=2)


def test_the_quiet_descent_is_quieter_and_no_hotter(study: Path) -> None:
    found = call(
        descend_command, str(study), "--road", "SR 77", "--truck", "80,000 lb", "--no-zones"
    )
    truck = found["trucks"][0]
    ways = {way["driving"]: way for way in truck["passes"]}
    assert truck["verdict"] == "quieter"
    assert truck["gap"] < 0.05
    quiet, usual = ways["quiet plan"], ways["ordinary driver"]
    assert quiet["quieter_db"] > 0.5
    assert quiet["peak_c"] <= min(usual["peak_c"], truck["planning_limit_c"]) + 0.01
    assert ways["no retarder"]["peak_c"] > truck["planning_limit_c"]


def test_a_fleet_is_weighed(study: Path, tmp_path: Path) -> None:
    trips = tmp_path / "trips.csv"
    trips.write_text(
        "trip,from,to,depart,truck,exhaust,count\n"
        'night,SR 77@0,SR 77@9900,23:15,"80,000 lb",straight,5\n'
        'noon,SR 77@0,SR 77@9900,12:00,"45,000 lb",muffled,3\n',
        encoding="utf-8",
    )
    found = call(fleet_trips_command, str(study), str(trips), "--no-zones")
    assert found["moves"][0]["trip"] == "night"
    assert "Old Grade Road" in found["moves"][0]["to"]
    assert {row["hour"] for row in found["places"]} == {12, 23}


@pytest.mark.parametrize(
    ("command", "arguments", "words"),
    [
        (descend_command, ("--road", "SR 99"), "SR 77"),
        (descend_command, ("--road", "Birch Street"), "carries no trucks"),
        (descend_command, ("--road", "SR 77", "--truck", "9 t"), "80,000 lb"),
        (route_command, ("--from", "SR 77@0", "--to", "SR 77@0"), "one point"),
        (route_command, ("--from", "SR 77@0", "--to", "elsewhere"), "LON,LAT"),
        (route_command, ("--from", "SR 77@0", "--to", "-147.5,39"), "nearest truck road"),
    ],
)
def test_what_is_not_there_is_said_with_what_is(
    study: Path, command: click.Command, arguments: tuple[str, ...], words: str
) -> None:
    with pytest.raises(NoisemapError, match=words) as caught:
        CliRunner().invoke(command, [str(study), *arguments, "--quiet"], catch_exceptions=False)
    assert isinstance(caught.value, UsageError)
    assert caught.value.exit_code == 2
