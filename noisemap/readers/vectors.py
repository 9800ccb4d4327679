"""Vector files in, clean tables of features out, with every repair counted."""

from __future__ import annotations

import contextlib
import warnings
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import shapely
from pyogrio.errors import DataLayerError, DataSourceError
from pyproj import CRS
from pyproj.exceptions import CRSError

from noisemap.errors import BadDataError
from noisemap.readers.paths import plain_file

_BEGINNINGS = {
    ".gpkg": b"SQLite format 3",
    ".geojson": b"{",
    ".json": b"{",
    ".shp": b"\0\0\x27\x0a",
    ".fgb": b"fgb",
}
SUFFIXES = tuple(_BEGINNINGS)
LARGEST_COORDINATE = 1e8
AREA_CHANGE = 0.01


@dataclass(frozen=True)
class Layer:
    """Features of one layer, and what was repaired while reading."""

    name: str  # file name, for messages
    frame: gpd.GeoDataFrame  # columns as asked, text kept as text; geometry simple parts
    dropped: int = 0  # features without geometry
    mended: tuple[str, ...] = field(default=())  # ids of features made valid
    reshaped: tuple[str, ...] = field(default=())  # those whose area changed over 1 %
    notes: tuple[str, ...] = field(default=())  # what the format's driver complained about


def read_layer(
    path: Path,
    *,
    table: str,
    layer: str | None = None,
    crs: str | None = None,
    columns: Mapping[str, str] | None = None,
    known: tuple[str, ...] = (),
    bbox: tuple[float, float, float, float] | None = None,
) -> Layer:
    """Features of a vector file with the columns that are known by name.

    Parameters
    ----------
    path : Path
        GeoPackage, GeoJSON, shapefile or FlatGeobuf.
    table : str
        Table of the study file that names the file, for messages.
    layer : str, optional
        Layer of a file with several.
    crs : str, optional
        Coordinate system of a layer that names none.
    columns : mapping, optional
        Our name -> the file's column; names that are absent stand for themselves.
    known : tuple of str
        Our names; other columns are not read.
    bbox : tuple, optional
        West, south, east, north in degrees: only features that touch it.

    Raises
    ------
    BadDataError
        When the file or layer cannot be read, is empty, names no coordinate system,
        has coordinates that are not finite, or holds an id twice.
    """
    path = plain_file(path)
    if path.suffix.lower() not in SUFFIXES:
        raise BadDataError(
            f"{path.name}: not a vector file this reads (allowed: {', '.join(SUFFIXES)})"
        )
    _check_content(path)
    notes: list[str] = []
    with _driver_notes(path, notes):
        layer = layer or _only_layer(path, table)
        wanted = _wanted(path, layer, table, dict(columns or {}), known)
        frame = _read(path, layer, list(wanted.values()))
    system = _system(path, frame, table, crs)
    if frame.crs is None:
        frame = frame.set_crs(system)
    frame = frame.rename(columns={theirs: ours for ours, theirs in wanted.items()})
    if frame.empty:
        raise BadDataError(f"{path.name}: the layer {layer!r} holds no feature")
    result = replace(_clean(path.name, frame, wanted), notes=tuple(notes))
    if bbox is not None:
        result = _inside(result, bbox)
    return result


def _check_content(path: Path) -> None:
    """Nothing, when the file begins as its suffix says: no file of links is ever opened."""
    with path.open("rb") as stream:
        start = stream.read(64).removeprefix(b"\xef\xbb\xbf").lstrip()
    expected = _BEGINNINGS[path.suffix.lower()]
    if not start.startswith(expected):
        raise BadDataError(
            f"{path.name}: cannot be read, it does not begin like a {path.suffix.lower()} file; "
            "export or download it again"
        )


@contextlib.contextmanager
def _driver_notes(path: Path, notes: list[str]) -> Iterator[None]:
    """Collect the driver's complaints; turn its errors into our sentence."""
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        try:
            yield
        except (DataSourceError, DataLayerError, ValueError, shapely.errors.GEOSException) as error:
            raise _unreadable(path, error) from error
    notes.extend(dict.fromkeys(" ".join(str(note.message).split())[:200] for note in caught))


def _only_layer(path: Path, table: str) -> str:
    names = [str(row[0]) for row in pyogrio.list_layers(path)]
    if not names:
        raise BadDataError(f"{path.name}: holds no layer")
    if len(names) > 1:
        raise BadDataError(
            f"{path.name}: holds {len(names)} layers ({', '.join(names[:8])}); "
            f'add layer = "..." to [{table}]'
        )
    return names[0]


def _wanted(
    path: Path, layer: str, table: str, columns: dict[str, str], known: tuple[str, ...]
) -> dict[str, str]:
    """Our name -> the file's column, for the columns to read."""
    there = [str(name) for name in pyogrio.read_info(path, layer=layer)["fields"]]
    strange = sorted(set(columns) - set(known))
    if strange:
        raise BadDataError(
            f"[{table}] columns: {', '.join(strange)} is not a name this reads "
            f"(allowed: {', '.join(known)})"
        )
    missing = sorted(set(columns.values()) - set(there))
    if missing:
        raise BadDataError(
            f"{path.name}: no column {', '.join(missing)}; the file has: {', '.join(there)}"
        )
    lower = {name.lower(): name for name in there}
    wanted = {ours: columns.get(ours, lower.get(ours.lower())) for ours in known}
    return {ours: theirs for ours, theirs in wanted.items() if theirs is not None}


