"""Routes on a small scene: what is told, in which order, and what the sheets say."""

from __future__ import annotations

import csv
import json
import re
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree

import hill
import numpy as np
import pytest
from click.testing import CliRunner

from noisemap.cli.route import route_command
from noisemap.descent.quiet_step import rig
from noisemap.errors import UsageError
from noisemap.outputs.route_map import apart, route_map
from noisemap.outputs.route_page import Occasion
from noisemap.outputs.route_sheets import (
    method_sentences,
    routes_json,
    routes_text,
    write_routes,
)
from noisemap.outputs.route_tracks import GPX, KML
from noisemap.outputs.route_words import Told
from noisemap.routes import choose
from noisemap.routes.arcs import arc_costs, climb_speed, drive_pieces, road_pieces, silent_pieces
from noisemap.routes.choose import (
    Answer,
    find_routes,
    moved_to,
    places_of_homes,
    usable_links,
)
from noisemap.routes.evaluate import MAY_BE, NOT_THEN, Setting
from noisemap.routes.listening import Source, stretch_weights
from noisemap.routes.network import Vehicle, network
from noisemap.scene.model import Links, NamedPlace, Road, Scene, Stretches
from noisemap.states import Zone
from noisemap.study.descend import receiver_people
from noisemap.study.route import resolve
from noisemap.transfer.build import Air, build_store
from noisemap.transfer.store import TransferStore

AIR = Air(10.0, 70.0, 95.0)
START, END = (0, 0), (0, 100)
TRUCK = Vehicle(33_000.0, 4.1)
PIECE = 20.0


def road(name: str, x: np.ndarray, y: np.ndarray, height: np.ndarray, speed: float) -> Road:
    along = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(x), np.diff(y)))])
    steps = len(x) - 1
    return Road(
        name, f"{name} Road", "primary", x, y, along, height, np.full(steps, 0.002),
        np.zeros(steps, np.uint8), np.full(steps, speed), np.zeros(steps, bool),
        np.ones(steps, bool), 0, surface=height, direction=np.zeros(steps, np.int8),
        emits=np.ones(steps, bool),
    )  # fmt: skip


def town() -> Scene:
    """A short road by the homes and a longer one round them, both 120 m down a plane."""
    base = hill.scene(length=2000.0, offsets=(30.0, 60.0, 90.0))
    x = np.linspace(0.0, 2000.0, 101)
    short = road("Short", x, np.zeros(101), 500.0 - 0.06 * x, 60.0)
    bend = 500.0 * np.sin(np.pi * x / 2000.0)
    long = road("Long", x, -bend, 500.0 - 0.06 * x, 60.0)
    pieces = []
    for index, one in enumerate((short, long)):
        mid = 0.5 * (one.chainage[1:] + one.chainage[:-1])
        ends = np.column_stack([one.x[:-1], one.y[:-1], one.x[1:], one.y[1:]])
        pieces.append((index, one, mid, ends))
    count = 100
    stretches = Stretches(
        road=np.repeat([0, 1], count),
        from_m=np.concatenate([one.chainage[:-1] for _, one, _, _ in pieces]),
        to_m=np.concatenate([one.chainage[1:] for _, one, _, _ in pieces]),
        x=np.concatenate([0.5 * (e[:, 0] + e[:, 2]) for *_, e in pieces]),
        y=np.concatenate([0.5 * (e[:, 1] + e[:, 3]) for *_, e in pieces]),
        z=np.concatenate([500.0 - 0.06 * 0.5 * (e[:, 0] + e[:, 2]) for *_, e in pieces]),
        ends=np.concatenate([e for *_, e in pieces]),
        grade=np.concatenate([one.grade for _, one, _, _ in pieces]),
        grade_sigma=np.full(2 * count, 0.002),
        speed_limit_kmh=np.full(2 * count, 60.0),
        covered=np.zeros(2 * count, bool),
        bridge=np.zeros(2 * count, bool),
        near_portal=np.zeros(2 * count, bool),
    )
    links = Links(
        road=np.array([0, 1]),
        first=np.zeros(2, np.int64),
        last=np.full(2, 100),
        start=np.array([7, 7]),
        end=np.array([8, 8]),
        way=("way 1", "way 2"),
        height_m=np.full(2, np.nan),
        mass_t=np.array([np.nan, 40.0]),
        access=("unknown", "yes"),
        hazmat=("unknown", "unknown"),
    )
    return replace(base, roads=(short, long), stretches=stretches, links=links)


