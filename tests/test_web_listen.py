"""A pass with a zone obeyed: what is heard, and what is said of it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile

from noisemap.errors import UsageError
from noisemap.listening.render import (
    computed_levels,
    levels_with_zone,
    pressure,
    pressure_with_zone,
)
from noisemap.listening.track import straight_pass
from noisemap.listening.voice import exhaust_voice
from noisemap.states import Zone
from noisemap.study.listen import Truck, Wish, illustrate, in_zone
from noisemap.study.progress import Silent

TRACK = straight_pass(40.0, 14.0, seconds=4.0)
TRACK = replace(TRACK, along_m=1000.0 + 14.0 * TRACK.time_s)
ALL = np.ones(len(TRACK.time_s), dtype=bool)
FIRST_HALF = TRACK.time_s < 0.0
BRAKING, MOTORING = (exhaust_voice("13L", 1800.0, n, "straight", 14.0) for n in (6, 0))


def zone(from_m: float, to_m: float, binds: str = "unmuffled_compression_release") -> Zone:
    return Zone("town", "SR 1", from_m, to_m, binds=binds)  # type: ignore[arg-type]


def test_levels_run_from_the_braking_pass_to_the_silent_one() -> None:
    free, silent = (computed_levels(one, TRACK) for one in (BRAKING, MOTORING))
    half = levels_with_zone(BRAKING, MOTORING, TRACK, FIRST_HALF)
    assert levels_with_zone(BRAKING, MOTORING, TRACK, ~ALL) == free
    whole = levels_with_zone(BRAKING, MOTORING, TRACK, ALL)
    assert whole.sel == pytest.approx(silent.sel, abs=1e-9)
    assert whole.l_af_max == pytest.approx(silent.l_af_max, abs=1e-9)
    assert silent.sel + 10.0 < half.sel < free.sel
    # half of a symmetrical pass carries half of its energy
    assert free.sel - half.sel == pytest.approx(10.0 * np.log10(2.0), abs=0.3)


def test_the_sound_changes_where_the_zone_does() -> None:
    free, silent = (pressure(one, TRACK, 1) for one in (BRAKING, MOTORING))
    heard = pressure_with_zone(free, silent, TRACK, FIRST_HALF)
    third = len(heard) // 3
    np.testing.assert_array_equal(heard[:third], silent[:third])
    np.testing.assert_array_equal(heard[-third:], free[-third:])
    np.testing.assert_array_equal(pressure_with_zone(free, silent, TRACK, ~ALL), free)


def test_where_a_track_lies_in_a_zone() -> None:
    assert not in_zone(TRACK, None).any()
    assert in_zone(TRACK, zone(0.0, 5000.0)).all()
    assert not in_zone(TRACK, zone(2000.0, 3000.0)).any()
    np.testing.assert_array_equal(in_zone(TRACK, zone(0.0, 999.9)), FIRST_HALF)
    with pytest.raises(UsageError, match="road of a study"):
        in_zone(straight_pass(40.0, 14.0), zone(0.0, 1.0))


def test_only_bound_exhausts_have_a_second_sound_on_the_same_gain(tmp_path: Path) -> None:
    wish = Wish(("muffled", "straight"), zone=zone(0.0, 5000.0))
    data = illustrate(TRACK, Truck("13L"), wish, tmp_path, Silent())
    told = [(one["state"], one["zone"]) for one in data["files"]]
    assert told == [("muffled", None), ("straight", None), ("straight", "town")]
    free, obeyed = data["files"][1:]
    assert obeyed["l_af_max_db"] < free["l_af_max_db"] - 10.0
    assert obeyed["file"] == "ILLUSTRATION-13L-1800rpm-6cyl-straight-zone.wav"
    sounds = [soundfile.read(tmp_path / one["file"])[0] for one in (free, obeyed)]
    peaks = [20.0 * np.log10(np.abs(sound).max()) + data["full_scale_sine_db"] for sound in sounds]
    assert peaks == pytest.approx([one["peak_db"] - 3.0103 for one in (free, obeyed)], abs=0.1)
    assert data["share_of_pass_in_zone"] == 1.0
