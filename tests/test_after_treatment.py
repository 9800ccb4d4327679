"""The share of exhausts with after-treatment: by model year, low and high, in every interval."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import small_study
import zone_cases

from noisemap.errors import BadDataError, StudyError
from noisemap.exposure.after_treatment import (
    MODEL_YEARS,
    AfterTreatmentShare,
    share_by_model_year,
    share_with_ends,
)
from noisemap.exposure.levels import scenario
from noisemap.exposure.results import VERDICT_ORDER
from noisemap.exposure.uncertainty import draw
from noisemap.states import Zone
from noisemap.study.compute import compute
from noisemap.study.model_exhausts import ExhaustShares, ModelYears
from noisemap.study.prepare import prepare
from noisemap.study.progress import Silent
from noisemap.study.run import read_scene
from noisemap.zones.tipping import after_treatment_notes, after_treatment_points, drivers_of
from noisemap.zones.weigh import Base, spared_under, weigh_zone

ZONE = Zone("z", "hill", 700.0, 2500.0, binds="compression_release", observance=0.7)
RANGE = "[traffic.after_treatment]\n"
YEARS = RANGE + "model_years = { before_2007 = 0.4, from_2010 = 0.6 }\n"


@pytest.fixture(scope="module")
def base(tmp_path_factory: pytest.TempPathFactory) -> Base:
    return zone_cases.weighed(tmp_path_factory.mktemp("store"))[0]


def with_share(base: Base, share: float) -> Base:
    """The same trucks with another share of the working exhausts behind after-treatment."""
    working = zone_cases.SHARES["after_treatment"] + zone_cases.SHARES["muffled"]
    now = zone_cases.SHARES["after_treatment"] / working
    factor = {"after_treatment": share / now, "muffled": (1.0 - share) / (1.0 - now)}
    classes = tuple(
        replace(one, per_hour=one.per_hour * factor.get(one.exhaust_state, 1.0))
        for one in base.classes
    )
    counts = np.array([one.per_hour for one in classes])
    return replace(base, classes=classes, free=scenario(base.passes, counts, base.other_by_hour))


def test_the_share_follows_the_model_years() -> None:
    assert set(ModelYears.model_fields) == set(MODEL_YEARS)
    old, new = (share_by_model_year({years: 1.0}) for years in ("before_2007", "from_2010"))
    assert old[1] == 0.0
    assert all(0.0 <= low <= usual <= high <= 1.0 for low, usual, high in (old, new))
    mixed = share_by_model_year({"before_2007": 0.25, "from_2010": 0.75})
    assert mixed == pytest.approx([0.25 * a + 0.75 * b for a, b in zip(old, new, strict=True)])


def test_only_the_working_exhausts_are_parted_anew() -> None:
    before = ExhaustShares()
    after = before.parted(0.9)
    assert (after.worn, after.straight) == (before.worn, before.straight)
    working = before.after_treatment + before.muffled
    assert after.after_treatment == pytest.approx(0.9 * working)
    assert after.after_treatment + after.muffled == pytest.approx(working)


def test_draws_keep_the_number_of_trucks_and_reach_the_ends(base: Base) -> None:
    share = share_with_ends(base.classes, (0.3, 0.9))
    assert share is not None
    assert share.best == pytest.approx(5.0 / 9.0)
    draws = draw(4000, 2, 5, share)
    together = share.best * draws.number("after_treatment") + (1.0 - share.best) * draws.number(
        "muffled"
    )
    assert together == pytest.approx(np.ones(4000))
    drawn = share.best * draws.number("after_treatment")
    assert 0.3 <= drawn.min() < 0.33
    assert 0.87 < drawn.max() <= 0.9
    assert drawn.mean() == pytest.approx((0.3 + share.best + 0.9) / 3.0, abs=0.01)
    assert draws.number("worn") is draws.number("straight")


def test_an_open_share_moves_no_other_draw() -> None:
    known, open_ = draw(1000, 3, 5), draw(1000, 3, 5, AfterTreatmentShare(0.2, 0.5, 0.8))
    assert np.ptp(known.after_treatment_factor) == 0.0
    for name in ("silent", "traffic", "observance", "unmuffled_factor", "duty_factor", "home"):
        assert np.array_equal(getattr(known, name), getattr(open_, name))


def test_the_assumed_ends_stay_shares(base: Base) -> None:
    nearly = share_with_ends(with_share(base, 0.95).classes, None)
    assert nearly is not None
    assert nearly.high == 1.0
    assert nearly.low == pytest.approx(0.80)
    whole = share_with_ends(with_share(base, 1.0).classes, None)
    assert whole == AfterTreatmentShare(1.0, 1.0, 1.0)
    assert np.ptp(draw(1000, 1, 5, whole).after_treatment_factor) == 0.0
    assert share_with_ends([], None) is None


@pytest.mark.parametrize(
    ("share", "ends", "words"),
    [
        (0.5, (0.6, 0.8), "leaves out the 50%"),
        (1.0, (0.6, 1.0), "no braking truck with a muffler alone"),
        (0.0, (0.0, 0.2), "no braking truck with after-treatment"),
    ],
)
def test_ends_that_the_traffic_does_not_allow(
    base: Base, share: float, ends: tuple[float, float], words: str
) -> None:
    with pytest.raises(BadDataError, match=words):
        share_with_ends(with_share(base, share).classes, ends)


def test_low_and_high_are_the_studies_with_those_shares(base: Base) -> None:
    """The two rows against the same town computed with the trucks of each end."""
    open_ = replace(base, after_treatment=share_with_ends(base.classes, (0.3, 0.9)))
    low, high = after_treatment_points(open_, ZONE)
    assert [low.value, high.value] == [0.3, 0.9]
    spared = {}
    for point in (low, high):
        there = with_share(base, point.value)
        few, everyone = (
            spared_under(there, replace(ZONE, binds=binds), [base.draws], 70)[0].best
            for binds in ("unmuffled_compression_release", "compression_release")
        )
        spared[point.name] = (few, everyone)
        assert f"spares {everyone:.3g} people times passes" in point.sentence
        assert f"only the unmuffled {few:.3g}, {few / everyone:.0%} of it" in point.sentence
    (few, everyone), (few_high, everyone_high) = spared.values()
    assert few == pytest.approx(few_high)
    assert everyone_high < everyone
    assert after_treatment_points(base, ZONE) == ()


def test_a_run_tells_both_ends_of_each_zone_that_is_not_refused(base: Base) -> None:
    result = weigh_zone(base, ZONE)
    kept, refused = (replace(result, verdict=name) for name in VERDICT_ORDER[-1::-3])
    open_ = replace(base, after_treatment=share_with_ends(base.classes, (0.3, 0.9)))
    told = after_treatment_notes(open_, [kept, refused])
    points = after_treatment_points(open_, ZONE)
    assert told == tuple(f"z: {point.sentence}" for point in points)
    assert [point.name for point in points] == ["after-treatment, low", "after-treatment, high"]
    assert all("binding only the unmuffled" in line for line in told)


def test_an_open_share_widens_the_rule_for_all_and_not_the_one_for_the_unmuffled(
    base: Base,
) -> None:
    share = share_with_ends(base.classes, (0.2, 0.95))
    homes = len(base.scene.homes.home_id)
    open_ = replace(base, after_treatment=share, draws=draw(1000, homes, 7, share))

    def width(there: Base, zone: Zone) -> float:
        name = "share with after-treatment"
        return next(one.width for one in drivers_of(there, zone).alone if one.name == name)

    assert width(open_, ZONE) > 0.0
    assert width(base, ZONE) == 0.0
    assert width(open_, replace(ZONE, binds="unmuffled_compression_release")) == 0.0


# --- in a study ----------------------------------------------------------------------


def text(extra: str) -> str:
    return small_study.TEXT.replace("[[truck]]", extra + "[[truck]]", 1)


@pytest.mark.parametrize(
    ("extra", "words"),
    [
        (RANGE, "either low and high or model_years"),
        (RANGE + "low = 0.2\n", "low and high together"),
        (RANGE + "low = 0.6\nhigh = 0.5\n", "low 0.6 is above high 0.5"),
        (RANGE + "low = 0.6\nhigh = 1.5\n", "after_treatment.high"),
        (RANGE + "share = 0.5\n", "share"),
        (RANGE + "model_years = { from_2007 = 0.6 }\n", "sum to 0.600"),
        (YEARS + "low = 0.2\nhigh = 0.5\n", "one of the two"),
        ('fleet = "fleet.toml"\n' + YEARS, "either fleet or"),
    ],
)
def test_faults_in_a_study(tmp_path: Path, extra: str, words: str) -> None:
    study = text(extra)
    if extra.startswith("fleet"):
        study = study.replace("[traffic.assumed]", "[traffic]\n" + extra + "[traffic.assumed]")
        study = study.replace(extra + "[[truck]]", "[[truck]]")
    with pytest.raises(StudyError, match=words):
        prepare(small_study.write(tmp_path, study))


def test_a_study_says_its_share_and_its_ends(tmp_path: Path) -> None:
    """The same hill with assumed ends, stated ends, model years, and ends that cannot be."""
    place = None
    said = {}
    for name, extra in (
        ("assumed", ""),
        ("stated", RANGE + "low = 0.25\nhigh = 0.75\n"),
        ("years", YEARS),
    ):
        prepared = prepare(small_study.write(tmp_path / name, text(extra)))
        place = place or read_scene(prepared, Silent())
        found = compute(prepared, place, tmp_path / "store", Silent())
        assert found.base.after_treatment is not None
        said[name] = (found.base.after_treatment, " ".join(found.notes))
    working = ExhaustShares()
    usual = working.after_treatment / (working.after_treatment + working.muffled)
    assert said["assumed"][0].best == pytest.approx(usual)
    assert "39% to 69% (assumed)" in said["assumed"][1]
    assert "25% to 75% (as the study says)" in said["stated"][1]
    low, best, high = share_by_model_year({"before_2007": 0.4, "from_2010": 0.6})
    share = said["years"][0]
    assert [share.low, share.best, share.high] == pytest.approx([low, best, high])
    assert f"{best:.0%} have after-treatment" in said["years"][1]
    assert "by the trucks' model years" in said["years"][1]
    prepared = prepare(
        small_study.write(tmp_path / "wrong", text(RANGE + "low = 0.7\nhigh = 0.8\n"))
    )
    with pytest.raises(BadDataError, match="leaves out the 54%"):
        compute(prepared, place, tmp_path / "store", Silent())


def test_model_years_need_trucks_to_share_out(tmp_path: Path) -> None:
    rows = "\n".join(
        f"Hill Road,downhill,{hour},heavy,{state},2"
        for hour in range(24)
        for state in ("after_treatment", "muffled")
    )
    study = text(YEARS).replace(
        "[traffic.assumed]\nvehicles_per_day = 4000.0\nheavy_share = 0.2",
        '[traffic]\nfile = "traffic.csv"',
    )
    path = small_study.write(tmp_path, study)
    head = "road,direction,hour,vehicle_class,exhaust_state,vehicles_per_hour\n"
    (tmp_path / "traffic.csv").write_text(head + rows + "\n", encoding="utf-8")
    prepared = prepare(path)
    place = read_scene(prepared, Silent())
    with pytest.raises(BadDataError, match="model_years would change nothing"):
        compute(prepared, place, tmp_path / "store", Silent())
    moved = study.replace('"traffic.csv"', '"traffic.csv"\ncounted_states = "replace"')
    path.write_text(moved, encoding="utf-8")
    found = compute(prepare(path), place, tmp_path / "store", Silent())
    assert found.base.after_treatment is not None
    assert found.base.after_treatment.best == pytest.approx(0.57)
