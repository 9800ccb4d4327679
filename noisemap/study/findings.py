"""Putting together what a run found, for the outputs to format."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import numpy.typing as npt

from noisemap.community.indicators import night_level, people_by_band
from noisemap.descent.drive import Drive
from noisemap.exposure.driving import road_rows
from noisemap.exposure.halving import Movement
from noisemap.exposure.levels import braking_passes_above
from noisemap.exposure.passes import FREE, DriveKey
from noisemap.exposure.relief import NightEnergy, by_state, level_spread
from noisemap.exposure.results import DriveRow, Findings, LevelArea, ZoneResult
from noisemap.exposure.sensitive import sensitive_places
from noisemap.exposure.uncertainty import spread
from noisemap.levels import from_energy
from noisemap.outputs.curve_words import curve_sentences
from noisemap.propagation.case import path_result
from noisemap.scene.descents import descents
from noisemap.scene.grades import is_coarse
from noisemap.scene.model import Scene
from noisemap.scene.stretches import PORTAL_M, portals
from noisemap.source.emission import exhaust_sound_power
from noisemap.states import EXHAUST_STATES
from noisemap.study.compute import Computed, terrain_effect
from noisemap.study.doubts import doubts
from noisemap.study.effects import character_of, effect_sources, optional_effects
from noisemap.study.halving import halving_flags, halving_sentence
from noisemap.study.hours import show_hours
from noisemap.study.method import other_paths, terrain_rule
from noisemap.study.model import EngagementShares
from noisemap.study.prepare import ENGAGEMENT_WORDS, Prepared
from noisemap.transfer.store import FLAG_WORDS
from noisemap.zones.verdict import LEADING_LEVEL
from noisemap.zones.weigh import Base, not_compared

FloatArray = npt.NDArray[np.float64]

HALF_OF_90_PER_CENT = 1.645

FLAG_SHARE = 0.1
"""Share of a home's energy above which a flag of its paths is the home's flag [1]."""

FAR_M = 1000.0
ROADSIDE_M, MICROPHONE_M = 15.2, 1.2
NIGHT_BANDS = (35, 75)
MAXIMUM_BANDS = (45, 90)
STUDY_SOURCES = (
    "iso9613-1",
    "iso9613-2",
    "iec61672-1",
    "directive-2015-996",
    "rd1513-2005",
    "grade-severity",
    "bowman-1989",
    "curve-design-practice",
    "truck-rollover-practice",
    "moving-point-source",
    "own-model",
    "own-assumption",
    "state-engine-brake-practice",
)


def findings(
    prepared: Prepared,
    scene: Scene,
    computed: Computed,
    zones: Sequence[ZoneResult],
    areas: tuple[LevelArea, ...],
    *,
    effects: bool = True,
    moved: Movement | None = None,
) -> Findings:
    """Everything a run found.

    Without `effects` awakenings, annoyance and the passes' character are left out.
    """
    study, base = prepared.study, computed.base
    before = base.before
    recommended = [zone for zone in zones if zone.verdict == "worth signing"]
    return Findings(
        study_name=study.study.name,
        units=study.units,
        before=before,
        zones=tuple(zones),
        areas=areas,
        areas_indicator="loudest pass of braking trucks, LAmax outdoors [dB]",
        drive=drive_rows(prepared, scene, computed.drives),
        people_by_band={
            "night level of braking trucks": people_by_band(
                night_level(base.free.braking_by_hour, base.periods), base.people, *NIGHT_BANDS
            ),
            "night level of all modelled traffic": people_by_band(
                night_level(base.free.traffic_by_hour, base.periods), base.people, *NIGHT_BANDS
            ),
            "loudest pass of braking trucks": people_by_band(
                base.free.maximum.max(axis=1, initial=-np.inf), base.people, *MAXIMUM_BANDS
            ),
        },
        far_people=float(base.people[computed.shares.nearest > FAR_M].sum()),
        home_flags=home_flags(computed, moved),
        answer=answer(base, zones),
        cautions=(),
        assumptions=_assumptions(prepared, scene, computed),
        warnings=(*calibration_note(prepared), *doubts(prepared, scene), *_warnings(base)),
        method=_method(prepared, computed),
        uncertainty=(*_uncertainty(prepared), *halving_sentence(moved)),
        home_terrain=terrain_effect(computed.shares, base.loudest_receiver),
        home_halving=None if moved is None else (moved.level, moved.maximum),
        sources=tuple(
            dict.fromkeys(
                (
                    *STUDY_SOURCES,
                    *(rule.source for rule in base.criteria),
                    *effect_sources(prepared.study.criteria),
                )
            )
        ),
        gain_with_background=recommended[0].gain_with_background if recommended else {},
        optional_effects=optional_effects(prepared, computed) if effects else {},
        character=character_of(prepared, computed) if effects else None,
        own_hours=dict(prepared.periods.own),
        alternatives=ALTERNATIVES,
        home_halfwidth=_halfwidth(base),
        l_night_long_term=from_energy(computed.shares.long_term_energy[base.loudest_receiver]),
        invented=study.study.invented,
        sensitive=sensitive_places(
            base.free,
            scene.receivers,
            scene.homes,
            study.homes.hours.model_dump(),
            spread("fleet_spread"),
        ),
    )


ALTERNATIVES = (
    "Muffler inspections at the roadside act on the loudest trucks everywhere and ask nothing "
    "of the brakes; the visual exhaust rule is the strongest case.",
    "An unmuffled-only rule touches no truck with a working muffler: weigh it beside any ban.",
    "A wall or a closed gap screens homes near the road, not those that look onto it from above.",
    "Asking the haulers who use the road at night costs no sign and can come first.",
)


def answer(base: Base, zones: Sequence[ZoneResult]) -> str:
    """The sentences that answer the study's question."""
    braking = braking_passes_above(
        base.free, base.periods.night, LEADING_LEVEL, spread("fleet_spread")
    )
    loud = float((braking >= 1.0) @ base.people)
    parts = [
        f"{loud:,.0f} of {base.people.sum():,.0f} people live where at least once a night the "
        f"exhaust of a braking truck is louder than {LEADING_LEVEL} dB outdoors."
    ]
    refused = [zone for zone in zones if zone.verdict == "refused for brakes"]
    worth = [zone for zone in zones if zone.verdict == "worth signing"]
    study_first = [zone for zone in zones if zone.verdict == "needs an engineering study"]
    parts += [zone.sentence for zone in refused]
    if worth:
        parts.append(max(worth, key=lambda zone: zone.people_passes[70].best).sentence)
    elif study_first:
        parts += [zone.sentence for zone in study_first]
    elif zones:
        parts.append("None of the zones of this study is worth a sign.")
    else:
        parts.append("The study names no zone: this is the noise as it is.")
    if not _has_descent(base.scene):
        parts.append("No truck descent of 4 % over 1 km lies on the modelled roads.")
    return " ".join(parts)


