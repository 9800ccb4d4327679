"""Small made-up study files for the tests of readers and scene."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import rasterio
from affine import Affine

X0, Y0 = 500_000.0, 4_300_000.0
CRS = "EPSG:32606"

Feature = tuple[dict[str, Any], dict[str, Any] | None]


def line(*corners: tuple[float, float]) -> dict[str, Any]:
    return {"type": "LineString", "coordinates": [[X0 + x, Y0 + y] for x, y in corners]}


def polygon(*corners: tuple[float, float]) -> dict[str, Any]:
    ring = [[X0 + x, Y0 + y] for x, y in (*corners, corners[0])]
    return {"type": "Polygon", "coordinates": [ring]}


def box(x: float, y: float, width: float, depth: float) -> dict[str, Any]:
    return polygon((x, y), (x + width, y), (x + width, y + depth), (x, y + depth))


def point(x: float, y: float) -> dict[str, Any]:
    return {"type": "Point", "coordinates": [X0 + x, Y0 + y]}


def write_geojson(path: Path, features: Sequence[Feature], crs: str | None = CRS) -> Path:
    content: dict[str, Any] = {
        "type": "FeatureCollection",
        "features": [
            {"type": "Feature", "properties": properties, "geometry": geometry}
            for properties, geometry in features
        ],
    }
    if crs is not None:
        name = f"urn:ogc:def:crs:{crs.replace(':', '::')}"
        content["crs"] = {"type": "name", "properties": {"name": name}}
    path.write_text(json.dumps(content), encoding="utf-8")
    return path


def write_terrain(
    path: Path,
    height: Callable[[np.ndarray, np.ndarray], Any],
    *,
    size: int = 300,
    cell: float = 10.0,
    crs: str | None = CRS,
    nodata: float | None = None,
    dtype: str = "float64",
    scale: float = 1.0,
    offset: float = 0.0,
    unit: str | None = None,
    x0: float = X0,
    y0: float = Y0,
) -> Path:
    """A north-up GeoTIFF whose value at every pixel centre is the given function."""
    x = x0 + cell * (np.arange(size) + 0.5)
    y = y0 + cell * (np.arange(size) + 0.5)
    value = (np.broadcast_to(height(x[None, :], y[:, None]), (size, size)) - offset) / scale
    with rasterio.open(
        path,
        "w",
        driver="GTiff",
        width=size,
        height=size,
        count=1,
        dtype=dtype,
        crs=crs,
        nodata=nodata,
        transform=Affine(cell, 0.0, x0, 0.0, -cell, y0 + cell * size),
    ) as file:
        file.write(value[::-1].astype(dtype), 1)
        file.scales, file.offsets = (scale,), (offset,)
        if unit is not None:
            file.units = (unit,)
    return path


def write_hgt(path: Path, height: Callable[[np.ndarray, np.ndarray], Any]) -> Path:
    """A 3 arc second tile: big-endian whole metres at 1201 x 1201 nodes, north row first."""
    south = int(path.stem[1:3]) * (1 if path.stem[0] == "N" else -1)
    west = int(path.stem[4:7]) * (1 if path.stem[3] == "E" else -1)
    lon = west + np.arange(1201) / 1200.0
    lat = south + 1.0 - np.arange(1201) / 1200.0
    value = np.broadcast_to(height(lon[None, :], lat[:, None]), (1201, 1201))
    path.write_bytes(np.round(value).astype(">i2").tobytes())
    return path