@pytest.fixture(scope="module")
def place() -> Scene:
    return town()


@pytest.fixture(scope="module")
def store(place: Scene, tmp_path_factory: pytest.TempPathFactory) -> TransferStore:
    return build_store(tmp_path_factory.mktemp("store"), place, hill.receivers(place), AIR, 1500.0)


def setting(
    place: Scene,
    store: TransferStore,
    *,
    zones: tuple[Zone, ...] = (),
    depart: float | None = None,
    limit: float = 190.0,
    mass: float = 33_000.0,
) -> Setting:
    people = receiver_people(place, store, 10.0)
    truck = hill.truck(mass)
    return Setting(
        scene=place,
        store=store,
        weights=stretch_weights(store, people, len(place.stretches.road)),
        people=people,
        pieces=road_pieces(place, hill.PRACTICE),
        source=Source(truck, "straight", 10.0, 0.0),
        practice=hill.PRACTICE,
        one=rig(truck.model, mass, "compression_release"),
        zones=zones,
        depart_s=depart,
        level_db=60.0,
        planning_limit_c=limit,
    )


def test_two_roads_are_two_alternatives(place: Scene, store: TransferStore) -> None:
    ask = setting(place, store)
    answer = find_routes(ask, TRUCK, START, END)
    assert answer.verdict == "routes"
    assert [one.route.roads[0][0] for one in answer.alternatives] == ["Long Road", "Short Road"]
    quiet, usual = answer.alternatives
    assert usual.ordinary
    assert not quiet.ordinary
    assert quiet.quieter_db > 5.0
    assert quiet.may_be_first
    assert quiet.route.length_m > usual.route.length_m
    assert quiet.route.people_reached <= usual.route.people_reached
    assert usual.route.unknown_m["height"] == pytest.approx(2000.0)
    assert quiet.route.unknown_m["access for trucks"] == 0.0
    assert quiet.route.unknown_m["weight"] == 0.0
    for one in answer.alternatives:
        assert one.route.steeper_peak_c > one.route.drive.peak_c
        assert one.route.degraded_peak_c > one.route.drive.peak_c


def test_a_cut_search_still_tells_alternatives(
    place: Scene, store: TransferStore, monkeypatch: pytest.MonkeyPatch
) -> None:
    usual = choose.choice
    monkeypatch.setattr(
        choose, "choice", lambda group, name: 0.0 if name == "labels" else usual(group, name)
    )
    answer = find_routes(setting(place, store), TRUCK, START, END)
    assert answer.search_cut
    assert [one.route.roads[0][0] for one in answer.alternatives] == ["Long Road", "Short Road"]
    said = told(place, setting(place, store), answer)
    assert any("search was cut" in text for text in method_sentences(said))


def test_burden_is_people_times_exposure(place: Scene, store: TransferStore) -> None:
    ask = setting(place, store)
    for one in find_routes(ask, TRUCK, START, END).alternatives:
        assert one.route.burden == pytest.approx(float(ask.people @ one.route.exposure), rel=1e-4)


def test_arc_costs_are_those_of_the_drive_at_one_speed(place: Scene, store: TransferStore) -> None:
    """At one posted speed the sums and heat maps of an arc equal the drive of the route."""
    ask = setting(place, store)
    net = network(place, np.ones(2, bool), [START, END])
    silent = silent_pieces(place, ask.pieces, ())
    both = [
        drive_pieces(ask.pieces, silent, ask.one, ask.source, ask.weights, forward=way)
        for way in (True, False)
    ]
    costs = arc_costs(net, ask.pieces, silent, both[0], both[1])
    for one in find_routes(ask, TRUCK, START, END).alternatives:
        arc = one.route.arcs[0]
        assert costs.time_s[arc] == pytest.approx(one.route.drive.duration_s, rel=1e-9)
        assert costs.burden[arc] == pytest.approx(one.route.burden, rel=1e-4)
        nodes = slice(int(costs.node[arc]), int(costs.node[arc + 1]))
        march = costs.factor[nodes] * ask.one.entry_c + costs.offset[nodes]
        assert march == pytest.approx(one.route.drive.temperature_c, abs=1e-9)
        assert costs.stop[nodes] == pytest.approx(one.route.drive.stop_c, abs=1e-9)


