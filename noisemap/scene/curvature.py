"""Horizontal curves of the roads, from their lines, and the speed they leave to trucks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from noisemap.data_tables import toml_table
from noisemap.descent.curves import curve_speed
from noisemap.scene.model import Road, Scene, Stretches

FloatArray = npt.NDArray[np.float64]

_STRAIGHT = 1e-6  # turns below this between two segments are none [rad]


def _choice(name: str) -> float:
    return float(toml_table("noisemap.scene", "curvature.toml")[name]["value"])


def with_curves(scene: Scene, superelevation: float) -> Scene:
    """The scene with the radius of every stretch and the speed of trucks in its curves."""
    radius = stretch_radius(scene.roads, scene.stretches)
    speed = curve_speed(radius, superelevation)
    return replace(
        scene, stretches=replace(scene.stretches, curve_radius=radius, curve_speed=speed)
    )


def stretch_radius(roads: Sequence[Road], stretches: Stretches) -> FloatArray:
    """Smallest radius on each stretch [m]; infinite where its road is straight."""
    out = np.full(len(stretches.road), np.inf)
    for index in np.unique(stretches.road).tolist():
        rows = np.flatnonzero(stretches.road == index)
        at, curvature = line_curvature(roads[index].x, roads[index].y, roads[index].chainage)
        first = np.searchsorted(at, stretches.from_m[rows], side="left")
        last = np.searchsorted(at, stretches.to_m[rows], side="right")
        turned = np.abs(curvature)
        for row, low, high in zip(rows.tolist(), first.tolist(), last.tolist(), strict=True):
            sharpest = float(turned[min(low, len(turned) - 1) : max(high, low + 1)].max())
            out[row] = 1.0 / sharpest if sharpest > 0.0 else np.inf
    return out


def line_curvature(
    x: FloatArray, y: FloatArray, chainage: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Places along a line [m] and its curvature there [1/m], positive to the left.

    The heading changes evenly about every corner, over half the shorter of its two
    segments; the curvature is the slope of the straight line fitted to the heading over
    the smoothing length.  A circular arc longer than that keeps its curvature.  What turns
    one way by less than the stated angle is no bend: digitising errors wander like that.
    """
    at = np.linspace(
        float(chainage[0]),
        float(chainage[-1]),
        max(int((chainage[-1] - chainage[0]) / _choice("sampling_m")) + 1, 3),
    )
    heading = _heading(x, y, chainage, at)
    step = float(at[1] - at[0])
    half = min(max(round(0.5 * _choice("smoothing_m") / step), 1), (len(at) - 1) // 2)
    away = np.arange(-half, half + 1) * step
    slope = np.convolve(heading, away[::-1], mode="valid") / float(away @ away)
    return at, _bends(np.pad(slope, half, mode="edge"), step)


def _bends(curvature: FloatArray, step: float) -> FloatArray:
    """Curvature without the wiggles that turn by less than a bend does, one way [1/m]."""
    begin = np.flatnonzero(np.diff(np.sign(curvature), prepend=np.nan))
    turn = np.add.reduceat(curvature, begin) * step
    runs = np.diff(np.append(begin, len(curvature)))
    counts = np.abs(turn) >= np.radians(_choice("least_turn_deg"))
    return np.where(np.repeat(counts, runs), curvature, 0.0)


def _heading(x: FloatArray, y: FloatArray, chainage: FloatArray, at: FloatArray) -> FloatArray:
    """Heading of a line at places along it, without jumps [rad]."""
    angle = np.unwrap(np.arctan2(np.diff(y), np.diff(x)))
    corner = np.flatnonzero(np.abs(np.diff(angle)) > _STRAIGHT) + 1
    if not len(corner):
        return np.full(len(at), angle[0])
    place = chainage[corner]
    length = np.diff(np.concatenate([chainage[:1], place, chainage[-1:]]))
    reach = 0.5 * np.minimum(np.minimum(length[:-1], length[1:]), _choice("smoothing_m"))
    knots = np.column_stack([place - reach, place + reach]).reshape(-1)
    values = np.column_stack([angle[corner - 1], angle[corner]]).reshape(-1)
    return np.asarray(np.interp(at, knots, values))
