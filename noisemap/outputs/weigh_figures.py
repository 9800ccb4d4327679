"""Pictures of the weighing: gain against room below the limit, and what makes figures unsure."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING

import numpy as np

from noisemap.outputs.bands import ZONE_COLOUR
from noisemap.outputs.figures import DOTS_PER_INCH, Picture
from noisemap.zones.conditions import NORMAL
from noisemap.zones.tipping import Drivers
from noisemap.zones.verdict import LEADING_LEVEL
from noisemap.zones.weighed import Weighed

if TYPE_CHECKING:
    from matplotlib.figure import Figure


def front_picture(weighed: Weighed, units: str) -> Picture:
    """Every zone weighed exactly: passes spared against room below the planning limit."""
    from matplotlib.figure import Figure

    scale, unit = (1.8, "°F") if units == "us" else (1.0, "°C")
    figure = Figure(figsize=(7.2, 2.9), dpi=DOTS_PER_INCH, layout="constrained")
    axes = figure.add_subplot()
    every = [one for found in weighed.searches for one in found.candidates]
    front = [found.candidates[i] for found in weighed.searches for i in found.front]
    for part, size, colour, label in (
        (every, 5, "#c9c9c9", "weighed exactly"),
        (front, 16, "#23538f", "no other zone beats it"),
    ):
        axes.scatter(
            [scale * one.cautious_margin for one in part],
            [one.leading for one in part],
            s=size,
            color=colour,
            label=label,
        )
    for number, result in enumerate(weighed.zones, start=1):
        peaks = [
            row.peak_zone_c for row in result.brakes if row.equipped and row.condition != NORMAL
        ]
        if peaks:
            at = scale * (weighed.planning_limit_c - max(peaks))
            gain = result.people_passes[LEADING_LEVEL].best
            axes.scatter([at], [gain], s=30, color="#d9a441", edgecolor="#262626", zorder=5)
            axes.annotate(
                f"drawn {number}", (at, gain), xytext=(4, 4), textcoords="offset points", fontsize=7
            )
    chosen = weighed.decision.candidate
    if chosen is not None:
        axes.scatter(
            [scale * chosen.cautious_margin],
            [chosen.leading],
            s=130,
            marker="*",
            color=ZONE_COLOUR,
            zorder=6,
            label="to take further",
        )
    axes.axvline(0.0, color="#262626", linewidth=1.2)
    axes.text(
        0.0, 1.01, "over the limit  |  within it", transform=axes.get_xaxis_transform(),
        ha="center", fontsize=8,
    )  # fmt: skip
    axes.set_xlabel(
        f"room below the planning limit, worn brakes or steeper grade [{unit}]", fontsize=8
    )
    axes.set_ylabel(f"people x passes a night\nspared above {LEADING_LEVEL} dB", fontsize=8)
    axes.tick_params(labelsize=8)
    axes.spines[["top", "right"]].set_visible(False)
    axes.legend(fontsize=7, frameon=False)
    words = (
        f"{len(every)} zones by what they spare and the room they leave the brakes; "
        f"{len(front)} of them are beaten by no other."
    )
    return Picture(_png(figure), words)


PASSES_SPARED = f"people x passes a night spared above {LEADING_LEVEL} dB"


def drivers_picture(drivers: Drivers, figure_of: str) -> Picture:
    """Bars: the interval that each unknown alone would leave of a figure."""
    from matplotlib.figure import Figure

    figure = Figure(
        figsize=(7.2, 0.8 + 0.32 * len(drivers.alone)), dpi=DOTS_PER_INCH, layout="constrained"
    )
    axes = figure.add_subplot()
    at = np.arange(len(drivers.alone))
    low = np.array([one.interval.low for one in drivers.alone])
    high = np.array([one.interval.high for one in drivers.alone])
    axes.barh(at, high - low, left=low, height=0.6, color="#6f9cc9", edgecolor="#071d3d")
    axes.axvline(drivers.whole.best, color="#262626", linewidth=1.2)
    axes.set_yticks(at, [one.name for one in drivers.alone], fontsize=8)
    axes.invert_yaxis()
    axes.set_xlabel(
        f"{figure_of}: 90 % interval if only this were unknown; line: best figure", fontsize=7
    )
    axes.tick_params(labelsize=8)
    axes.spines[["top", "right"]].set_visible(False)
    words = "; ".join(
        f"{one.name}: {one.interval.low:.1f} to {one.interval.high:.1f}" for one in drivers.alone
    )
    return Picture(_png(figure), words)


def _png(figure: Figure) -> bytes:
    stream = io.BytesIO()
    figure.savefig(stream, format="png", metadata={"Software": None})
    return stream.getvalue()