def test_over_the_planning_limit_is_never_first(place: Scene, store: TransferStore) -> None:
    """A zone on the long road silences the retarder there: quieter, but far too hot."""
    zone = Zone("long", "Long", 0.0, 2500.0, binds="every_auxiliary_brake")
    ask = setting(place, store, zones=(zone,), limit=130.0)
    answer = find_routes(ask, TRUCK, START, END)
    assert [one.route.roads[0][0] for one in answer.alternatives] == ["Short Road", "Long Road"]
    last = answer.alternatives[-1]
    assert last.over_limit
    assert not last.may_be_first
    assert last.route.drive.peak_c > 130.0
    both = setting(place, store, zones=(zone, replace(zone, name="s", road="Short")), limit=110.0)
    all_over = find_routes(both, TRUCK, START, END)
    assert all_over.verdict == "no route within the planning limit"
    assert not any(one.may_be_first for one in all_over.alternatives)


def test_merely_quieter_and_hotter_is_never_first(place: Scene, store: TransferStore) -> None:
    zone = Zone("long", "Long", 0.0, 2500.0, binds="every_auxiliary_brake")
    answer = find_routes(setting(place, store, zones=(zone,), limit=250.0), TRUCK, START, END)
    names = [one.route.roads[0][0] for one in answer.alternatives]
    assert names == ["Short Road", "Long Road"]
    assert answer.alternatives[1].worse == ("brakes hotter than on the ordinary route",)
    assert not answer.alternatives[1].over_limit


def test_zone_hours_follow_the_range_of_arrival(place: Scene, store: TransferStore) -> None:
    night = frozenset({22, 23})
    zone = Zone("late", "Short", 1900.0, 2000.0, hours=night, binds="compression_release")
    states = {}
    for depart in (12.0, 21.97, 22.5):
        ask = setting(place, store, zones=(zone,), depart=depart * 3600.0)
        for one in find_routes(ask, TRUCK, START, END).alternatives:
            for crossing in one.route.crossings:
                states[depart] = (crossing.status, one.route.zone_m > 0.0)
    assert states == {
        12.0: (NOT_THEN, False),
        21.97: (MAY_BE, True),
        22.5: ("in force", True),
    }


def test_limits_close_roads_and_the_cut_is_named(place: Scene, store: TransferStore) -> None:
    low = replace(place, links=replace(place.links, height_m=np.array([4.0, np.nan])))
    one_left = find_routes(setting(low, store), TRUCK, (1, 0), (1, 100))
    assert [one.route.roads[0][0] for one in one_left.alternatives] == ["Long Road"]
    shut = replace(
        low, links=replace(low.links, mass_t=np.array([np.nan, 30.0]), access=("yes", "yes"))
    )
    ask = setting(shut, store)
    with pytest.raises(UsageError, match="no truck road of this study is open"):
        resolve(shut, usable_links(shut, TRUCK)[1], "--from", "Short@0")
    bar = replace(place, links=_three_links(place, np.array([np.nan, 3.5, np.nan])))
    answer = find_routes(setting(bar, store), TRUCK, (0, 0), (0, 100))
    assert answer.verdict == "no route"
    assert answer.alternatives == ()
    assert answer.cut.startswith("Short Road at 800 m of its length: height limit 3.5 m")
    assert ask.planning_limit_c == 190.0


def _three_links(place: Scene, height: np.ndarray) -> Links:
    """The short road in three links; the long one is left out."""
    return replace(
        place.links,
        road=np.zeros(3, np.int64),
        first=np.array([0, 40, 60]),
        last=np.array([40, 60, 100]),
        start=np.array([7, 1, 2]),
        end=np.array([1, 2, 8]),
        way=("a", "b", "c"),
        height_m=height,
        mass_t=np.full(3, np.nan),
        access=("unknown",) * 3,
        hazmat=("unknown",) * 3,
    )