def drive_rows(
    prepared: Prepared, scene: Scene, drives: Mapping[DriveKey, Drive]
) -> dict[str, tuple[DriveRow, ...]]:
    """What each truck class does on the stretches where it descends with its brakes at work."""
    rows: dict[str, list[DriveRow]] = {truck.name: [] for truck in prepared.trucks}
    for (road, direction, truck, variant), drive in drives.items():
        if variant != FREE or not (drive.retarder_share.any() or drive.brake_w.any()):
            continue
        stretches = road_rows(scene.stretches, road)
        order = stretches if direction > 0 else stretches[::-1]
        for place, stretch in enumerate(order):
            rows[prepared.trucks[truck].name].append(
                DriveRow(
                    stretch=int(stretch),
                    speed_kmh=float(drive.speed_ms[place] * 3.6),
                    engine_speed_rpm=float(drive.engine_speed_rpm[place]),
                    braking_cylinders=float(drive.braking_cylinders[place]),
                    duty=float(drive.retarder_share[place]),
                    brake_temperature_c=float(drive.temperature_c[place + 1]),
                )
            )
    return {name: tuple(found) for name, found in rows.items()}


def home_flags(computed: Computed, moved: Movement | None = None) -> tuple[tuple[str, ...], ...]:
    """What is said about each home's figures."""
    said = halving_flags(moved, len(computed.base.loudest_receiver))
    place = computed.base.loudest_receiver
    energy = np.maximum(computed.shares.energy[place], 1e-300)
    share = computed.shares.flagged[place] / energy[:, None]
    scene = computed.base.scene
    mouths = portals(scene.roads)
    near_mouth = np.zeros(len(place), dtype=bool)
    if len(mouths):
        away = np.hypot(
            scene.homes.x[:, None] - mouths[:, 0], scene.homes.y[:, None] - mouths[:, 1]
        )
        near_mouth = away.min(axis=1) <= PORTAL_M
    flags: list[tuple[str, ...]] = []
    for home in range(len(place)):
        words = [
            word
            for bit, word in FLAG_WORDS.items()
            if share[home, bit.bit_length() - 1] >= FLAG_SHARE
        ]
        words.extend(said[home])
        if near_mouth[home]:
            words.append("louder than shown: near a tunnel's mouth")
        if scene.homes.estimated[home]:
            words.append("this home is assumed, not mapped")
        flags.append(tuple(words))
    return tuple(flags)