def _read(path: Path, layer: str, columns: list[str]) -> gpd.GeoDataFrame:
    frame = pyogrio.read_dataframe(
        path, layer=layer, columns=columns, force_2d=True, on_invalid="raise"
    )
    if not isinstance(frame, gpd.GeoDataFrame):
        raise BadDataError(f"{path.name}: the layer {layer!r} holds no geometry")
    return frame


def _system(path: Path, frame: gpd.GeoDataFrame, table: str, crs: str | None) -> CRS:
    if frame.crs is None and crs is None:
        raise BadDataError(
            f'{path.name}: names no coordinate system; add crs = "EPSG:..." to [{table}]'
        )
    try:
        return CRS.from_user_input(crs if frame.crs is None else frame.crs)
    except CRSError as error:
        raise BadDataError(
            f"[{table}] crs: {crs!r} is not a coordinate system; write EPSG:..."
        ) from error


def _clean(name: str, frame: gpd.GeoDataFrame, wanted: Mapping[str, str]) -> Layer:
    present = ~(frame.geometry.isna() | frame.geometry.is_empty)
    dropped = int((~present).sum())
    frame = frame[present].reset_index(drop=True)
    if frame.empty:
        raise BadDataError(f"{name}: no feature of the layer has a geometry")
    bounds = frame.geometry.bounds.to_numpy()
    finite = np.isfinite(bounds).all(axis=1) & (np.abs(bounds) < LARGEST_COORDINATE).all(axis=1)
    if not finite.all():
        row = int(np.nonzero(~finite)[0][0])
        raise BadDataError(
            f"{name}: feature {row + 1} has coordinates {bounds[row][:2].tolist()} that are not "
            "on the earth; correct them"
        )
    given = "id" in wanted
    frame["id"] = _texts(frame["id"]) if given else [str(n) for n in range(1, len(frame) + 1)]
    if given:
        _unique(name, frame["id"])
    frame, mended, reshaped = _mend(frame)
    return Layer(name, frame, dropped, mended, reshaped)


def _texts(values: pd.Series[Any]) -> list[str]:
    """Ids as the text that stands in the file; a whole number loses its `.0`."""

    def text(value: Any) -> str:
        if value is None or (isinstance(value, float) and np.isnan(value)):
            return ""
        if isinstance(value, float) and value.is_integer():
            return str(int(value))
        return str(value)

    return [text(value) for value in values.tolist()]


def _unique(name: str, ids: pd.Series[Any]) -> None:
    blank = [row + 1 for row, text in enumerate(ids) if not text.strip()]
    if blank:
        raise BadDataError(
            f"{name}: {len(blank)} features have no id, the first is feature {blank[0]}; "
            "fill the column, or leave the whole column out"
        )
    double = ids[ids.duplicated(keep=False)]
    if len(double):
        rows = [str(row + 1) for row in double.index[:6]]
        raise BadDataError(
            f"{name}: {double.nunique()} ids stand more than once, first {double.iloc[0]!r} "
            f"(features {', '.join(rows)}); make every id unique"
        )


def _mend(frame: gpd.GeoDataFrame) -> tuple[gpd.GeoDataFrame, tuple[str, ...], tuple[str, ...]]:
    """Invalid polygons made valid; ids of those mended and of those much changed."""
    shapes = frame.geometry.to_numpy()
    invalid = ~shapely.is_valid(shapes)
    if not invalid.any():
        return frame, (), ()
    dimension = shapely.get_dimensions(shapes)
    before = np.array([_unsigned_area(shape) for shape in shapes[invalid]])
    repaired = shapes.copy()
    repaired[invalid] = shapely.make_valid(shapes[invalid])
    for index in np.nonzero(invalid)[0]:
        repaired[index] = _of_dimension(repaired[index], int(dimension[index]))
    after = shapely.area(repaired[invalid])
    ids = frame["id"].to_numpy()[invalid]
    changed = np.abs(after - before) > AREA_CHANGE * np.maximum(before, 1e-300)
    frame = frame.set_geometry(gpd.GeoSeries(repaired, index=frame.index, crs=frame.crs))
    frame = frame[~frame.geometry.is_empty].reset_index(drop=True)
    return frame, tuple(map(str, ids)), tuple(map(str, ids[changed]))


def _unsigned_area(shape: Any) -> float:
    return float(abs(shapely.area(shape)))


def _of_dimension(shape: Any, dimension: int) -> Any:
    """Only the parts of a mended shape that have its dimension."""
    parts = shapely.get_parts(shapely.get_parts([shape]))
    return shapely.union_all(parts[shapely.get_dimensions(parts) == dimension])


def _inside(layer: Layer, bbox: tuple[float, float, float, float]) -> Layer:
    box = gpd.GeoSeries([shapely.box(*bbox)], crs=4326).segmentize(0.01).to_crs(layer.frame.crs)
    kept = layer.frame[layer.frame.intersects(box.iloc[0])].reset_index(drop=True)
    if kept.empty:
        raise BadDataError(
            f"{layer.name}: no feature lies in the study window {tuple(bbox)}; "
            "write west, south, east, north in degrees, or check the layer's crs"
        )
    return replace(layer, frame=kept)


def _unreadable(path: Path, error: Exception) -> BadDataError:
    reason = " ".join(str(error).split())[:160]
    return BadDataError(f"{path.name}: cannot be read ({reason}); export or download it again")