def test_one_way_the_wrong_way_is_no_route(place: Scene, store: TransferStore) -> None:
    up = replace(place.roads[0], direction=np.full(100, -1, np.int8))
    closed = replace(
        place, roads=(up, place.roads[1]), links=_three_links(place, np.full(3, np.nan))
    )
    answer = find_routes(setting(closed, store), TRUCK, (0, 0), (0, 100))
    assert answer.verdict == "no route"
    assert "do not connect" in answer.cut
    back = find_routes(setting(closed, store), TRUCK, (0, 100), (0, 0))
    assert back.verdict == "routes"


def test_trucks_keep_to_their_own_highest_speed(place: Scene) -> None:
    slow = replace(hill.PRACTICE, highest_speed=12.0)
    assert road_pieces(place, slow).cap_ms.max() == 12.0
    assert road_pieces(place, replace(slow, assumed_speed=9.0)).cap_ms.max() == 9.0


def test_climbs_are_slower_than_posted(place: Scene, store: TransferStore) -> None:
    ask = setting(place, store)
    cap = np.array([16.0, 16.0, 16.0])
    speed = climb_speed(cap, np.array([-0.06, 0.0, 0.06]), ask.one)
    assert speed[:2].tolist() == [16.0, 16.0]
    drag = 33_000.0 * 9.80665 * (np.sin(np.arctan(0.06)) + 0.0068 * np.cos(np.arctan(0.06)))
    power = (drag + 0.6 * ask.one.truck.drag_area_m2 * speed[2] ** 2) * speed[2]
    assert power == pytest.approx(270e3, rel=1e-6)


def test_noise_that_moves_is_named(place: Scene, store: TransferStore) -> None:
    """Homes stand by the short road; a route by it is louder than one round them."""
    ask = setting(place, store)
    answer = find_routes(ask, TRUCK, START, END)
    quiet, usual = (one.route for one in answer.alternatives)
    places = places_of_homes(place)
    assert set(places) == {"homes by Short Road"}
    moved = moved_to(ask, places, quiet, usual)
    assert moved[0][0] == "homes by Short Road"
    assert moved[0][2] == pytest.approx(answer.alternatives[0].quieter_db, abs=0.05)
    assert moved_to(ask, places, usual, quiet) == ()
    named = replace(place, places=(NamedPlace("Hollow", "town", 0.0, 0.0),))
    assert set(places_of_homes(named)) == {"Hollow"}


def told(place: Scene, ask: Setting, answer: Answer) -> Told:
    moved = tuple(() for _ in answer.alternatives)
    ends = ("=cmd|' /C calc'!A0", "<script>alert(1)</script>")
    return Told(
        Occasion("made-up", "us", True, ("Every level: +3 dB",)), ask, TRUCK, answer, ends, moved
    )


def test_files_are_whole_and_hold_no_markup(
    place: Scene, store: TransferStore, tmp_path: Path
) -> None:
    names = ("<b>Short</b> & Co", "=Long")
    wild = replace(
        place,
        roads=tuple(replace(r, name=n) for r, n in zip(place.roads, names, strict=True)),
    )
    zone = Zone("<i>zone</i>", "Short", 500.0, 900.0, binds="compression_release")
    ask = setting(wild, store, zones=(zone,))
    answer = find_routes(ask, TRUCK, START, END)
    said = told(wild, ask, answer)
    files = write_routes(tmp_path, said)
    folder = tmp_path / "routes"
    assert {file.name for file in files} == {
        "routes.html", "routes.gpx", "routes.kml", "routes.geojson", "routes.json", "routes.csv",
        "driver-1.html", "driver-2.html",
    }  # fmt: skip
    for file in folder.glob("*.html"):
        page = file.read_text()
        assert "<script" not in page
        assert "<b>Short" not in page
        assert "<i>zone" not in page
        assert "Every level: +3 dB" in page
        assert "The driver&#39;s judgement and the law come first" in page
        assert not re.search(r"\b(un)?safe\b", page.replace("unsafe-inline", ""), re.I)
    sheet = (folder / "driver-1.html").read_text()
    assert not re.search(r"mph|km/h|(?<!compression-)\brelease\b", sheet)
    assert "unknown, to be checked" in sheet
    assert "within the planning limit" in sheet
    assert json.loads((folder / "routes.json").read_text())["notes"] == ["Every level: +3 dB"]
    assert "Every level: +3 dB" in routes_text(said)
    track = ElementTree.parse(folder / "routes.gpx").getroot()
    points = track.findall(f".//{{{GPX}}}trkpt")
    assert len(track.findall(f"{{{GPX}}}trk")) == 2
    assert all(-90.0 <= float(point.attrib["lat"]) <= 90.0 for point in points)
    marks = ElementTree.parse(folder / "routes.kml").getroot()
    assert len(marks.findall(f".//{{{KML}}}LineString")) == 2
    lines = json.loads((folder / "routes.geojson").read_text())["features"]
    assert [line["properties"]["number"] for line in lines] == [1, 2]
    rows = list(csv.reader((folder / "routes.csv").read_text().splitlines()))
    assert len(rows) == 3
    assert not any(cell.startswith("=") for row in rows for cell in row)
    assert rows[1][1] == "'=Long"


