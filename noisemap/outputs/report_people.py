"""What the report says of people: how sure the answer is, who gains, who pays, how rooms fare."""

from __future__ import annotations

from noisemap.exposure.results import Findings, ZoneResult
from noisemap.outputs.community_tables import (
    NOT_ASSESSED,
    character_table,
    louder_homes,
    own_hours_rows,
)
from noisemap.outputs.provenance import HEADLINE_LEVEL, ordered_zones
from noisemap.outputs.table import Table
from noisemap.outputs.tables import equipped_rows, hottest_by_condition
from noisemap.outputs.wording import (
    BINDS_WORDS,
    both_lengths,
    both_temperatures,
    count,
    decibels,
    people_interval,
    people_shown,
    plain,
)
from noisemap.scene.model import Scene


def certainty(findings: Findings) -> tuple[str, ...]:
    """Sentences on how sure the answer is, zone by zone."""
    sentences = []
    for number, result in ordered_zones(findings):
        spared = result.people_passes.get(HEADLINE_LEVEL)
        if spared is None or result.verdict in ("refused for brakes", "not worth signing"):
            continue
        sentences.append(
            f"Zone {number}: in 9 cases of 10 it spares between {count(spared.low)} and "
            f"{count(spared.high)} loud passes a night, summed over all residents."
        )
    sentences.append(
        "These ranges hold what the exhausts, the mufflers, the drivers' observance and the "
        "ground may do. They do not hold wrong counts of trucks. No pass-by measurement has "
        "confirmed the exhaust levels: count and measure before and after a sign."
    )
    return tuple(sentences)


def who_gains(findings: Findings) -> tuple[str, ...]:
    """Sentences on who becomes quieter, and who lies outside the method."""
    sentences = []
    for number, result in ordered_zones(findings):
        text = (
            f"Zone {number}: people quieter by 1 dB or more: "
            f"{people_interval(result.people_helped)}"
        )
        if result.quieter_interval is not None:
            text += f"; night level lower by {decibels(result.quieter_interval)} on average"
        sentences.append(text + ".")
    if findings.far_people > 0.0:
        sentences.append(
            f"{people_shown(findings.far_people)} people live beyond 1000 m of every braking "
            "stretch, where the method makes no statement."
        )
    return tuple(sentences)


def who_pays(findings: Findings) -> tuple[str, ...]:
    """Sentences on who pays: brakes and drivers, homes that get louder, those who enforce."""
    sentences = [
        _brakes_pay(number, result, findings.units)
        for number, result in ordered_zones(findings)
        if equipped_rows(result.brakes)
    ]
    louder = louder_homes(findings)
    for number in sorted({one.zone for one in louder}):
        mine = [one for one in louder if one.zone == number]
        sentences.append(
            f"Zone {number} makes {len(mine)} {_homes(len(mine))} louder by some measure, "
            f"{people_shown(findings.zones[number - 1].people_louder)} people at night; each is "
            "listed, no gain elsewhere nets it away."
        )
    if findings.zones and not louder:
        sentences.append(
            "No home becomes louder by any measure that was computed; trucks that take another "
            "road are not in these zones: weigh the alternatives for them."
        )
    if findings.zones:
        sentences.append(
            "A sign costs its posts, its upkeep and the hours of those who enforce it; the share "
            "of drivers who obey is assumed."
        )
    return tuple(sentences)


def _homes(number: int) -> str:
    return "home" if number == 1 else "homes"


def _brakes_pay(number: int, result: ZoneResult, units: str) -> str:
    zone = result.zone
    rows = equipped_rows(result.brakes)
    length = both_lengths(abs(zone.to_m - zone.from_m), units)
    start = f"Zone {number}: drivers with {BINDS_WORDS[zone.binds]} lose it over {length}"
    hottest = next(iter(hottest_by_condition(rows).values()))
    over = len({row.truck for row in rows if row.forbids})
    text = (
        f"{start}; their hottest brakes reach {both_temperatures(hottest.peak_zone_c, units)} in "
        f"place of {both_temperatures(hottest.peak_free_c, units)}"
    )
    if over:
        text += f"; {over} of {len({row.truck for row in rows})} truck weights go over a limit"
    return text + "."


def own_hours_sentences(scene: Scene, findings: Findings) -> tuple[str, ...]:
    """What schools and those who sleep by day hear now, and with each zone that changes it."""
    sentences = []
    for words, hours, size, counts in own_hours_rows(scene, findings):
        now = counts[0]
        changed = [
            f"{count(value)} with zone {number}"
            for number, value in enumerate(counts[1:], start=1)
            if abs(value - now) >= 0.05
        ]
        text = f"{words[:1].upper()}{words[1:]} ({hours}; {size}): {count(now)} loud passes a day"
        text += " in all now" + (f", {', '.join(changed)}" if changed else "; no zone changes it")
        sentences.append(text + ".")
    return tuple(sentences)


def character_sentences(findings: Findings) -> tuple[str, ...]:
    """What was found of the character of the passes, with the mark of the method."""
    found = findings.character
    if found is None:
        return (
            f"Impulses, tones and low frequencies of the passes: {NOT_ASSESSED} in this study; "
            "set character in [criteria].",
        )
    homes = [group for group in found.groups if group.homes]
    missing = int((found.home_group < 0).sum())
    sentences = [
        f"Method: {plain(found.title)} ({plain(found.mark)}). One pass was synthesised for each "
        f"of {len(homes)} groups of homes that are much alike, and at 15 m for each exhaust.",
        "Each third of an octave takes the attenuation of its octave; below 63 Hz, outside the "
        "standard, only spreading: low confidence. An adjustment is added to no level here.",
    ]
    if homes:
        low = min(group.total[0] for group in homes)
        high = max(group.total[1] for group in homes)
        sentences.insert(
            0, f"The loudest passes at the homes would carry {low:.0f} to {high:.0f} dB."
        )
    if missing:
        sentences.append(
            f"At {missing} {_homes(missing)} no braking pass leads: {NOT_ASSESSED}, not 0."
        )
    return tuple(sentences)


def character_shown(findings: Findings) -> Table:
    """Character group by group, in the reader's unit, without what the method leaves open."""
    if findings.character is None:
        return Table("character", (), ())
    full = character_table(findings)
    headers = list(full.headers)
    where = (headers.index("where"), headers.index("from the loudest stretch, from [m]"))
    left = {"people [persons]", "to [m]", "method", "mark of the method", "note", headers[where[1]]}
    kept = [
        index
        for index, name in enumerate(headers)
        if name not in left and any(row[index] != NOT_ASSESSED for row in full.rows)
    ]
    rows = []
    for group, row in zip(findings.character.groups, full.rows, strict=True):
        far = both_lengths(group.to_m, findings.units)
        near = both_lengths(group.from_m, findings.units)
        words = f"{near} {group.place}" if not group.homes else f"{near} to {far}, {group.place}"
        rows.append(tuple(words if index == where[0] else row[index] for index in kept))
    return Table("character", tuple(headers[index] for index in kept), tuple(rows))
