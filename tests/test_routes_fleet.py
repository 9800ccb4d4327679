"""The fleet's burden by place and hour, and what moving a trip spares."""

from __future__ import annotations

import csv
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from noisemap.community.indicators import Periods
from noisemap.errors import BadDataError
from noisemap.outputs.route_fleet import fleet_json, verdict_words, write_fleet
from noisemap.outputs.route_page import Occasion
from noisemap.routes.choose import Alternative, Answer
from noisemap.routes.fleet import (
    FleetResult,
    FleetTrip,
    hour_weights,
    ranked_moves,
    trip_result,
)
from noisemap.study.fleet_trips import read_trips

PERIODS = Periods(frozenset({22, 23, 0, 1, 2, 3, 4, 5, 6}), frozenset({19, 20, 21}))
WEIGHTS = hour_weights(PERIODS)
PEOPLE = np.array([2.0, 3.0])
PLACES = ("Upper", "Lower")


def alternative(
    name: str,
    exposure: tuple[float, float],
    seconds: float,
    *,
    ordinary: bool = False,
    over: bool = False,
) -> Alternative:
    route = SimpleNamespace(
        burden=float(PEOPLE @ exposure),
        exposure=np.array(exposure),
        drive=SimpleNamespace(duration_s=seconds),
        roads=((name, 1000.0),),
    )
    return Alternative(route, ordinary, over, (), 0.0)  # type: ignore[arg-type]


def answer(*alternatives: Alternative) -> Answer:
    return Answer(alternatives, "" if alternatives else "a low bridge", 1, 1, False, 0, 0.0)


def result(depart: float, *alternatives: Alternative, count: float = 4.0, name: str = "t"):
    trip = FleetTrip(name, "a", "b", depart, "full", "muffled", count)
    return trip_result(trip, lambda _: answer(*alternatives), WEIGHTS, PLACES, PEOPLE)


USUAL = alternative("Short", (10.0, 20.0), 600.0, ordinary=True)
QUIET = alternative("Long", (1.0, 1.0), 900.0)


def test_a_night_trip_may_move_to_another_road_or_hour() -> None:
    found = result(23.0 * 3600.0, QUIET, USUAL)
    assert found.hour == 23
    assert found.weighted == pytest.approx(4.0 * 80.0 * 10.0)
    assert found.by_place == {"Upper": 80.0, "Lower": 240.0}
    assert found.other_road is not None
    assert found.other_hour is not None
    assert found.other_road.quieter_db == pytest.approx(10.0 * np.log10(80.0 / 5.0))
    assert found.other_road.extra_s == 300.0
    assert found.other_hour.words == "18:00"
    assert found.other_hour.quieter_db == pytest.approx(10.0)
    assert found.best is found.other_road
    assert found.other_road.spared == pytest.approx(4.0 * (80.0 - 5.0) * 10.0)


def test_a_day_trip_has_no_better_hour() -> None:
    found = result(12.0 * 3600.0, USUAL)
    assert found.other_hour is None
    assert found.other_road is None
    assert found.best is None


def test_nothing_moves_to_a_road_over_the_limit() -> None:
    hot = alternative("Steep", (0.1, 0.1), 700.0, over=True)
    assert result(12.0 * 3600.0, USUAL, hot).other_road is None
    over = alternative("Short", (10.0, 20.0), 600.0, ordinary=True, over=True)
    assert result(23.0 * 3600.0, over).other_hour is None


def test_the_hour_is_that_of_the_middle_of_the_trip() -> None:
    assert result(21.95 * 3600.0, USUAL).hour == 22


def test_fleet_sums_and_ranks(tmp_path: Path) -> None:
    fleet = FleetResult(
        (
            result(23.0 * 3600.0, QUIET, USUAL, count=1.0, name="=few"),
            result(23.0 * 3600.0, QUIET, USUAL, count=9.0, name="<b>many</b>"),
            result(12.0 * 3600.0, USUAL, name="noon"),
            result(12.0 * 3600.0, name="lost"),
        )
    )
    assert [one.trip.name for one, _ in ranked_moves(fleet)] == ["<b>many</b>", "=few"]
    table = fleet.by_place_and_hour()
    assert table["Upper", 23] == pytest.approx(10.0 * 20.0)
    assert table["Lower", 12] == pytest.approx(4.0 * 60.0)
    assert fleet.total == pytest.approx(10.0 * 80.0 * 10.0 + 4.0 * 80.0)
    words = verdict_words(fleet)
    assert "3 trips driven, 1 without a route" in words
    spared = 100.0 * 10.0 * 75.0 * 10.0 / fleet.total
    assert f"spare {spared:.0f} %" in words
    study = Occasion("town", "us", True, ("Every level: +3 dB",))
    assert "Moving 2 trips would" in words
    assert verdict_words(FleetResult(fleet.trips[2:3])).startswith("1 trip driven. No move")
    plain = fleet_json(fleet, study)
    assert plain["notes"] == ["Every level: +3 dB"]
    assert plain["no_route"] == [{"trip": "lost", "cut": "a low bridge"}]
    assert sum(row["share_pct"] for row in plain["places"]) == pytest.approx(100.0, abs=0.1)
    write_fleet(tmp_path, fleet, study, ())
    page = (tmp_path / "fleet/fleet.html").read_text()
    assert "<b>many" not in page
    assert "&lt;b&gt;many" in page
    assert "Every level: +3 dB" in page
    rows = list(csv.reader((tmp_path / "fleet/trips.csv").read_text().splitlines()))
    assert rows[1][0] == "'=few"
    assert rows[4][7] == "a low bridge"


def write(path: Path, text: str) -> Path:
    path.write_text(text, encoding="utf-8")
    return path


def test_trips_are_read_with_defaults(tmp_path: Path) -> None:
    path = write(
        tmp_path / "trips.csv",
        "trip,from,to,depart,truck,exhaust,count\n1,a,b,7:05,,,\n2,a,b,23:59,bare,worn,2.5\n",
    )
    first, second = read_trips(path, "full")
    assert (first.truck, first.exhaust, first.count) == ("full", "muffled", 1.0)
    assert first.depart_s == 7 * 3600 + 300
    assert (second.truck, second.exhaust, second.count) == ("bare", "worn", 2.5)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("trip,from,to\n1,a,b\n", "depart"),
        ("trip,from,to,depart\n1,a,b,25:00\n", "trips.csv:2: depart: '25:00'"),
        ("trip,from,to,depart,exhaust\n1,a,b,5:00,loud\n", "loud"),
        ("trip,from,to,depart,count\n1,a,b,5:00,-1\n", "count"),
        ("trip,from,to,depart,colour\n1,a,b,5:00,red\n", "colour"),
    ],
)
def test_faulty_trips_are_refused(tmp_path: Path, text: str, words: str) -> None:
    with pytest.raises(BadDataError, match=words):
        read_trips(write(tmp_path / "trips.csv", text), "full")
