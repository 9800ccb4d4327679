"""Character of the loudest braking passes, from one synthesised pass for each group of homes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from noisemap.community.character import (
    character_adjustment,
    class_adjustment,
    difference_adjustment,
    heard_third,
    onset_adjustment,
    onset_prominence,
    prominent_tone,
    tonal_adjustment,
    tone_excess,
    tone_margin,
    tone_steps,
)
from noisemap.community.impulse import onsets
from noisemap.descent.drive import Drive
from noisemap.exposure.community import Character, CharacterGroup
from noisemap.exposure.driving import TruckClass, road_rows
from noisemap.exposure.passes import OUTLET_HEIGHT_INDEX, DriveKey, PassClass
from noisemap.exposure.product import PassLevels, PassSound
from noisemap.exposure.rules import rule
from noisemap.levels import from_energy
from noisemap.listening.thirds import (
    READ_S,
    loudest_part,
    pressure_in_thirds,
    read_levels,
    setting,
    tone_triples,
)
from noisemap.listening.track import Track, home_pass, straight_pass
from noisemap.listening.voice import exhaust_pulses
from noisemap.scene.model import Scene
from noisemap.source.heights import Outlet
from noisemap.source.propulsion import vehicle_sound_power
from noisemap.source.radiation import FIRST_OCTAVE_THIRD, NOMINAL_THIRDS
from noisemap.states import EXHAUST_STATES, ExhaustState
from noisemap.transfer.store import TransferStore

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

METHODS = {
    "levels": ("differences of levels and thirds, the open legal rule", "FOUND, in part MEMORY-H"),
    "onset": ("onset rate and level difference", "MEMORY-H"),
    "classes": ("adjustments by kind of sound", "MEMORY-H"),
}
"""What a study may ask for: name, title and mark."""

COLOURS = {
    -1: "low notes damped by the ground",
    0: "as on an open way",
    1: "high notes damped",
    2: "high notes strongly damped",
}
"""What is lost on the way, in steps of the difference between 1 kHz and 63 Hz."""

ASSURED = np.arange(1, len(NOMINAL_THIRDS) - 1) > FIRST_OCTAVE_THIRD
"""Thirds whose neighbours both lie in an octave; below it other noise and paths are not known."""

BESIDE = ("beside the road", setting("nearest_m"), setting("nearest_m"))
MIDDLE_HZ: FloatArray = np.array([float(name) for name in NOMINAL_THIRDS])
ONSET_STEP_S = 0.025
"""Step of the levels in which onsets are looked for [s]."""

SETTLED_S = 0.5
"""Time after which the fast weighting has forgotten the start [s]."""


@dataclass(frozen=True)
class Loudest:
    """The loudest pass at one receiver, and where on the road it sounds from."""

    receiver: int
    pass_class: int
    stretch: int
    level: float  # fast maximum [dB]
    distance: float  # to that stretch [m]
    colour: float  # loss at 1 kHz less that at 63 Hz, beyond spreading [dB]


@dataclass(frozen=True)
class Event:
    """One pass to synthesise."""

    engine: str
    engine_speed_rpm: float
    cylinders: int
    state: ExhaustState
    braking_share: float
    track: Track
    braking: npt.NDArray[np.bool_]  # where on the track the retarder works


@dataclass(frozen=True)
class Heard:
    """Everything that decides the character of the passes."""

    scene: Scene
    store: TransferStore
    classes: Sequence[PassClass]
    drives: Mapping[DriveKey, Drive]
    trucks: Sequence[TruckClass]
    passes: PassLevels
    sound: PassSound
    calibration_db: float
    temperature_c: float


def assess(heard: Heard, method: str, seed: int) -> Character:
    """Character of the loudest braking pass at every home, group by group.

    Parameters
    ----------
    heard : Heard
        Scene, paths and passes.
    method : {"levels", "onset", "classes"}
        Method.
    seed : int
        Seed of the noise in the synthesised passes.
    """
    title, mark = METHODS[method]
    homes = heard.scene.homes
    loudest = _loudest_passes(heard)
    keys: dict[tuple[str, int, int], list[int]] = {}
    for home, one in loudest.items():
        keys.setdefault(_key(heard, one), []).append(home)
    groups: list[CharacterGroup] = []
    if loudest:
        top = max(loudest.values(), key=lambda one: one.level)
        groups = [
            _judged(heard, _beside_the_road(heard, top, state), method, seed, BESIDE, [], -1)
            for state in EXHAUST_STATES
        ]
    home_group = np.full(len(homes.home_id), -1, dtype=np.int64)
    for key in sorted(keys):
        members = keys[key]
        best = max(members, key=lambda home: loudest[home].level)
        event = _at_home(heard, loudest[best])
        home_group[members] = len(groups)
        low = setting("nearest_m") * 2.0 ** key[1]
        where = (COLOURS[key[2]], low, 2.0 * low)
        groups.append(_judged(heard, event, method, seed, where, members, best))
    return Character(method, title, mark, tuple(groups), home_group)


def _loudest_passes(heard: Heard) -> dict[int, Loudest]:
    """For each home the loudest pass that its exhaust leads."""
    led = heard.passes.exhaust_share >= rule("exhaust_led")
    level = np.where(led, heard.passes.maximum.astype(float), -np.inf)
    if not level.size:
        return {}
    found: dict[int, Loudest] = {}
    best = level.max(axis=1)
    order = np.lexsort((-best, heard.scene.receivers.home))
    owners, first = np.unique(heard.scene.receivers.home[order], return_index=True)
    for home, receiver in zip(owners.tolist(), order[first].tolist(), strict=True):
        if np.isfinite(best[receiver]):
            found[home] = _from_where(heard, receiver, int(level[receiver].argmax()))
    return found


def _from_where(heard: Heard, receiver: int, pass_class: int) -> Loudest:
    """The stretch from which a pass is loudest at a receiver."""
    store, sound = heard.store, heard.sound
    paths = np.arange(store.pointer[receiver], store.pointer[receiver + 1])
    stretch = store.stretch[paths]
    one = heard.classes[pass_class]
    drive = heard.drives[one.road, one.direction, one.truck, one.variant]
    braking = np.zeros(len(heard.scene.stretches.road), dtype=bool)
    rows = road_rows(heard.scene.stretches, one.road)
    braking[rows if one.direction > 0 else rows[::-1]] = drive.braking_cylinders > 0
    paths = paths[braking[stretch]]
    stretch = store.stretch[paths]
    height = OUTLET_HEIGHT_INDEX[heard.trucks[one.truck].model.outlet]
    t = store.t[paths].astype(float)
    energy = (t * sound.peak[pass_class, stretch]).sum(axis=(1, 2))
    energy *= (store.distance[paths] / store.nearest[paths]) ** 2
    at = int(energy.argmax())
    loss = -from_energy(np.maximum(t[at, height], 1e-30))
    return Loudest(
        receiver,
        pass_class,
        int(stretch[at]),
        float(heard.passes.maximum[receiver, pass_class]),
        float(store.nearest[paths[at]]),
        float(loss[4] - loss[0]),
    )


def _key(heard: Heard, one: Loudest) -> tuple[str, int, int]:
    """What homes of a group have in common: exhaust, doubling of the distance, colour."""
    state = heard.classes[one.pass_class].exhaust_state
    doubling = int(np.floor(np.log2(max(one.distance / setting("nearest_m"), 1.0))))
    colour = int(np.floor(one.colour / setting("colour_step_db") + 0.5))
    return state, doubling, min(max(colour, min(COLOURS)), max(COLOURS))


def _engine_state(heard: Heard, one: Loudest) -> tuple[str, float, int, float, float]:
    """Engine, its speed, braking cylinders, share of time and road speed at a stretch."""
    pass_ = heard.classes[one.pass_class]
    drive = heard.drives[pass_.road, pass_.direction, pass_.truck, pass_.variant]
    rows = road_rows(heard.scene.stretches, pass_.road)
    order = rows if pass_.direction > 0 else rows[::-1]
    at = int(np.flatnonzero(order == one.stretch)[0])
    share = float(drive.retarder_share[at])
    return (
        heard.trucks[pass_.truck].model.engine,
        float(drive.engine_speed_rpm[at]),
        round(float(drive.braking_cylinders[at])),
        1.0 if share >= setting("steady_share") else share,
        float(drive.speed_ms[at]),
    )


def _beside_the_road(heard: Heard, one: Loudest, state: ExhaustState) -> Event:
    engine, rpm, cylinders, share, speed = _engine_state(heard, one)
    stack = heard.trucks[heard.classes[one.pass_class].truck].model.outlet == "stack"
    outlet: Outlet = "stack" if stack else "under_chassis"
    track = straight_pass(
        setting("nearest_m"), max(speed, 1.0), outlet=outlet, seconds=setting("pass_s")
    )
    everywhere = np.ones(len(track.time_s), dtype=bool)
    return Event(engine, rpm, cylinders, state, share, track, everywhere)


def _at_home(heard: Heard, one: Loudest) -> Event:
    engine, rpm, cylinders, share, speed = _engine_state(heard, one)
    pass_ = heard.classes[one.pass_class]
    track = home_pass(
        heard.scene,
        heard.store,
        one.receiver,
        pass_.road,
        pass_.direction,
        max(speed, 1.0),
        outlet_index=OUTLET_HEIGHT_INDEX[heard.trucks[pass_.truck].model.outlet],
        seconds=setting("pass_s"),
    )
    assert track.along_m is not None
    parts = heard.scene.stretches
    rows = road_rows(parts, pass_.road)
    drive = heard.drives[pass_.road, pass_.direction, pass_.truck, pass_.variant]
    cylinders_at = drive.braking_cylinders if pass_.direction > 0 else drive.braking_cylinders[::-1]
    at = np.searchsorted(parts.to_m[rows], track.along_m).clip(0, len(rows) - 1)
    braking = np.asarray(cylinders_at[at] > 0)
    return Event(engine, rpm, cylinders, pass_.exhaust_state, share, track, braking)


def _judged(
    heard: Heard,
    event: Event,
    method: str,
    seed: int,
    where: tuple[str, float, float],
    members: Sequence[int],
    best: int,
) -> CharacterGroup:
    """One synthesised pass, read and judged."""
    pulses = exhaust_pulses(
        event.engine,
        event.engine_speed_rpm,
        event.cylinders,
        event.state,
        calibration_db=heard.calibration_db,
    )
    running = vehicle_sound_power("heavy", event.track.speed_ms, temperature_c=heard.temperature_c)
    kept = loudest_part(pulses, running, event.track, event.braking)
    track = event.track.part(kept)
    read = read_levels(
        pressure_in_thirds(
            pulses,
            event.engine_speed_rpm,
            running,
            track,
            event.braking[kept],
            event.braking_share,
            seed,
        )
    )
    triples = tone_triples(pulses, event.engine_speed_rpm, running, track, event.braking[kept])
    middle = MIDDLE_HZ[1:-1]
    triples[~heard_third(triples[:, 1], middle)] = np.nan
    excess = tone_excess(triples)[:, 1]
    steps = tone_steps(excess, middle)
    told = np.flatnonzero(np.isfinite(excess))
    tone = max(told, key=lambda at: (steps[at], excess[at]), default=None)
    prominence = _prominence(read.fast)
    impulsive: float | None = None
    tonal: tuple[float, float] | None = None
    low: float | None = None
    if method == "levels":
        impulsive = float(difference_adjustment(read.l_ai_eq, read.l_a_eq))
        tonal = (
            float(tonal_adjustment(np.where(ASSURED, excess, np.nan), middle)),
            float(tonal_adjustment(excess, middle)),
        )
        low = float(difference_adjustment(read.l_c_eq, read.l_a_eq))
        least, most = (float(character_adjustment(impulsive, one, low)) for one in tonal)
        total = (least, most)
    elif method == "onset":
        impulsive = 0.0 if prominence is None else float(onset_adjustment(prominence))
        total = (impulsive, impulsive)
    else:
        sudden = prominence is not None and bool(onset_adjustment(prominence) > 0.0)
        margin = tone_margin(triples)[:, 1]
        total = (
            class_adjustment(sudden, _stands_out(np.where(ASSURED, margin, np.nan)))[0],
            class_adjustment(sudden, _stands_out(margin))[1],
        )
    by_levels = method == "levels"
    return CharacterGroup(
        place=where[0],
        from_m=where[1],
        to_m=where[2],
        exhaust_state=event.state,
        homes=len(members),
        people=float(heard.scene.homes.people[list(members)].sum()),
        loudest_home=best,
        l_a_eq=read.l_a_eq,
        c_less_a=read.l_c_eq - read.l_a_eq if by_levels else None,
        impulse_less_a=read.l_ai_eq - read.l_a_eq if by_levels else None,
        tone_hz=None if tone is None or method == "onset" else float(middle[tone]),
        tone_excess=None if tone is None or method == "onset" else float(excess[tone]),
        prominence=None if by_levels else prominence,
        impulsive=impulsive,
        tonal=tonal,
        low_frequency=low,
        total=(float(total[0]), float(total[1])),
    )


def _stands_out(margin_db: FloatArray) -> bool:
    return bool(prominent_tone(margin_db, MIDDLE_HZ[1:-1]))


def _prominence(fast: FloatArray) -> float | None:
    """Prominence of the most prominent onset of a pass; None where nothing rises fast."""
    course = fast[round(SETTLED_S / READ_S) :: round(ONSET_STEP_S / READ_S)]
    found = onsets(course, ONSET_STEP_S)
    if not len(found):
        return None
    return float(onset_prominence(found[:, 0], found[:, 1]).max())
