"""How the retarder is worked: switch, wheel brakes, onsets; and the energy closes each time."""

from __future__ import annotations

import hill
import numpy as np
import pytest

from noisemap.descent.drive import drive
from noisemap.descent.engagement import ENGAGEMENTS, engagement_habit, holds_taken, wheel_share
from noisemap.descent.truck import packaged_truck
from noisemap.errors import OutOfDomainError
from noisemap.study.load import load_study
from noisemap.study.prepare import _by_engagement

TRUCK = packaged_truck("13L")


def descend(engagement: str, kind: str | None = None):
    return drive(
        np.linspace(0.0, 3000.0, 61),
        -0.045,
        15.0,
        TRUCK,
        20_000.0,
        habit=engagement_habit(engagement) or "lowest_that_holds",
        engagement=engagement,
        retarder_kind=kind,
    )


@pytest.mark.parametrize("engagement", ENGAGEMENTS)
def test_the_energy_closes_and_no_way_is_hotter_than_no_retarder(engagement) -> None:
    one, none = descend(engagement), descend(engagement, "none")
    assert one.energy.residual == pytest.approx(0.0, abs=1e-3 * one.energy.potential)
    assert one.peak_c < none.peak_c


def test_by_hand_all_cylinders_work_a_shorter_time_and_are_let_go() -> None:
    hand, steady = descend("hand"), descend("steady")
    assert hand.braking_cylinders.max() == 6 > steady.braking_cylinders.max()
    assert hand.retarder_share.mean() < steady.retarder_share.mean()
    assert hand.onsets > 10 > steady.onsets == 1
    assert hand.peak_c == pytest.approx(steady.peak_c)
    assert descend("descent_control").onsets == 1
    assert descend("cruise").onsets > descend("pedal").onsets


def test_by_pedal_the_wheel_brakes_take_their_share() -> None:
    pedal, steady = descend("pedal"), descend("steady")
    both = pedal.retarder_w + pedal.brake_w
    assert pedal.brake_w == pytest.approx(wheel_share("pedal") * both)
    assert both == pytest.approx(steady.retarder_w + steady.brake_w)
    assert pedal.peak_c > steady.peak_c


def test_cycles_by_hand() -> None:
    """At twice the mean power half the time is on: the band is lost and gained in one cycle."""
    one = np.ones(1)
    band = 8.0 / 3.6
    cycle = 2.0 * 30e3 * 15.0 * band / 1e5
    found = holds_taken("hand", 30e3, 15.0 * one, 100.0 * one, 1e5 * one, 2e5 * one)
    assert found[0] == pytest.approx(100.0 / cycle)
    assert holds_taken("hand", 30e3, one, one, one, one)[0] == 0.0  # on all the time
    assert holds_taken("steady", 30e3, one, one, one, 2.0 * one)[0] == 0.0


def test_an_unknown_way_is_refused() -> None:
    with pytest.raises(OutOfDomainError, match="hand"):
        wheel_share("by magic")  # type: ignore[arg-type]


STUDY = """schema = 1
[study]
name = "s"
[terrain]
files = ["t.tif"]
[roads]
file = "r.geojson"
[homes]
file = "h.geojson"
[traffic]
file = "c.csv"
[traffic.engagement_shares]
hand = 0.4
cruise = 0.6
"""


def test_a_truck_class_is_shared_out(tmp_path) -> None:
    path = tmp_path / "study.toml"
    path.write_text(STUDY)
    study = load_study(path)
    parts = _by_engagement(hill.truck(), study)
    assert [(part.name, part.engagement) for part in parts] == [
        ("full, by hand", "hand"),
        ("full, by cruise control", "cruise"),
    ]
    assert sum(part.share for part in parts) == pytest.approx(1.0)
    bare = hill.truck(retarder="none")
    assert _by_engagement(bare, study) == [bare]


def test_shares_that_do_not_fit_are_refused(tmp_path) -> None:
    from noisemap.errors import StudyError

    path = tmp_path / "study.toml"
    path.write_text(STUDY.replace("0.6", "0.5"))
    with pytest.raises(StudyError, match=r"sum to 0\.900"):
        load_study(path)
    path.write_text(STUDY + '[descent]\nstage_habit = "always_full"\n')
    with pytest.raises(StudyError, match="one of the two"):
        load_study(path)
