"""What else could be done about the same noise, weighed beside the zone.

Signs act where they stand; a muffler programme acts on the loudest trucks everywhere and
asks nothing of any brake; haulers may be asked for the retarder's low setting.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

from noisemap.community.passes import MEAN_SHIFT
from noisemap.data_tables import toml_table
from noisemap.descent.drive import Drive
from noisemap.exposure.levels import passes_above, scenario
from noisemap.exposure.passes import DriveKey, PassClass, pass_sound
from noisemap.exposure.product import PassLevels, pass_levels
from noisemap.exposure.results import Interval, ZoneResult
from noisemap.exposure.traffic import matching_roads
from noisemap.exposure.uncertainty import Draws, interval, spread
from noisemap.levels import from_energy, to_energy
from noisemap.states import UNMUFFLED, Binds, ExhaustState, Zone
from noisemap.zones.verdict import LEADING_LEVEL
from noisemap.zones.ways import Slower, Way, low_setting, silenced
from noisemap.zones.weigh import HELPED_DB, Base, weigh_zone

FloatArray = npt.NDArray[np.float64]
Group = Literal["sign", "enforce", "build", "ask haulers"]

RISE_DB = 0.05
"""Smallest rise that counts as louder [dB]."""


def choice(name: str) -> float:
    """One of the stated choices about alternatives, see `alternatives.toml`."""
    return float(toml_table("noisemap.zones", "alternatives.toml")[name]["value"])


@dataclass(frozen=True)
class Alternative:
    """One measure beside the others; what was not computed says why."""

    group: Group
    name: str
    zone: Zone | None  # where it stands, if it stands anywhere
    spared: Interval | None  # people times passes a night above the leading level
    helped: Interval | None  # people whose night level falls by 1 dB or more
    louder: float | None  # people whose night level rises
    bound_a_day: float | None  # passes a day that it asks something of
    hottest_c: float | None  # sound brakes of the trucks it binds, reserve of a stop included
    hottest_worn_c: float | None  # degraded brakes, or the grade at its upper bound
    verdict: str | None
    remark: str
    louder_homes: tuple[tuple[int, float], ...] = ()  # home, rise of its night level [dB]
    rise_k: float | None = None  # mean rise of the sound brakes of each truck it binds [K]

    @property
    def computed(self) -> bool:
        """Whether figures stand beside the measure."""
        return self.spared is not None


def sign_alternatives(base: Base, zone: Zone) -> list[Alternative]:
    """The same stretch of road under each rule, and at night only."""
    always, night = frozenset(range(24)), base.periods.night
    rules: tuple[tuple[str, Binds], ...] = (
        ("unmuffled trucks only", "unmuffled_compression_release"),
        ("every compression-release brake", "compression_release"),
    )
    rows = [
        zone_row(
            base,
            "sign",
            name + when,
            replace(zone, name=name + when, binds=binds, hours=hours),
        )
        for name, binds in rules
        for when, hours in ((", day and night", always), (", at night", night))
    ]
    every = replace(zone, name="every auxiliary brake", binds="every_auxiliary_brake", hours=always)
    found = weigh_zone(base, every)
    row = from_result(
        base, "sign", f"{every.name}, day and night", found, every_brake_remark(base, every, found)
    )
    return [*rows, row, slippery(found)]


def every_brake_remark(base: Base, zone: Zone, found: ZoneResult) -> str:
    """What a rule on every auxiliary brake costs over one on compression-release brakes."""
    roads = matching_roads(zone.road, base.scene.roads)
    hours = sorted(zone.hours)
    passes = sum(float(one.per_hour[hours].sum()) for one in base.auxiliary if one.road in roads)
    quiet = {base.trucks[one.truck].name for one in base.auxiliary}
    rises = [
        row.peak_zone_c - row.peak_free_c
        for row in found.brakes
        if row.truck in quiet and row.condition == "normal"
    ]
    if not rises:
        return (
            "no truck of this study uses another auxiliary brake here; such brakes are quiet, and "
            "silencing them would only heat more wheel brakes"
        )
    scale, unit = (1.8, "°F") if base.units == "us" else (1.0, "°C")
    return (
        f"binds {passes:,.1f} more passes a day, of trucks with quiet auxiliary brakes: it heats "
        f"their wheel brakes by up to {scale * max(rises):.0f}\u00a0{unit} and spares nothing more"
    )


def slippery(found: ZoneResult) -> Alternative:
    """Any sign in rain or winter: retarders are off already, so that it gains nothing."""
    none = {
        normal: [
            row.peak_none_c
            for row in found.brakes
            if row.equipped and (row.condition == "normal") is normal
        ]
        for normal in (True, False)
    }
    nothing = Interval(0.0, 0.0, 0.0)
    return Alternative(
        group="sign",
        name="any of these in rain or in winter",
        zone=None,
        spared=nothing,
        helped=nothing,
        louder=0.0,
        bound_a_day=0.0,
        hottest_c=max(none[True], default=None),
        hottest_worn_c=max(none[False], default=None),
        verdict=None,
        remark="retarders are to be off on slippery roads: nothing is gained then, and brakes are "
        "as hot as without a retarder on the whole descent",
    )


def zone_row(
    base: Base, group: Group, name: str, zone: Zone, way: Way = silenced, remark: str = ""
) -> Alternative:
    """One zone as a row."""
    return from_result(base, group, name, weigh_zone(base, zone, way), remark)


def from_result(
    base: Base, group: Group, name: str, result: ZoneResult, remark: str = ""
) -> Alternative:
    """A weighed zone as a row."""
    equipped = [row for row in result.brakes if row.equipped]
    normal = [row.peak_zone_c for row in equipped if row.condition == "normal"]
    other = [row.peak_zone_c for row in equipped if row.condition != "normal"]
    return Alternative(
        group=group,
        name=name,
        zone=result.zone,
        spared=result.people_passes[LEADING_LEVEL],
        helped=result.people_helped,
        louder=result.people_louder,
        bound_a_day=bound_a_day(base, result.zone),
        hottest_c=max(normal, default=None),
        hottest_worn_c=max(other, default=None),
        verdict=result.verdict,
        remark=remark,
        louder_homes=louder_homes(base.before.l_night, result.levels.l_night),
        rise_k=mean_rise_k(base, result),
    )


def mean_rise_k(base: Base, result: ZoneResult) -> float | None:
    """Mean rise of the sound brakes over the passes that a zone binds in its hours [K].

    None where it binds no pass.
    """
    zone, hours = result.zone, sorted(result.zone.hours)
    roads = matching_roads(zone.road, base.scene.roads)
    rises = {
        (row.truck, row.direction): max(row.peak_zone_c - row.peak_free_c, 0.0)
        for row in result.brakes
        if row.condition == "normal"
    }
    bound = [one for one in _all_bound(base, zone) if one.road in roads]
    passes = np.array([float(one.per_hour[hours].sum()) for one in bound])
    if not passes.sum() > 0.0:
        return None
    each = [rises.get((base.trucks[one.truck].name, one.direction), 0.0) for one in bound]
    return float(passes @ each / passes.sum())


def _all_bound(base: Base, zone: Zone) -> list[PassClass]:
    """Classes of passes whose retarder a zone forbids, other auxiliary brakes among them."""
    return [
        one
        for one in (*base.classes, *base.auxiliary)
        if zone.binds_truck(base.trucks[one.truck].retarder, one.exhaust_state)
    ]


def louder_homes(before: FloatArray, after: FloatArray) -> tuple[tuple[int, float], ...]:
    """Homes whose level rises, with the rise, loudest rise first; never netted against others.

    >>> louder_homes(np.array([50.0, 40.0, -np.inf]), np.array([49.0, 40.5, -np.inf]))
    ((1, 0.5),)
    """
    heard = np.isfinite(after)
    rise = np.subtract(after, before, out=np.zeros_like(after), where=heard)
    order = np.argsort(-rise, kind="stable")
    return tuple((int(home), round(float(rise[home]), 2)) for home in order if rise[home] > RISE_DB)


def bound_a_day(base: Base, zone: Zone) -> float:
    """Passes a day that a zone binds in its hours [1]."""
    roads = matching_roads(zone.road, base.scene.roads)
    hours = sorted(zone.hours)
    return sum(
        float(one.per_hour[hours].sum()) for one in _all_bound(base, zone) if one.road in roads
    )


def hauler_alternatives(base: Base, zone: Zone) -> list[Alternative]:
    """What the haulers on this road could be asked for, at the observance of the zone."""
    asked = replace(zone, binds="compression_release", hours=frozenset(range(24)))
    slower = choice("slower_share")
    return [
        zone_row(
            base,
            "ask haulers",
            "low setting of the retarder",
            asked,
            low_setting,
            "quieter, but the wheel brakes take what the low setting leaves",
        ),
        zone_row(
            base,
            "ask haulers",
            f"assumed speed lower by {1.0 - slower:.0%}, retarder as needed",
            asked,
            Slower(slower),
            "tyres and engine grow quieter too; shown for its noise and heat, no advice on how "
            "fast to drive",
        ),
    ]


def enforced(base: Base, zone: Zone) -> Alternative:
    """The same zone, watched so that nearly everyone obeys."""
    share = max(choice("enforced_observance"), zone.observance)
    return zone_row(
        base,
        "enforce",
        f"the sign, observed by {share:.0%} instead of {zone.observance:.0%}",
        replace(zone, observance=share),
    )


@dataclass(frozen=True)
class Programme:
    """What working mufflers on a share of the unmuffled trucks bring, on every road."""

    spared: Interval  # people times passes a night above the leading level
    helped: Interval  # people whose night level falls by 1 dB or more
    quieter: Interval  # fall of the night level of braking trucks, mean over the people [dB]
    louder: float  # people whose night level rises
    passes_a_day: float  # passes of the repaired trucks [1]


def muffler_programme(base: Base, drives: Mapping[DriveKey, Drive]) -> Alternative:
    """Working mufflers on a share of the unmuffled trucks, on every road, without any sign."""
    share = choice("programme_share")
    found = programme(base, drives, share)
    return Alternative(
        group="enforce",
        name=f"working mufflers on {share:.0%} of the unmuffled trucks",
        zone=None,
        spared=found.spared,
        helped=found.helped,
        louder=found.louder,
        bound_a_day=found.passes_a_day,
        hottest_c=None,
        hottest_worn_c=None,
        verdict=None,
        remark="acts on every road and asks nothing of the brakes"
        if found.passes_a_day
        else "no truck is unmuffled",
    )


def programme(base: Base, drives: Mapping[DriveKey, Drive], share: float) -> Programme:
    """Gain at the homes when a share of the unmuffled trucks gets working mufflers."""
    loud = [i for i, one in enumerate(base.classes) if one.exhaust_state in UNMUFFLED]
    if not loud:
        zero = Interval(0.0, 0.0, 0.0)
        return Programme(zero, zero, zero, 0.0, 0.0)
    repaired: list[PassClass] = [
        replace(base.classes[i], exhaust_state="muffled", per_hour=share * base.classes[i].per_hour)
        for i in loud
    ]
    sound = pass_sound(
        repaired,
        drives,
        base.scene.stretches,
        base.trucks,
        temperature=base.temperature,
        calibration_offset=base.calibration_offset,
    )
    quiet = pass_levels(base.store, sound)
    counts = np.array([one.per_hour for one in base.classes])
    moved = np.array([one.per_hour for one in repaired])
    counts[loud] -= moved
    after = scenario(base.passes.joined(quiet), np.vstack([counts, moved]), base.other_by_hour)
    night, fleet = base.periods.night, spread("fleet_spread")
    fewer = passes_above(base.free, night, LEADING_LEVEL, fleet)
    fewer = fewer - passes_above(after, night, LEADING_LEVEL, fleet)
    samples = programme_samples(base, loud, quiet, moved[:, sorted(night)].sum(axis=1))
    fall, drawn = _night_fall(base, loud, quiet, moved)
    people = base.scene.homes.people
    everybody = max(float(people.sum()), 1e-12)
    return Programme(
        spared=interval(float(fewer @ base.people), samples),
        helped=interval(float(people[fall >= HELPED_DB].sum()), (drawn >= HELPED_DB) @ people),
        quieter=interval(float(fall @ people) / everybody, drawn @ people / everybody),
        louder=float(people[fall < -RISE_DB].sum()),
        passes_a_day=float(moved.sum()),
    )


def programme_samples(
    base: Base, loud: list[int], quiet: PassLevels, passes: FloatArray
) -> FloatArray:
    """Samples of the people times passes a night that repaired mufflers spare [1].

    The exhaust's part of each maximum moves with the error of its own exhaust state, so
    the difference between exhausts is drawn too.
    """
    draws, fleet = base.draws, spread("fleet_spread")
    lived_in = np.flatnonzero(base.people > 0.0)
    people = base.people[lived_in]
    before = base.passes.maximum[lived_in][:, loud].astype(float)
    share = base.passes.exhaust_share[lived_in][:, loud].astype(float)
    after = quiet.maximum[lived_in].astype(float)
    left = quiet.exhaust_share[lived_in].astype(float)
    states = [base.classes[i].exhaust_state for i in loud]
    homes = base.scene.receivers.home[lived_in]
    level = LEADING_LEVEL + MEAN_SHIFT * fleet**2
    out = np.empty(draws.samples)
    for sample in range(draws.samples):
        running = float(to_energy(draws.silent[sample]))
        gain = np.array([to_energy(draws.exhaust[state][sample]) for state in states])
        muffled = float(to_energy(draws.exhaust["muffled"][sample]))
        own = (draws.home[sample] * base.home_sigma)[homes][:, None] - level
        first = before + from_energy(share * gain + (1.0 - share) * running) + own
        second = after + from_energy(left * muffled + (1.0 - left) * running) + own
        fewer = np.maximum(ndtr(first / fleet) - ndtr(second / fleet), 0.0)
        out[sample] = draws.unmuffled_factor[sample] * float(people @ (fewer @ passes))
    return out


def _night_fall(
    base: Base, loud: list[int], quiet: PassLevels, moved: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Fall of each home's night level, and its samples (sample, home) [dB]."""
    night = sorted(base.periods.night)
    place = base.loudest_receiver
    seconds = 3600.0 * len(night)
    whole = base.free.braking_by_hour[place][:, night].mean(axis=1)
    per_state = {}
    for state in UNMUFFLED:
        rows = [k for k, i in enumerate(loud) if base.classes[i].exhaust_state == state]
        passes = moved[rows][:, night].sum(axis=1) / seconds
        exhaust = (base.passes.energy - base.passes.running_energy)[place][
            :, [loud[k] for k in rows]
        ]
        left = (quiet.energy - quiet.running_energy)[place][:, rows]
        per_state[state] = (exhaust.astype(float) @ passes, left.astype(float) @ passes)
    best = whole + np.sum([came - gone for gone, came in per_state.values()], axis=0)
    draws: Draws = base.draws
    all_exhaust = _exhaust_by_state(base, place, night, seconds)
    factor = {state: draws.duty_factor * draws.number(state) for state in all_exhaust}
    running = to_energy(draws.silent)[:, None] * (
        whole - np.sum(list(all_exhaust.values()), axis=0)
    )
    parts = [
        (factor[s] * to_energy(draws.exhaust[s]))[:, None] * energy
        for s, energy in all_exhaust.items()
    ]
    before = running + np.sum(parts, axis=0)
    after = before.copy()
    for state, (gone, came) in per_state.items():
        weight = draws.unmuffled_factor * draws.duty_factor
        after -= (weight * to_energy(draws.exhaust[state]))[:, None] * gone
        after += (weight * to_energy(draws.exhaust["muffled"]))[:, None] * came
    return _fall(whole, best), _fall(before, after)


def _exhaust_by_state(
    base: Base, place: npt.NDArray[np.int64], night: list[int], seconds: float
) -> dict[ExhaustState, FloatArray]:
    exhaust = (base.passes.energy - base.passes.running_energy)[place].astype(float)
    counts = np.array([one.per_hour[night].sum() for one in base.classes]) / seconds
    found: dict[ExhaustState, FloatArray] = {}
    for index, one in enumerate(base.classes):
        part = exhaust[:, index] * counts[index]
        found[one.exhaust_state] = found.get(one.exhaust_state, np.zeros(len(place))) + part
    return found


def _fall(before: FloatArray, after: FloatArray) -> FloatArray:
    heard = (before > 0.0) & (after > 0.0)
    ratio = np.divide(before, after, out=np.ones_like(before), where=heard)
    return np.asarray(10.0 * np.log10(ratio))