def _assumptions(prepared: Prepared, scene: Scene, computed: Computed) -> tuple[str, ...]:
    study = prepared.study
    said = [*scene.assumptions, *computed.notes]
    given = study.model_fields_set
    if "truck" not in given:
        said.append("The weights of the trucks are this project's default, not the place's own.")
    if study.background is None:
        said.append(
            "No background level was given: what a zone gains is an upper bound; "
            "the gain of the total level stands beside it for 45, 50 and 55 dB."
        )
    elif study.background.source == "assumed":
        said.append(
            f"The background is assumed: {study.background.day_db:g} dB by day, "
            f"{study.background.evening_db:g} dB in the evening, "
            f"{study.background.night_db:g} dB at night."
        )
    said.append(engagement_note(study.traffic.engagement_shares))
    said += not_compared(computed.base)
    if study.weather.pressure_kpa is None:
        said.append(
            "The air pressure follows from the height of the roads: "
            f"{computed.air.pressure:.1f} kPa."
        )
    if "shift_sleep" not in study.traffic.periods.model_fields_set:
        said.append(
            "Those who work at night are taken to sleep "
            f"{show_hours(study.traffic.periods.shift_sleep)}; "
            "set [traffic.periods] shift_sleep."
        )
    own_hours = study.homes.hours
    kinds = [kind for kind in type(own_hours).model_fields if kind in scene.homes.kind]
    guessed = [kind for kind in kinds if kind not in own_hours.model_fields_set]
    if guessed:
        shown = ", ".join(f"{kind} {show_hours(getattr(own_hours, kind))}" for kind in guessed)
        said.append(f"The hours of sensitive places are assumed: {shown}; set [homes.hours].")
    if study.descent.assumed_speed_kmh is None:
        said.append("Trucks are taken to drive at the posted limit where the grade allows it.")
    said += curve_sentences(scene, study.units)
    said.append(
        f"A zone is asked to spare at least {study.criteria.worth_people_passes:g} passes a night "
        "above 70 dB, summed over all residents, to be worth a sign: a choice of this study, not "
        "a rule."
    )
    said.append(
        "Worn exhausts (leaking or gutted) count as unmuffled, as straight ones do: "
        "an unmuffled-only rule is taken to bind both."
    )
    return tuple(dict.fromkeys(said))


def calibration_note(prepared: Prepared) -> list[str]:
    """Sentence about a calibration of the exhausts' levels, where the study states one."""
    source = prepared.study.source
    if source.calibration_offset_db == 0.0:
        return []
    return [
        f"Every exhaust level is changed by {source.calibration_offset_db:+g} dB, the study's "
        f"calibration; its stated basis: {source.calibration_basis.strip()}"
    ]


def engagement_note(shares: EngagementShares | None) -> str:
    """Sentence about how retarders are taken to be worked."""
    if shares is None:
        return (
            "How drivers work their retarders is not stated: all are taken to hold their speed "
            "evenly; [traffic.engagement_shares] shares them out."
        )
    parts = [
        f"{words} {getattr(shares, engagement):.0%}"
        for engagement, words in ENGAGEMENT_WORDS.items()
        if getattr(shares, engagement) > 0.0
    ]
    return (
        f"Retarders are worked {', '.join(parts)}: shares of this study; what each does to the "
        "switch, the wheel brakes and the onsets is assumed."
    )


def _warnings(base: Base) -> tuple[str, ...]:
    warnings = [
        "Exhaust levels come from a computed model that no pass-by measurement has confirmed: "
        "standard uncertainty 5 dB for a straight stack, 4 dB more (by squares) behind a muffler."
    ]
    if is_coarse(base.scene.terrain.native_cell):
        warnings.append(
            f"The terrain has cells of {base.scene.terrain.native_cell:.0f} m: it gives a "
            "descent's mean grade, no steepest part; temperatures carry that error."
        )
    if not _has_descent(base.scene):
        warnings.append(
            "No truck descent: no modelled road falls 4 % or more over 1 km, so retarders work "
            "here only where trucks slow down."
        )
    return tuple(warnings)


