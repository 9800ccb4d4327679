"""The analyst's strip chart of a descent: grade, speed, gear, stage, brakes, level."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from noisemap.outputs.route_page import ANALYST
from noisemap.routes.quiet_descent import Pass, QuietDescent
from noisemap.units import MILE_M, fahrenheit, mph

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

COLOURS = {"ordinary driver": "#555555", "quiet plan": "#0b5fa5", "no retarder": "#b0552b"}
DASHES = {"ordinary driver": "-", "quiet plan": "-", "no retarder": (0, (4, 2))}
DOTS_PER_INCH = 140


def strip_chart(found: QuietDescent, units: str) -> tuple[bytes, bytes]:
    """The chart as SVG and as PNG."""
    figure = _figure(found, units)
    return _saved(figure, "svg"), _saved(figure, "png")


def _saved(figure: Figure, kind: str) -> bytes:
    import matplotlib

    stream = io.BytesIO()
    metadata: dict[str, str | None] = {"Date": None} if kind == "svg" else {}
    with matplotlib.rc_context({"svg.hashsalt": "noisemap", "svg.fonttype": "none"}):
        figure.savefig(stream, format=kind, metadata=metadata)
    return stream.getvalue()


def _figure(found: QuietDescent, units: str) -> Figure:
    from matplotlib.figure import Figure

    us = units == "us"
    figure = Figure(figsize=(9.0, 10.5), dpi=DOTS_PER_INCH, layout="constrained")
    axes = figure.subplots(6, 1, sharex=True)
    place = found.profile.chainage_m / (MILE_M if us else 1000.0)
    ways = [way for way in found.passes if way.name != "no retarder"]
    _steps(axes[0], place, 100.0 * found.profile.grade, "#444444", "-", "")
    axes[0].set_ylabel("grade, %")
    for way in ways:
        colour = COLOURS[way.name]
        nodes = way.drive.node_speed_ms
        shown = np.array([mph(v) for v in nodes]) if us else 3.6 * nodes
        axes[1].plot(place, shown, color=colour, label=way.name)
        _steps(axes[2], place, way.drive.gear.astype(float), colour, "-", "")
        _steps(axes[3], place, _cylinders(way), colour, "-", "")
        _steps(axes[5], place, way.along, colour, "-", "")
    for way in found.passes:
        _temperature(axes[4], place, way, us)
    _limits(axes[4], found, us)
    axes[1].set_ylabel("speed, mph" if us else "speed, km/h")
    axes[2].set_ylabel("gear")
    axes[2].yaxis.get_major_locator().set_params(integer=True)
    axes[3].set_ylabel("braking cylinders\n(mean over time)")
    axes[4].set_ylabel(f"brakes with one full\nstop, {'°F' if us else '°C'}")
    axes[5].set_ylabel("level at the home that\nhears it most, dB(A)")
    axes[5].set_xlabel(f"distance driven, {'mi' if us else 'km'}")
    for one in axes:
        _shade_zones(one, found, place)
        one.grid(alpha=0.3)
    axes[1].legend(fontsize=8, frameon=False)
    axes[4].legend(fontsize=8, frameon=False)
    figure.suptitle(ANALYST, fontsize=13, fontweight="bold")
    return figure


def _steps(
    axes: Axes,
    place: npt.NDArray[np.float64],
    values: npt.NDArray[np.float64],
    colour: str,
    dash: str,
    label: str,
) -> None:
    shown = np.where(np.isfinite(values), values, np.nan)
    axes.stairs(shown, place, color=colour, linestyle=dash, label=label, baseline=None)


def _cylinders(way: Pass) -> npt.NDArray[np.float64]:
    return np.asarray(way.drive.braking_cylinders * way.drive.retarder_share)


def _temperature(axes: Axes, place: npt.NDArray[np.float64], way: Pass, us: bool) -> None:
    celsius = way.drive.temperature_c + way.drive.stop_c
    shown = np.array([fahrenheit(c) for c in celsius]) if us else celsius
    axes.plot(place, shown, color=COLOURS[way.name], linestyle=DASHES[way.name], label=way.name)


def _limits(axes: Axes, found: QuietDescent, us: bool) -> None:
    for limit, words, dash in (
        (found.terms.planning_limit_c, "planning limit", "--"),
        (found.terms.hard_limit_c, "hard limit", ":"),
    ):
        shown = fahrenheit(limit) if us else limit
        axes.axhline(shown, color="#1b1b1b", linestyle=dash, linewidth=1.0, label=words)


def _shade_zones(axes: Axes, found: QuietDescent, place: npt.NDArray[np.float64]) -> None:
    from noisemap.scene.runs import runs

    for first, last in runs(~found.profile.retarder_allowed):
        axes.axvspan(place[first], place[last], color="#d8a800", alpha=0.18, linewidth=0)
