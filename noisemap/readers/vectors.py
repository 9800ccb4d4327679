"""Vector files in, clean tables of features out, with every repair counted."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from pyproj import CRS
from pyproj.exceptions import CRSError

from noisemap.errors import BadDataError
from noisemap.readers import coordinates, features
from noisemap.readers.features import Columns
from noisemap.readers.paths import local_path
from noisemap.readers.tables import plain_number

SUFFIXES = (*features.SUFFIXES, *coordinates.SUFFIXES)
LARGEST_COORDINATE = 1e8
AREA_CHANGE = 0.01
NEAR_DEGREES = (180.0, 90.0)


@dataclass(frozen=True)
class Layer:
    """Features of one layer, and what was repaired while reading."""

    name: str  # file name, for messages
    frame: gpd.GeoDataFrame  # columns as asked, text kept as text; geometry simple parts
    dropped: int = 0  # features without geometry
    mended: tuple[str, ...] = field(default=())  # ids of features made valid
    reshaped: tuple[str, ...] = field(default=())  # those whose area changed over 1 %
    notes: tuple[str, ...] = field(default=())  # what the format's driver complained about
    said: tuple[str, ...] = field(default=())  # what was found out about the file


def read_layer(
    path: Path,
    *,
    table: str,
    layer: str | None = None,
    crs: str | None = None,
    columns: Mapping[str, str] | None = None,
    known: tuple[str, ...] = (),
    numbers: tuple[str, ...] = (),
    bbox: tuple[float, float, float, float] | None = None,
    encoding: str | None = None,
    decimal: str = ".",
) -> Layer:
    """Features of a vector file with the columns that are known by name.

    Parameters
    ----------
    path : Path
        GeoPackage, GeoJSON, shapefile (also zipped), FlatGeobuf, GeoParquet, KML, file
        geodatabase, or a CSV or XLSX table with coordinates.
    table : str
        Table of the study file that names the file, for messages.
    layer : str, optional
        Layer of a file with several; of a workbook, its sheet.
    crs : str, optional
        Coordinate system of a layer that names none.
    columns : mapping, optional
        Our name -> the file's column; names that are absent stand for themselves.
    known : tuple of str
        Our names; other columns are not read.
    numbers : tuple of str
        Those of them that hold numbers, for decimal commas.
    bbox : tuple, optional
        West, south, east, north in degrees: only features that touch it.
    encoding : str, optional
        Encoding of the texts, where the file does not tell.
    decimal : str
        "." or ",": what parts a number from its fraction in columns of text.

    Raises
    ------
    BadDataError
        When the file or layer cannot be read, is empty, names no coordinate system,
        has coordinates that are not finite, or holds an id twice.
    MissingProgramError
        For GeoParquet without the library that reads it.
    """
    suffix = local_path(path).suffix.lower()
    if suffix not in SUFFIXES:
        raise BadDataError(
            f"{path.name}: not a vector file this reads (allowed: {', '.join(SUFFIXES)})"
        )
    asked = Columns(table, dict(columns or {}), known)
    if suffix in coordinates.SUFFIXES:
        found = coordinates.read_points(path, asked, layer, crs, encoding, decimal)
    else:
        found = features.read_features(path, asked, layer, encoding, bbox)
    frame = found.frame
    if frame.empty:
        raise features.holds_nothing(path.name, found.layer)
    system = _system(path, frame, table, crs)
    if frame.crs is None:
        frame = frame.set_crs(system)
    if decimal == ",":
        frame = _with_points(path.name, frame, numbers)
    result = replace(
        _clean(path.name, frame, asked.given), notes=tuple(found.notes), said=tuple(found.said)
    )
    _check_size(path.name, result.frame, table)
    if bbox is not None:
        result = _inside(result, bbox)
    return result


def _with_points(name: str, frame: gpd.GeoDataFrame, numbers: tuple[str, ...]) -> gpd.GeoDataFrame:
    """The frame with decimal commas of its number columns read as points."""
    frame = frame.copy()
    for column in (text for text in numbers if text in frame.columns):
        cells: list[Any] = []
        for row, cell in enumerate(frame[column].tolist(), start=1):
            try:
                number = isinstance(cell, str) and cell.strip()
                cells.append(str(plain_number(cell.strip(), ",")) if number else cell)
            except ValueError as error:
                raise BadDataError(
                    f"{name}: feature {row}: {column}: {cell!r} is not a number with a decimal "
                    'comma; correct it, or leave decimal = "," out'
                ) from error
        frame[column] = pd.Series(cells, index=frame.index, dtype=object)
    return frame


def _system(path: Path, frame: gpd.GeoDataFrame, table: str, crs: str | None) -> CRS:
    if frame.crs is None and crs is None:
        west, south, east, north = frame.total_bounds
        degrees = max(-west, east) <= NEAR_DEGREES[0] and max(-south, north) <= NEAR_DEGREES[1]
        proposed = "EPSG:4326" if degrees else "EPSG:..."
        hint = " (its coordinates look like degrees)" if degrees else ""
        raise BadDataError(
            f'{path.name}: names no coordinate system; add crs = "{proposed}" to [{table}]{hint}'
        )
    try:
        return CRS.from_user_input(crs if frame.crs is None else frame.crs)
    except CRSError as error:
        raise BadDataError(
            f"[{table}] crs: {crs!r} is not a coordinate system; write EPSG:..."
        ) from error


def _check_size(name: str, frame: gpd.GeoDataFrame, table: str) -> None:
    """Nothing, when the coordinates can be of the system that the layer claims."""
    west, south, east, north = frame.total_bounds
    largest_x, largest_y = max(-west, east), max(-south, north)
    system = CRS.from_user_input(frame.crs)
    shown = f"{system.name}, x {west:.6g}..{east:.6g}, y {south:.6g}..{north:.6g}"
    if system.is_geographic and largest_y > NEAR_DEGREES[1] and largest_x <= NEAR_DEGREES[1]:
        raise BadDataError(
            f"{name}: its axes are swapped, the second is no latitude ({shown}); "
            "export it with longitude first"
        )
    if system.is_geographic and (largest_x > 360.0 or largest_y > NEAR_DEGREES[1]):
        raise BadDataError(
            f"{name}: claims degrees, its coordinates are none ({shown}); export it again with "
            f"its own coordinate system, or write it as crs in [{table}] where the file names none"
        )
    if system.is_projected and largest_x <= NEAR_DEGREES[0] and largest_y <= NEAR_DEGREES[1]:
        raise BadDataError(
            f"{name}: its coordinates look like degrees, its system is not in degrees ({shown}); "
            'correct the system, it may be "EPSG:4326"'
        )


def _clean(name: str, frame: gpd.GeoDataFrame, asked_for: Mapping[str, str]) -> Layer:
    present = ~(frame.geometry.isna() | frame.geometry.is_empty)
    dropped = int((~present).sum())
    frame = frame[present].reset_index(drop=True)
    if frame.empty:
        raise _without_shapes(name)
    corners, owner = shapely.get_coordinates(frame.geometry.to_numpy(), return_index=True)
    wrong = ~(np.abs(corners) < LARGEST_COORDINATE).all(axis=1)  # not a number is wrong too
    if wrong.any():
        first = int(np.argmax(wrong))
        raise BadDataError(
            f"{name}: feature {owner[first] + 1} has coordinates {corners[first].tolist()} that "
            "are not on the earth; correct them"
        )
    ids = _texts(frame["id"]) if "id" in frame.columns else []
    if any(text.strip() for text in ids) or "id" in asked_for:
        frame["id"] = ids
        _unique(name, frame["id"])
    else:
        frame["id"] = [str(number) for number in range(1, len(frame) + 1)]
    frame, mended, reshaped = _mend(frame)
    if frame.empty:
        raise _without_shapes(name)
    return Layer(name, frame, dropped, mended, reshaped)


def _without_shapes(name: str) -> BadDataError:
    return BadDataError(
        f"{name}: no feature of the layer has a geometry; export it again with its shapes"
    )


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
            "fill the column, or leave id out of columns: features are numbered then"
        )
    double = ids[ids.duplicated(keep=False)]
    if len(double):
        rows = [str(row + 1) for row in double.index[:6]]
        raise BadDataError(
            f"{name}: {double.nunique()} ids stand more than once, first {double.iloc[0]!r} "
            f"(features {', '.join(rows)}); make every id unique, or leave id out of columns: "
            "features are numbered then"
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
        raise features.nothing_inside(
            layer.name, CRS(layer.frame.crs), layer.frame.total_bounds, bbox
        )
    return replace(layer, frame=kept)
