"""Pictures of the report: the static map, and noise gained beside brakes.

Drawn without any name from the user's files: zones are numbered, as in the
tables beside the pictures.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from noisemap.exposure.results import Findings, ZoneResult
from noisemap.outputs.backdrop import relief_bounds, shaded_relief
from noisemap.outputs.bands import PASS_BANDS, ZONE_COLOUR, band_of
from noisemap.outputs.geometry import road_piece, zone_road
from noisemap.outputs.map_data import pass_level
from noisemap.outputs.tables import hottest_by_condition
from noisemap.scene.model import Scene
from noisemap.units import FOOT_M, MILE_M, fahrenheit

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

DOTS_PER_INCH = 160


@dataclass(frozen=True)
class Picture:
    """A PNG with the words that stand for it."""

    png: bytes
    text: str


def map_picture(
    scene: Scene, findings: Findings, signs: Sequence[tuple[float, float]] = ()
) -> Picture:
    """Static map: homes by passes a night, the road, the zones by number, places of signs."""
    from matplotlib.figure import Figure

    west, south, east, north = relief_bounds(scene.terrain)
    view = _view(scene)
    tall = (view[3] - view[1]) / (view[2] - view[0])
    height = float(np.clip(5.3 * tall, 2.2, 5.0))
    figure = Figure(figsize=(7.2, height), dpi=DOTS_PER_INCH, layout="constrained")
    axes = figure.add_subplot()
    axes.imshow(
        shaded_relief(scene.terrain),
        extent=(west, east, south, north),
        origin="lower",
        cmap="gray",
        vmin=-1.2,
        vmax=1.0,
        interpolation="bilinear",
    )
    longest_first = sorted(
        enumerate(findings.zones, start=1),
        key=lambda item: -abs(item[1].zone.to_m - item[1].zone.from_m),
    )
    for rank, (number, result) in enumerate(longest_first):
        _draw_zone(axes, scene, result, number, linewidth=max(11.0 - 2.5 * rank, 4.0))
    for road in scene.roads:
        axes.plot(road.x, road.y, color="#262626", linewidth=1.4, zorder=3)
    level = pass_level(findings.before)
    passes = findings.before.passes_night.get(level)
    if passes is not None:
        _draw_homes(axes, scene, passes)
        if signs:
            axes.scatter(
                [x for x, _ in signs],
                [y for _, y in signs],
                s=26,
                marker="D",
                color="#f2c230",
                edgecolor="#262626",
                linewidth=0.8,
                zorder=7,
                label="places of signs",
            )
        figure.legend(
            title=f"Braking passes a night above {level} dB",
            loc="outside center right",
            frameon=False,
            fontsize=8,
            title_fontsize=8,
        )
    axes.set_xlim(view[0], view[2])
    axes.set_ylim(view[1], view[3])
    axes.set_aspect("equal")
    axes.set_xticks([])
    axes.set_yticks([])
    _draw_scale(axes, view, findings.units)
    words = (
        f"Map of {scene.homes.x.size} homes, the road and {len(findings.zones)} numbered zones. "
        f"Homes are larger and darker the more passes a night are louder than {level} dB."
        + (f" Diamonds: {len(signs)} places of signs." if signs else "")
    )
    return Picture(_png(figure), words)


def gain_and_brakes_picture(numbered: Sequence[tuple[int, ZoneResult]], units: str) -> Picture:
    """Two bars for each zone: people made quieter, and the hottest brakes against the limits."""
    from matplotlib.figure import Figure

    zones = [result for _, result in numbered]
    figure = Figure(
        figsize=(7.2, 0.9 + 0.45 * max(len(zones), 1)), dpi=DOTS_PER_INCH, layout="constrained"
    )
    gain, brakes = figure.subplots(1, 2, sharey=True)
    at = np.arange(len(zones))
    best = np.array([result.people_helped.best for result in zones])
    reach = [
        [max(item.people_helped.best - item.people_helped.low, 0.0) for item in zones],
        [max(item.people_helped.high - item.people_helped.best, 0.0) for item in zones],
    ]
    gain.barh(at, best, xerr=reach, color="#6f9cc9", edgecolor="#071d3d", capsize=3, height=0.55)
    gain.set_title("People quieter by 1 dB or more", fontsize=9)
    gain.set_yticks(at, [f"Zone {number}" for number, _ in numbered])
    gain.invert_yaxis()
    gain.set_xlabel("people, with the 90 % interval", fontsize=8)
    _draw_brakes(brakes, zones, units)
    for axes in (gain, brakes):
        axes.tick_params(labelsize=8)
        axes.spines[["top", "right"]].set_visible(False)
    words = "; ".join(
        f"zone {number}: about {result.people_helped.best:.0f} people quieter, "
        f"{_brake_words(result)}"
        for number, result in numbered
    )
    return Picture(_png(figure), words)


def _brake_words(result: ZoneResult) -> str:
    hottest = hottest_by_condition(result.brakes).get("normal")
    if hottest is None:
        return "no truck uses its retarder there"
    return (
        f"hottest brakes {hottest.peak_zone_c:.0f} °C, "
        f"planning limit {hottest.planning_limit_c:.0f} °C"
    )


def _draw_brakes(axes: Axes, zones: Sequence[ZoneResult], units: str) -> None:
    unit = "°F" if units == "us" else "°C"
    for at, result in enumerate(zones):
        hottest = hottest_by_condition(result.brakes).get("normal")
        if hottest is None:
            continue
        free, zone, planning, hard = (
            fahrenheit(value) if units == "us" else value
            for value in (
                hottest.peak_free_c,
                hottest.peak_zone_c,
                hottest.planning_limit_c,
                hottest.hard_limit_c,
            )
        )
        over = zone > planning
        axes.barh(
            at,
            zone,
            height=0.55,
            color="#262626" if over else "#c9c9c9",
            hatch=None if over else "//",
            edgecolor="#262626",
        )
        axes.plot([free, free], [at - 0.33, at + 0.33], color="#d9a441", linewidth=2.5)
        axes.plot([planning, planning], [at - 0.42, at + 0.42], color="#262626", linewidth=1.5)
        axes.plot([hard, hard], [at - 0.42, at + 0.42], color="#262626", linewidth=1, linestyle=":")
        axes.text(
            max(zone, hard),
            at,
            f"  {zone:.0f}",
            va="center",
            fontsize=8,
            fontweight="bold" if over else None,
        )
    axes.margins(x=0.15)
    axes.set_title(f"Hottest brakes with the zone, {unit}", fontsize=9)
    axes.set_xlabel(
        "full line: planning limit, dotted: hard limit, ochre: without the zone;\n"
        "black bar: over the planning limit",
        fontsize=7,
    )


def _view(scene: Scene) -> tuple[float, float, float, float]:
    """Window around the homes and roads, within the terrain [m]."""
    west, south, east, north = relief_bounds(scene.terrain)
    x = np.concatenate([scene.homes.x, *(road.x for road in scene.roads)])
    y = np.concatenate([scene.homes.y, *(road.y for road in scene.roads)])
    edge = 0.04 * max(np.ptp(x), np.ptp(y), 100.0)
    return (
        max(float(x.min()) - edge, west),
        max(float(y.min()) - edge, south),
        min(float(x.max()) + edge, east),
        min(float(y.max()) + edge, north),
    )


def _draw_zone(axes: Axes, scene: Scene, result: ZoneResult, number: int, linewidth: float) -> None:
    line = road_piece(zone_road(scene, result.zone), result.zone.from_m, result.zone.to_m)
    refused = result.verdict == "refused for brakes"
    axes.plot(
        line[:, 0],
        line[:, 1],
        color=ZONE_COLOUR,
        linewidth=linewidth,
        alpha=0.55,
        linestyle=(0, (1.0, 0.6)) if refused else "-",
        solid_capstyle="butt",
        dash_capstyle="butt",
        zorder=2,
    )
    at = line[int((number - 0.5) / 4.0 % 1.0 * (len(line) - 1))]
    axes.annotate(
        str(number),
        (at[0], at[1]),
        xytext=(0, 11),
        textcoords="offset points",
        ha="center",
        fontsize=8,
        fontweight="bold",
        color="white",
        bbox={"boxstyle": "round,pad=0.2", "facecolor": ZONE_COLOUR, "edgecolor": "white"},
        zorder=6,
    )


def _draw_homes(axes: Axes, scene: Scene, passes: np.ndarray) -> None:
    chosen = [band_of(PASS_BANDS, float(value)) for value in passes]
    for band in PASS_BANDS:
        mine = np.array([item is band for item in chosen])
        axes.scatter(
            scene.homes.x[mine],
            scene.homes.y[mine],
            s=(1.1 * band.radius) ** 2,
            color=band.colour,
            edgecolor="#1a1a1a",
            linewidth=0.5,
            label=band.label,
            zorder=4,
        )


def _draw_scale(axes: Axes, view: tuple[float, float, float, float], units: str) -> None:
    width = view[2] - view[0]
    feet = [(500 * FOOT_M, "500 ft"), (1000 * FOOT_M, "1,000 ft"), (MILE_M / 2, "half a mile")]
    metric = [(100.0, "100 m"), (250.0, "250 m"), (500.0, "500 m"), (1000.0, "1 km")]
    steps = [*feet, (MILE_M, "1 mile")] if units == "us" else metric
    length, words = max(
        (step for step in steps if step[0] <= 0.3 * width), default=steps[0], key=lambda s: s[0]
    )
    x, y = view[0] + 0.04 * width, view[1] + 0.05 * (view[3] - view[1])
    axes.plot([x, x + length], [y, y], color="black", linewidth=2.5, zorder=7)
    axes.annotate(
        f"{words}, north up",
        (x, y),
        xytext=(0, 4),
        textcoords="offset points",
        fontsize=8,
        zorder=7,
    )


def _png(figure: Figure) -> bytes:
    stream = io.BytesIO()
    figure.savefig(stream, format="png", metadata={"Software": None})
    return stream.getvalue()