def test_numbers_stand_where_the_routes_lie_apart(place: Scene, store: TransferStore) -> None:
    """Both roads meet at their ends; they are furthest apart in the middle of the bend."""
    routes = [
        one.route for one in find_routes(setting(place, store), TRUCK, START, END).alternatives
    ]
    for route, at in zip(routes, apart(routes), strict=True):
        assert route.x[at] == pytest.approx(1000.0, abs=100.0)
    assert apart(routes[:1]) == [len(routes[0].x) // 2]
    towns = (
        NamedPlace("Hamlet <b>", "hamlet", 1010.0, 20.0),
        NamedPlace("Town", "town", 1000.0, 20.0),
        NamedPlace("Far", "city", 9e5, 20.0),
    )
    named = replace(place, places=towns)
    drawing = route_map(named, [("one", route) for route in routes], (), "metric")
    assert ">Town<" in drawing
    assert "Hamlet" not in drawing
    assert "Far" not in drawing
    at_start = replace(place, places=(NamedPlace("Start", "town", 0.0, 10.0),))
    assert "Start" not in route_map(at_start, [("one", route) for route in routes], (), "metric")


def test_no_route_is_an_answer(place: Scene, store: TransferStore, tmp_path: Path) -> None:
    bar = replace(place, links=_three_links(place, np.array([np.nan, 3.5, np.nan])))
    ask = setting(bar, store)
    answer = find_routes(ask, TRUCK, (0, 0), (0, 100))
    said = told(bar, ask, answer)
    plain = json.loads(json.dumps(routes_json(said), allow_nan=False))
    assert plain["routes"] == []
    assert plain["verdict"] == "no route"
    assert "height limit 3.5 m" in plain["cut"]
    assert "No route: Short Road" in routes_text(said)
    names = {file.name for file in write_routes(tmp_path, said)}
    assert "routes.html" in names
    assert not any(name.startswith("driver") for name in names)


def test_places_are_found_or_refused(place: Scene) -> None:
    open_links = np.ones(2, bool)
    known = replace(place, places=(NamedPlace("Hollow", "town", 1010.0, 300.0),))
    assert resolve(known, open_links, "--from", "Short@1000") == (0, 50)
    assert resolve(known, open_links, "--to", "H0")[0] == 0
    assert resolve(known, open_links, "--to", "1 Hill Road")[0] == 0
    assert resolve(known, open_links, "--to", "Hollow")[0] == 0
    for text, words in (
        ("nowhere", "is not known"),
        ("Short@9999", "the road is 2000 m long"),
        ("999,5", "longitude,latitude in degrees"),
        ("10,40", "from the nearest truck road"),
    ):
        with pytest.raises(UsageError, match=words):
            resolve(known, open_links, "--from", text)


def test_command_needs_both_ends() -> None:
    result = CliRunner().invoke(route_command, ["study.toml", "--from", "a"])
    assert result.exit_code == 2
    assert "--to" in result.output
