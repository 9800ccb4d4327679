"""Tables on everyone's side: who gets louder, own hours of places, rooms, character."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from noisemap.exposure.community import Character, CharacterGroup
from noisemap.exposure.levels import bedroom_maximum
from noisemap.exposure.results import Findings, HomeLevels
from noisemap.outputs.table import Cell, Table
from noisemap.outputs.wording import hours_text, people_cell, people_shown, plain, tenth
from noisemap.scene.model import Scene

FloatArray = npt.NDArray[np.float64]

NOT_ASSESSED = "not assessed"
RISE_DB = 0.05
"""Smallest rise of a level that counts as louder [dB]."""

RISE_PASSES = 0.05
"""Smallest rise of a number of passes that counts as louder [1]."""

OWN_LEVEL = 70
"""Level of the passes that are counted in the own hours of a place [dB]."""

OWN_WORDS = {
    "home": "homes, in the hours when those who work at night sleep",
    "school": "schools, in school hours",
    "clinic": "clinics, in their hours",
    "hotel": "hotels, in their hours",
}
WINDOW_WORDS = ("open", "slightly open", "closed")
STATE_WORDS = {"after_treatment": "with after-treatment"}


@dataclass(frozen=True)
class Louder:
    """One home that a zone makes louder by some measure."""

    zone: int  # number, from 1
    home: int  # index into Homes
    night: float  # rise of the night level of braking trucks [dB]
    peak: float  # rise of the loudest pass [dB]
    passes: Mapping[int, float]  # level [dB] -> more passes a night above it


def louder_homes(findings: Findings) -> tuple[Louder, ...]:
    """Every home that any measure calls louder under a zone; gains elsewhere never net it away."""
    before = findings.before
    found = []
    for number, result in enumerate(findings.zones, start=1):
        night = _rise(before.l_night, result.levels.l_night)
        peak = _rise(before.l_a_max, result.levels.l_a_max)
        more = {
            level: result.levels.passes_night[level] - before.passes_night[level]
            for level in before.passes_night
            if level in result.levels.passes_night
        }
        louder = (night > RISE_DB) | (peak > RISE_DB)
        for values in more.values():
            louder |= values > RISE_PASSES
        found += [
            Louder(
                number,
                int(home),
                float(night[home]),
                float(peak[home]),
                {level: float(values[home]) for level, values in more.items()},
            )
            for home in np.flatnonzero(louder)
        ]
    return tuple(found)


def _rise(before: FloatArray, after: FloatArray) -> FloatArray:
    """Rise of a level; infinite where there was no sound before [dB]."""
    with np.errstate(invalid="ignore"):
        rise = after - before
    return np.where(np.isfinite(after), np.nan_to_num(rise, nan=0.0, posinf=np.inf), 0.0)


def louder_table(scene: Scene, findings: Findings) -> Table:
    """Homes that a zone makes louder, one row a home and zone."""
    levels = sorted(findings.before.passes_night)
    headers = (
        "zone",
        "zone name",
        "number",
        "home",
        "label",
        "kind",
        "night level of braking trucks louder by [dB]",
        "loudest pass louder by [dB]",
        *(f"more braking passes a night above {level} dB(A) [1]" for level in levels),
    )
    homes = scene.homes
    rows = tuple(
        (
            one.zone,
            plain(findings.zones[one.zone - 1].zone.name),
            one.home + 1,
            plain(homes.home_id[one.home]),
            plain(homes.label[one.home]),
            plain(homes.kind[one.home]),
            tenth(one.night),
            tenth(one.peak),
            *(tenth(one.passes.get(level, 0.0)) for level in levels),
        )
        for one in louder_homes(findings)
    )
    return Table("louder", headers, rows)


def own_hours_rows(scene: Scene, findings: Findings) -> Iterator[tuple[str, str, str, list[float]]]:
    """Kind of place in words, its hours, its size, and what is counted now and with each zone.

    Homes count people times passes, other places passes alone.
    """
    kinds = np.array(scene.homes.kind)
    everywhere: list[HomeLevels] = [findings.before, *(one.levels for one in findings.zones)]
    for kind, hours in sorted(findings.own_hours.items()):
        mine = kinds == kind
        if not mine.any() or any(OWN_LEVEL not in levels.passes_own for levels in everywhere):
            continue
        people = scene.homes.people[mine] if kind == "home" else np.ones(int(mine.sum()))
        places = int(mine.sum())
        size = (
            f"{people_shown(float(people.sum()))} people"
            if kind == "home"
            else f"{places} {'place' if places == 1 else 'places'}"
        )
        counts = [float(levels.passes_own[OWN_LEVEL][mine] @ people) for levels in everywhere]
        yield OWN_WORDS.get(kind, plain(kind)), hours_text(hours), size, counts


def own_hours_table(scene: Scene, findings: Findings) -> Table:
    """School, clinic, hotel and shift-sleep hours: passes now and with each zone."""
    headers = (
        "places",
        "hours",
        "how many",
        f"now: braking passes above {OWN_LEVEL} dB(A) a day, all places (homes: x people) [1]",
        *(f"zone {n}: the same [1]" for n in range(1, len(findings.zones) + 1)),
    )
    rows = tuple(
        (words, hours, size, *(tenth(count) for count in counts))
        for words, hours, size, counts in own_hours_rows(scene, findings)
    )
    return Table("own_hours", headers, rows)


def inside_table(scene: Scene, findings: Findings) -> Table:
    """Braking passes heard inside bedrooms, for the window open, slightly open and closed."""
    everywhere: list[HomeLevels] = [findings.before, *(one.levels for one in findings.zones)]
    limit = bedroom_maximum()
    headers = (
        "window",
        "outside less inside [dB]",
        f"now: people with a braking pass above {limit:g} dB(A) inside at least once a night "
        "[persons]",
        *(f"zone {n}: the same [persons]" for n in range(1, len(findings.zones) + 1)),
    )
    people = scene.homes.people
    rows: list[tuple[Cell, ...]] = []
    for words, difference in zip(WINDOW_WORDS, sorted(findings.before.passes_inside), strict=False):
        counts = [
            float(people[levels.passes_inside[difference] >= 1.0].sum())
            for levels in everywhere
            if difference in levels.passes_inside
        ]
        rows.append((words, tenth(difference), *(people_cell(value) for value in counts)))
    return Table("inside", headers, tuple(rows))


CHARACTER_HEADERS = (
    "group",
    "where",
    "from the loudest stretch, from [m]",
    "to [m]",
    "exhaust",
    "homes",
    "people [persons]",
    "level of the part of the pass that is assessed [dB(A)]",
    "LCeq less LAeq [dB]",
    "LAIeq less LAeq [dB]",
    "third that stands out most [Hz]",
    "by [dB]",
    "prominence of the steepest onset [1]",
    "adjustment for impulses [dB]",
    "adjustment for tones [dB]",
    "adjustment for low frequencies [dB]",
    "adjustment in all [dB]",
    "method",
    "mark of the method",
    "note",
)


def character_table(findings: Findings) -> Table:
    """Character of the loudest pass at 15 m and for each group of homes."""
    found = findings.character
    rows = (
        ()
        if found is None
        else tuple(
            _character_row(found, number, group)
            for number, group in enumerate(found.groups, start=1)
        )
    )
    return Table("character", CHARACTER_HEADERS, rows)


def _character_row(found: Character, number: int, group: CharacterGroup) -> tuple[Cell, ...]:
    return (
        number,
        group.place,
        tenth(group.from_m),
        tenth(group.to_m),
        state_words(group.exhaust_state),
        group.homes or None,
        people_cell(group.people) if group.homes else None,
        tenth(group.l_a_eq),
        *(
            NOT_ASSESSED if value is None else tenth(value)
            for value in (
                group.c_less_a,
                group.impulse_less_a,
                group.tone_hz,
                group.tone_excess,
                group.prominence,
                group.impulsive,
            )
        ),
        NOT_ASSESSED if group.tonal is None else range_words(group.tonal),
        NOT_ASSESSED if group.low_frequency is None else tenth(group.low_frequency),
        adjustment_words(group),
        found.title,
        found.mark,
        character_note(group),
    )


def state_words(state: str) -> str:
    """State of an exhaust in words.

    >>> state_words("straight"), state_words("after_treatment")
    ('straight', 'with after-treatment')
    """
    return STATE_WORDS.get(state, state)


def adjustment_words(group: CharacterGroup) -> str:
    """Adjustment as one figure, or as its range."""
    return range_words(group.total)


def range_words(ends: tuple[float, float]) -> str:
    """One figure, or a range.

    >>> range_words((3.0, 3.0)), range_words((0.0, 6.0))
    ('3.0', '0.0 to 6.0')
    """
    low, high = ends
    return f"{low:.1f}" if high - low < 0.05 else f"{low:.1f} to {high:.1f}"


LOWEST_ASSURED_HZ = 60.0


def character_note(group: CharacterGroup) -> str:
    """How far the figures of a group can be trusted."""
    note = "from the source's own waveform and thirds"
    if group.homes:
        note = "low confidence: each third takes the attenuation of its octave"
    if group.tone_hz is not None and group.tone_hz < LOWEST_ASSURED_HZ:
        note += (
            "; the tone lies below 63 Hz, outside the standard, where only spreading and no noise "
            "of tyres and engine is known: the lower figure leaves it out"
        )
    return note


def character_columns(findings: Findings) -> list[tuple[str, list[Cell]]]:
    """Columns of the homes' table: group and adjustment, in words where not assessed."""
    found, count = findings.character, findings.before.l_night.size
    if found is None:
        words: list[Cell] = [NOT_ASSESSED] * count
        return [("character of the loudest pass: adjustment [dB]", words)]
    groups = [int(group) for group in found.home_group]
    words = [
        NOT_ASSESSED if group < 0 else adjustment_words(found.groups[group]) for group in groups
    ]
    numbers: list[Cell] = [None if group < 0 else group + 1 for group in groups]
    return [
        ("character of the loudest pass: adjustment [dB]", words),
        ("character: group", numbers),
    ]