def _has_descent(scene: Scene) -> bool:
    return any(
        descents(scene.roads[road], int(road), native_cell=scene.terrain.native_cell)
        for road in np.unique(scene.stretches.road)
    )


def _method(prepared: Prepared, computed: Computed) -> tuple[str, ...]:
    reading = (
        "Abar = max(Dz - Agr, 0) with Agr of either sign (literal)"
        if computed.air.screening_reading == "literal"
        else "Abar = Dz - max(Agr, 0) (positive)"
    )
    return (
        "Propagation: ISO 9613-2:1996, general method in octave bands, with ISO 9613-1:1993; "
        "the edition of 2024 is not used.",
        f"Screening reads the standard as {reading}; the other reading can differ by up to 2.5 dB.",
        "Not covered by the standard and added here: the maximum of a pass (LAmax), taken as the "
        "loudest stretch downwind with the fast weighting of a moving source.",
        "The standard's accuracy covers neither screening nor reflections. "
        + other_paths(computed.air, computed.base.scene.obstacles),
        terrain_rule(computed.air),
        "Levels are for weather that favours propagation"
        + (
            f", with the long-term correction C0 = {computed.air.c0:g} dB shown apart."
            if computed.air.c0
            else "."
        )
        + " On clear calm nights in a valley sound can carry further than that.",
        _soft_against_hard(),
        "Facade levels stand 0.1 m before the wall without its own reflection, "
        f"{prepared.study.homes.receiver_height_m:g} m above the ground.",
        "Tyres, engine and low outlets sound from 0.5 m, not from the Directive's 0.05 m; "
        "stacks from 3.7 m.",
        f"Brakes: one heat balance, preset {prepared.study.descent.preset}; every peak includes "
        "the heat of one full stop.",
        "Levels say whose they are: braking trucks (those that use a compression-release "
        "retarder on their way), all modelled traffic, or total with the background.",
        f"Study hours: night {_span(prepared.periods.night)}, "
        f"evening {_span(prepared.periods.evening)}.",
    )


def _soft_against_hard() -> str:
    """How much quieter soft ground is than hard at the federal rule's distance and microphone."""
    differences = []
    for height in (0.5, 3.7):
        levels = []
        for factor in (0.0, 1.0):
            case = {
                "x": [0.0, ROADSIDE_M],
                "ground": [0.0, 0.0],
                "hs": height,
                "hr": MICROPHONE_M,
                "G": [[0.0, ROADSIDE_M, factor]],
                "LW": list(exhaust_sound_power("15L", 1800.0, 6, "straight")),
            }
            levels.append(float(path_result(case, "roadside")["LA"]))
        differences.append(levels[0] - levels[1])
    return (
        f"At {ROADSIDE_M:.1f} m soft ground comes out {differences[0]:.1f} dB quieter than hard "
        f"for a source at 0.5 m and {differences[1]:.1f} dB for a stack, where the federal rule "
        "for trucks in use allows 2 dB."
    )


def _span(hours: frozenset[int]) -> str:
    return show_hours(hours) if hours else "none"


def _uncertainty(prepared: Prepared) -> tuple[str, ...]:
    return (
        f"Intervals are 90 %, from {prepared.study.run.samples} paired samples, "
        f"seed {prepared.study.run.seed}.",
        "Drawn once for all homes: the level of unmuffled exhausts, the difference to muffled "
        "ones, what sounds with the retarder silent, the method, the share of unmuffled trucks "
        "and the observance. Drawn for each home: its receiver and the terrain's error.",
        "Not in the intervals: wrong counts, wrong roads, mixed-up units, and what the method "
        "does not cover.",
    )


def _halfwidth(base: Base) -> FloatArray:
    """Half the 90 % interval of a home's own night level, common and home errors together [dB]."""
    place = base.loudest_receiver
    night = sorted(base.periods.night)
    states = [one.exhaust_state for one in base.classes]
    counts = np.array([one.per_hour[night].sum() for one in base.classes])
    running = base.passes.running_energy[place].astype(float)
    exhaust = base.passes.energy[place].astype(float) - running
    nothing = np.zeros((len(place), len(EXHAUST_STATES)))
    energy = NightEnergy(
        exhaust=by_state(exhaust, counts, states, 3600.0 * len(night)),
        running=by_state(running, counts, states, 3600.0 * len(night)),
        bound=nothing,
        silent=nothing,
        other=np.zeros(len(place)),
    )
    common = level_spread(energy, base.draws)
    return np.asarray(HALF_OF_90_PER_CENT * np.hypot(common, base.home_sigma))
