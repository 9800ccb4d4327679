"""Quiet descents on a small scene: burden, limits, zones, verdicts and what the sheets say."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path

import hill
import numpy as np
import pytest
from click.testing import CliRunner

from noisemap.cli.descend import descend_command
from noisemap.descent.quiet_moves import drive_burden
from noisemap.descent.quiet_step import rig
from noisemap.exposure.driving import TruckClass
from noisemap.exposure.passes import PassClass, pass_sound
from noisemap.exposure.product import pass_levels
from noisemap.outputs.route_descent import descents_json, descents_text, sentence, write_descents
from noisemap.outputs.route_driver import steep_parts
from noisemap.outputs.route_page import Occasion
from noisemap.routes.choices import clock_hours
from noisemap.routes.listening import Source, stretch_weights
from noisemap.routes.quiet_descent import (
    NO_RETARDER,
    QuietDescent,
    Terms,
    Trip,
    quiet_descent,
)
from noisemap.scene.model import Scene
from noisemap.states import Zone
from noisemap.study.descend import chosen_trucks, chosen_zones, receiver_people
from noisemap.transfer.build import Air, build_store
from noisemap.transfer.store import TransferStore

AIR = Air(10.0, 70.0, 95.0)
NIGHT = frozenset({22, 23, 0, 1, 2, 3, 4, 5, 6})
TERMS = Terms(260.0, 190.0)


@pytest.fixture(scope="module")
def place() -> Scene:
    """Four kilometres of 6 %; all homes stand beside the middle."""
    return hill.scene(length=4000.0, piece=40.0, offsets=(40.0, 90.0, 200.0))


@pytest.fixture(scope="module")
def store(place: Scene, tmp_path_factory: pytest.TempPathFactory) -> TransferStore:
    return build_store(tmp_path_factory.mktemp("store"), place, hill.receivers(place), AIR, 1500.0)


def source(truck: TruckClass | None = None, exhaust: str = "straight") -> Source:
    return Source(truck or hill.truck(30_000.0), exhaust, 10.0, 0.0)  # type: ignore[arg-type]


def found(
    place: Scene,
    store: TransferStore,
    *,
    zones: tuple[Zone, ...] = (),
    terms: Terms = TERMS,
    one: Source | None = None,
    depart: float | None = None,
    direction: int = 1,
) -> QuietDescent:
    people = receiver_people(place, store, 10.0)
    weights = stretch_weights(store, people, len(place.stretches.road))
    trip = Trip(0, direction, depart, NIGHT)
    return quiet_descent(place, store, weights, zones, one or source(), hill.PRACTICE, trip, terms)


def test_burden_is_people_times_exposure(place: Scene, store: TransferStore) -> None:
    """The stretch weights give what the pass product gives receiver by receiver."""
    result = found(place, store)
    people = receiver_people(place, store, 10.0)
    assert people.sum() == pytest.approx(place.homes.people.sum())
    classes = [PassClass(0, 1, 0, "straight", "ordinary", np.zeros(24))]
    sound = pass_sound(
        classes,
        {(0, 1, 0, "ordinary"): result.ordinary.drive},
        place.stretches,
        [result.source.truck],
        temperature=10.0,
        calibration_offset=0.0,
    )
    direct = float(people @ pass_levels(store, sound).energy[:, 0].astype(float))
    assert result.ordinary.burden == pytest.approx(direct, rel=1e-3)
    one = rig(result.source.truck.model, 30_000.0)
    again = float(drive_burden(result.listening, result.ordinary.drive, one).sum())
    assert again == pytest.approx(result.ordinary.burden, rel=1e-12)


def test_a_quieter_descent_within_the_limits(place: Scene, store: TransferStore) -> None:
    result = found(place, store, terms=replace(TERMS, allow_hotter_k=60.0))
    assert result.verdict == "quieter"
    assert result.quiet is not None
    assert result.plan is not None
    assert result.quieter_db(result.quiet) > 3.0
    assert result.quiet.drive.peak_c <= 190.0 + 1e-9
    assert result.quiet.drive.peak_c <= result.ordinary.drive.peak_c + 60.0 + 1e-9
    assert result.quiet.degraded_peak_c > result.quiet.drive.peak_c
    for way in result.passes:
        assert way.steeper_peak_c > way.drive.peak_c
    assert result.plan.gap < 0.05
    assert result.none.drive.peak_c > result.ordinary.drive.peak_c
    loudest = [float(way.maximum.max()) for way in (result.quiet, result.ordinary)]
    assert loudest[0] < loudest[1]


def test_outside_zones_no_hotter_than_the_ordinary_driver(
    place: Scene, store: TransferStore
) -> None:
    result = found(place, store)
    if result.quiet is not None:
        assert result.quiet.drive.peak_c <= result.ordinary.drive.peak_c + 1e-9
    limit = min(190.0, result.ordinary.drive.peak_c)
    assert result.profile.limit_c == pytest.approx(np.full(101, limit))


def test_a_gearbox_that_interrupts_leaves_the_limits_kept(
    place: Scene, store: TransferStore
) -> None:
    terms = replace(TERMS, allow_hotter_k=60.0)
    kept = 0
    for gearbox in ("uninterrupted", "manual", "automated"):
        truck = replace(hill.truck(36_000.0), gearbox=gearbox)
        result = found(place, store, terms=terms, one=source(truck))
        if result.quiet is not None:
            driven = result.quiet.drive
            room = result.profile.limit_c - driven.temperature_c - driven.stop_c
            assert room.min() >= -1e-5
            kept += 1
    assert kept >= 2


def test_a_climb_is_heard_by_its_engine(place: Scene, store: TransferStore) -> None:
    """Uphill the running noise carries the gradient term, downhill it does not."""
    up, down = found(place, store, direction=-1), found(place, store)
    assert up.listening.running.sum() > 1.05 * down.listening.running.sum()


def test_a_zone_is_obeyed_by_all_and_may_use_the_planning_limit(
    place: Scene, store: TransferStore
) -> None:
    zone = Zone("middle", "Hill Road", 1800.0, 2200.0, binds="compression_release")
    result = found(place, store, zones=(zone,))
    inside = ~result.profile.retarder_allowed
    assert inside.sum() == 10
    for way in result.passes:
        assert (way.drive.retarder_share[inside] == 0.0).all()
    assert result.profile.limit_c[46] == 190.0
    assert result.zones == (zone,)
    back = found(place, store, zones=(zone,), direction=-1)
    assert np.flatnonzero(~back.profile.retarder_allowed).tolist() == list(range(45, 55))


@pytest.mark.parametrize(
    ("depart", "bound"), [(None, True), (12.0 * 3600.0, False), (21.97 * 3600.0, True)]
)
def test_zone_hours_use_a_range_of_arrival(
    place: Scene, store: TransferStore, depart: float | None, bound: bool
) -> None:
    """A zone from 22:00 binds a truck that may reach it by then, computed or late."""
    night = Zone("night", "hill", 1800.0, 2200.0, hours=NIGHT, binds="compression_release")
    assert bool(found(place, store, zones=(night,), depart=depart).zones) == bound


def test_unmuffled_zones_do_not_bind_muffled_trucks(place: Scene, store: TransferStore) -> None:
    zone = Zone("loud", "hill", 0.0, 4000.0)
    assert found(place, store, zones=(zone,), one=source(exhaust="muffled")).zones == ()
    assert found(place, store, zones=(zone,)).zones == (zone,)


def test_no_plan_is_a_verdict(place: Scene, store: TransferStore) -> None:
    """Without any retarder on the whole hill the heaviest truck cannot keep a low limit."""
    whole = Zone("whole", "hill", 0.0, 4001.0, binds="every_auxiliary_brake")
    low = Terms(260.0, 120.0)
    result = found(place, store, zones=(whole,), terms=low, one=source(hill.truck(40_000.0)))
    assert result.verdict == "no plan within the limits"
    assert result.quiet is None
    words = sentence(result, "us")
    assert "no descent was found" in words
    assert "over the planning limit" in words
    shown = json.loads(
        json.dumps(
            descents_json(place, [result], Occasion("made-up", "metric", True)), allow_nan=False
        )
    )
    assert shown["trucks"][0]["verdict"] == "no plan within the limits"
    assert [way["driving"] for way in shown["trucks"][0]["passes"]] == [
        "ordinary driver",
        NO_RETARDER,
    ]


def test_most_heard_lies_at_the_homes(place: Scene, store: TransferStore) -> None:
    spots = found(place, store).heard
    assert spots
    assert sum(share for _, _, share in spots) >= 0.5
    assert all(1500.0 < begin < end < 2500.0 for begin, end, _ in spots)


def test_clock_hours_wrap_and_never_exceed_a_day() -> None:
    assert clock_hours(23.0 * 3600, 0.0, 3.0 * 3600) == {23, 0, 1, 2}
    assert clock_hours(0.0, 0.0, 90.0 * 3600) == frozenset(range(24))


def test_steep_parts_join_short_gaps() -> None:
    chainage = np.arange(0.0, 3001.0, 100.0)
    grade = np.full(30, -0.06)
    grade[10:12] = -0.01
    grade[20:] = 0.0
    parts = steep_parts(chainage, grade, 10.0)
    assert len(parts) == 1
    begin, end, mean, steepest = parts[0]
    assert (begin, end) == (0.0, 2000.0)
    assert mean == pytest.approx((18 * 0.06 + 2 * 0.01) / 20)
    assert steepest == pytest.approx(0.06)
    assert steep_parts(chainage, grade, 90.0)[0][3] is None
    assert steep_parts(chainage, -grade, 10.0) == []


def test_sheets_say_what_they_must_and_nothing_more(
    place: Scene, store: TransferStore, tmp_path: Path
) -> None:
    road = replace(place.roads[0], name="Hill <script>alert(1)</script>", road_id="hill")
    wild = replace(place, roads=(road,))
    zone = Zone("<i>=zone</i>", "hill", 1800.0, 2200.0, binds="compression_release")
    results = [found(wild, store, zones=(zone,), terms=replace(TERMS, allow_hotter_k=40.0))]
    study = Occasion("<b>study</b>", "us", True, ("Every level is changed by <b>+3</b> dB",))
    files = write_descents(tmp_path, wild, results, study)
    names = {file.name for file in files}
    assert {"analysis.html", "driver.html", "descents.json"} <= names
    driver = (tmp_path / "descents/hill/driver.html").read_text()
    analysis = (tmp_path / "descents/hill/analysis.html").read_text()
    for page in (driver, analysis):
        assert "<script" not in page
        assert "<i>" not in page
        assert "The driver&#39;s judgement and the law come first" in page
        assert "invented" in page
        assert "Every level is changed by &lt;b&gt;+3&lt;/b&gt; dB" in page
        assert not re.search(r"\b(un)?safe\b", page.replace("unsafe-inline", ""), re.I)
    assert not re.search(r"mph|km/h|(?<!compression-)\brelease\b", driver)
    assert "To be read before departure" in driver
    assert "within the planning limit" in driver
    assert "Calculation input, not driving advice" in analysis
    svg = next(file for file in files if file.suffix == ".svg").read_text()
    assert "Calculation input, not driving advice" in svg
    table = next(file for file in files if file.suffix == ".csv").read_text().splitlines()
    assert "not driving advice" in table[0]
    assert len(table) == 1 + 100 * len(results[0].passes)
    assert "Calculation input" in descents_text(wild, results, replace(study, units="metric"))


def test_what_is_not_in_the_study_is_refused() -> None:
    trucks = (hill.truck(), replace(hill.truck(), name="bare", retarder="none"))
    assert [truck.name for truck in chosen_trucks(trucks, None)] == ["full"]
    assert chosen_trucks(trucks, "bare")[0].retarder == "none"
    with pytest.raises(Exception, match="'lorry' is not in the study; trucks: full, bare"):
        chosen_trucks(trucks, "lorry")
    zones = (Zone("a", "hill", 0.0, 1.0), Zone("b", "hill", 0.0, 1.0))
    assert chosen_zones(zones, None) == zones
    assert chosen_zones(zones, ()) == ()
    assert chosen_zones(zones, ("b",)) == zones[1:]
    with pytest.raises(Exception, match="'c' is not in the study"):
        chosen_zones(zones, ("c",))


def test_command_refuses_a_clock_that_is_none() -> None:
    result = CliRunner().invoke(descend_command, ["study.toml", "--road", "x", "--depart", "25:00"])
    assert result.exit_code == 2
    assert "not a time of day" in result.output
    both = CliRunner().invoke(
        descend_command, ["study.toml", "--road", "x", "--zone", "a", "--no-zones"]
    )
    assert both.exit_code == 2
