"""Shaded relief of the study's own terrain, the map's quiet backdrop."""

from __future__ import annotations

import io

import numpy as np
import numpy.typing as npt

from noisemap.scene.model import Terrain

FloatArray = npt.NDArray[np.float64]

SUN_AZIMUTH_DEG = 315.0  # light from the upper left, so that hills read as hills
SUN_HEIGHT_DEG = 45.0
GREY_STEPS = 40  # few greys keep the picture small
STEEPENED = 2.0  # hills are drawn steeper than they are, or gentle ones would not show


def shaded_relief(terrain: Terrain) -> FloatArray:
    """Share of light on the ground, 0 to 1, oriented as the terrain [1]."""
    south_north, west_east = np.gradient(STEEPENED * terrain.height, terrain.cell)
    height, azimuth = np.radians([SUN_HEIGHT_DEG, SUN_AZIMUTH_DEG])
    sun = (np.sin(azimuth) * np.cos(height), np.cos(azimuth) * np.cos(height), np.sin(height))
    light = -west_east * sun[0] - south_north * sun[1] + sun[2]
    steepness = np.sqrt(1.0 + west_east**2 + south_north**2)
    return np.asarray(np.clip(light / steepness, 0.0, 1.0))


def relief_picture(terrain: Terrain, longest: int = 800) -> bytes:
    """Light grey PNG of the terrain, north up, at most `longest` pixels a side."""
    from PIL import Image

    light = shaded_relief(terrain)
    step = max(1, int(np.ceil(max(light.shape) / longest)))
    steps = np.round(light[::step, ::step][::-1] * GREY_STEPS) / GREY_STEPS
    picture = Image.fromarray(np.round(140.0 + 115.0 * steps).astype(np.uint8))
    stream = io.BytesIO()
    picture.save(stream, format="PNG", optimize=True)
    return stream.getvalue()


def relief_bounds(terrain: Terrain) -> tuple[float, float, float, float]:
    """West, south, east and north edge of the terrain's cells [m]."""
    rows, columns = terrain.height.shape
    half = terrain.cell / 2.0
    return (
        terrain.x0 - half,
        terrain.y0 - half,
        terrain.x0 + (columns - 1) * terrain.cell + half,
        terrain.y0 + (rows - 1) * terrain.cell + half,
    )
