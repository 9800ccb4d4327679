"""Effects and character that a study asks for; each with the mark of its source."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt

from noisemap.community.annoyance import (
    below_annoyance_range,
    people_highly_annoyed,
)
from noisemap.community.awakening import (
    awakening_curves,
    awakening_probability,
    below_range,
    facade_differences,
    indoor_level,
    probability_of_any,
)
from noisemap.community.indicators import (
    day_evening_night_level,
    level_band,
    named_periods,
    night_level,
)
from noisemap.data_tables import toml_table
from noisemap.exposure.community import Character
from noisemap.exposure.product import pass_levels
from noisemap.levels import from_energy
from noisemap.source.pass_by import FAST_S, SLOW_S
from noisemap.study.compute import Computed
from noisemap.study.model import CriteriaTable
from noisemap.study.prepare import Prepared
from noisemap.zones.weigh import Base

FloatArray = npt.NDArray[np.float64]

SLEEP_CURVE = "sleep_eu_2020"
CHARACTER_SOURCES = {
    "levels": ("rd1367-2007", "iso389-7"),
    "onset": ("nt-acou-112",),
    "classes": ("iso1996-1", "iso1996-2", "nt-acou-112"),
}


def character_of(prepared: Prepared, computed: Computed) -> Character | None:
    """Character of the loudest braking passes by the method the study names, or None."""
    method = prepared.study.criteria.character
    if method == "not_assessed":
        return None
    from noisemap.listening.character import Heard, assess

    base = computed.base
    heard = Heard(
        base.scene,
        base.store,
        base.classes,
        computed.drives,
        base.trucks,
        base.passes,
        computed.sound,
        base.calibration_offset,
        base.temperature,
    )
    return assess(heard, method, prepared.study.run.seed)


def effect_sources(criteria: CriteriaTable) -> tuple[str, ...]:
    """Keys of the sources behind the effects that a study asks for."""
    curves = toml_table("noisemap.community", "curves.toml")
    keys: list[str] = ["who-1999", "locher-2018"]
    if criteria.annoyance != "not_assessed":
        keys += [
            _curve_source(curves["annoyance"][name]) for name in (criteria.annoyance, SLEEP_CURVE)
        ]
    if criteria.awakenings != "not_assessed":
        keys.append(_curve_source(curves["awakening"][criteria.awakenings]))
    return (*keys, *CHARACTER_SOURCES.get(criteria.character, ()))


def _curve_source(curve: dict[str, Any]) -> str:
    return next(
        str(entry["source"])
        for name, entry in curve.items()
        if isinstance(entry, dict) and name not in ("floor_db", "origin_db")
    )


def _curve_mark(kind: str, name: str) -> str:
    curve = toml_table("noisemap.community", "curves.toml")[kind][name]
    return next(
        str(entry["mark"])
        for key, entry in curve.items()
        if isinstance(entry, dict) and key not in ("floor_db", "origin_db")
    )


def optional_effects(prepared: Prepared, computed: Computed) -> dict[str, str]:
    """Effects by recalled or restated curves: shown on request, never the deciding number.

    Of all modelled traffic, or of braking trucks alone; the two are never added up.
    """
    base, criteria = computed.base, prepared.study.criteria
    found: dict[str, str] = {}
    if criteria.annoyance != "not_assessed":
        den = day_evening_night_level(base.free.traffic_by_hour)
        night = night_level(base.free.traffic_by_hour, named_periods("eu"))
        for words, levels, curve in (
            ("people highly annoyed", den, criteria.annoyance),
            ("people highly sleep-disturbed", night, SLEEP_CURVE),
        ):
            affected, quiet = _people_affected(levels, base.people, curve)
            mark = _curve_mark("annoyance", curve)
            found[f"{words} by all modelled traffic (curve {curve}, {mark})"] = (
                f"{affected:,.0f}; {quiet:,.0f} people are below the curve's range"
            )
    if criteria.awakenings != "not_assessed":
        curve = criteria.awakenings
        words = "people woken at least once a night by braking trucks alone"
        found[f"{words} (curve {curve}, {_curve_mark('awakening', curve)})"] = _woken(
            base, computed, curve
        )
    return found


def _people_affected(levels: FloatArray, people: FloatArray, curve: str) -> tuple[float, float]:
    """People affected by a curve at its band centres, and the people below its range."""
    counted = ~below_annoyance_range(levels, curve)
    by_band: dict[int, float] = {}
    for band, count in zip(level_band(levels[counted]), people[counted], strict=True):
        by_band[int(band)] = by_band.get(int(band), 0.0) + float(count)
    return people_highly_annoyed(by_band, curve), float(people[~counted].sum())


def _woken(base: Base, computed: Computed, curve: str) -> str:
    """People woken at least once, with the window slightly open and with its range."""
    if not base.classes:
        return "0: no truck uses its retarder"
    people = base.scene.homes.people
    place = base.loudest_receiver
    night = sorted(base.periods.night)
    counts = np.array([one.per_hour[night].sum() for one in base.classes])
    if awakening_curves()[curve] == "LAE":
        outside = from_energy(base.passes.energy[place].astype(float))
    else:
        # the weighting depends on speed times time constant alone
        slower = replace(computed.sound, speed=computed.sound.speed * np.float32(SLOW_S / FAST_S))
        slow = pass_levels(base.store, slower)
        outside = slow.maximum[place].astype(float)
    woken, quiet = {}, 0.0
    opened, usual, closed = facade_differences()
    for difference in (opened, usual, closed):
        inside = indoor_level(outside, difference)
        chance = probability_of_any(awakening_probability(inside, curve), counts)
        woken[difference] = float(chance @ people)
        if difference == usual:
            quiet = float(people[np.all(below_range(inside, curve), axis=1)].sum())
    return (
        f"{woken[usual]:,.0f} with windows slightly open ({usual:g} dB); {woken[opened]:,.0f} "
        f"with windows open ({opened:g} dB), {woken[closed]:,.0f} closed ({closed:g} dB); "
        f"{quiet:,.0f} people are below the curve's range"
    )
