"""Tables with a place in every row, from CSV and XLSX files."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import shapely

from noisemap.errors import BadDataError
from noisemap.readers.faults import read_each, told
from noisemap.readers.features import Columns, Found
from noisemap.readers.tables import DecimalCommaError, TextTable, plain_number, read_table
from noisemap.readers.workbooks import read_workbook

SUFFIXES = (".csv", ".tsv", ".txt", ".xlsx")
WGS84 = "EPSG:4326"
PLACES = {
    "lon": ("lon", "lng", "long", "longitude"),
    "lat": ("lat", "latitude"),
    "x": ("x", "easting", "x_coord", "point_x"),
    "y": ("y", "northing", "y_coord", "point_y"),
    "wkt": ("wkt", "geometry_wkt", "the_geom"),
}


def read_points(
    path: Path,
    asked: Columns,
    sheet: str | None,
    crs: str | None,
    encoding: str | None,
    decimal: str,
) -> Found:
    """Features of a table: lon and lat [deg], x and y, or shapes as well-known text.

    Parameters
    ----------
    path : Path
        CSV or XLSX file.
    asked : Columns
        Columns to read.
    sheet : str, optional
        Sheet of a workbook with several.
    crs : str, optional
        Coordinate system; needed unless the places are lon and lat.
    encoding, decimal : str
        How the text is written.

    Raises
    ------
    BadDataError
        When a place is missing, is not a number, or cannot be what its column says.
    """
    table = any_table(path, asked.table, sheet, encoding, decimal)
    header = list(table.header)
    wanted = asked.wanted(path.name, header, tuple(PLACES))
    place = _place_columns(path.name, asked, header)
    data: dict[str, Any] = {ours: list(table.text(theirs)) for ours, theirs in wanted.items()}
    data = {ours: [cell or None for cell in cells] for ours, cells in data.items()}
    if "wkt" in place:
        shapes: Any = _shapes(table, place["wkt"])
        system = None
    elif "lon" in place:
        shapes, system = _degrees(table, place["lon"], place["lat"], asked.table), WGS84
        if crs is not None and crs.strip().upper() != WGS84:
            raise BadDataError(
                f"{path.name}: places its rows by lon and lat, which are degrees; "
                f"leave crs out of [{asked.table}], or name the columns of x and y"
            )
    else:
        shapes = _points(table, place["x"], place["y"])
        system = None
    frame = gpd.GeoDataFrame(data, geometry=shapes, crs=system)
    said = [text.removeprefix(f"{path.name}: ") for text in table.said]
    return Found(path.stem, frame, wanted, [], said)


def any_table(
    path: Path, table: str, sheet: str | None, encoding: str | None, decimal: str
) -> TextTable:
    """Text table of a CSV or XLSX file."""
    suffix = path.suffix.lower()
    if suffix not in SUFFIXES:
        raise BadDataError(
            f"{path.name}: not a table this reads (allowed: {', '.join(SUFFIXES)}); save it as one"
        )
    if suffix == ".xlsx":
        if encoding is not None:
            raise BadDataError(f"{path.name}: a workbook needs no encoding; leave it out")
        return read_workbook(path, sheet=sheet, choose=f'add layer = "..." to [{table}]')
    return read_table(path, encoding=encoding, decimal=decimal)


def _place_columns(name: str, asked: Columns, header: list[str]) -> dict[str, str]:
    """The file's columns of the place: lon and lat, x and y, or wkt."""
    lower = {column.lower(): column for column in header}
    found = {ours: asked.given[ours] for ours in PLACES if ours in asked.given}
    for ours, words in PLACES.items():
        theirs = next((lower[word] for word in words if word in lower), None)
        if ours not in found and theirs is not None and theirs not in asked.given.values():
            found[ours] = theirs
    for pair in (("lon", "lat"), ("x", "y"), ("wkt",)):
        if all(ours in found for ours in pair):
            return {ours: found[ours] for ours in pair}
    raise BadDataError(
        f"{name}: no columns of places (lon and lat, x and y, or wkt); the file has: "
        f'{", ".join(header)}; name them: columns = {{ x = "...", y = "..." }} in '
        f"[{asked.table}]"
    )


def _numbers(table: TextTable, column: str) -> np.ndarray[Any, np.dtype[np.float64]]:
    """Numbers of a column of places; not a number where the cell is blank."""

    def number(item: tuple[int, str]) -> float:
        line, cell = item
        where = f"{table.name}:{line}: {column}"
        try:
            return plain_number(cell, table.decimal) if cell else np.nan
        except DecimalCommaError as error:
            raise BadDataError(
                f'{where}: {cell} has a decimal comma; add decimal = "," beside the file\'s name'
            ) from error
        except ValueError as error:
            raise BadDataError(f"{where}: {cell!r} is not a number; correct it") from error

    cells = list(zip(table.lines, table.text(column), strict=True))
    return np.array(read_each(cells, number, np.nan), np.float64)


def _points(table: TextTable, x_column: str, y_column: str) -> Any:
    """Points; none where a row has no place."""
    x, y = _numbers(table, x_column), _numbers(table, y_column)
    shapes = np.full(len(x), None, dtype=object)
    there = ~(np.isnan(x) | np.isnan(y))
    shapes[there] = shapely.points(x[there], y[there])
    return shapes


def _degrees(table: TextTable, lon_column: str, lat_column: str, name: str) -> Any:
    lon, lat = _numbers(table, lon_column), _numbers(table, lat_column)
    wrong = (np.abs(lon) > 180.0) | (np.abs(lat) > 90.0)
    if wrong.any():
        row = int(np.nonzero(wrong)[0][0])
        swapped = bool((np.abs(lat[wrong]) <= 180.0).all() and (np.abs(lon[wrong]) <= 90.0).all())
        hint = (
            "longitude and latitude look swapped: columns = "
            f'{{ lon = "{lat_column}", lat = "{lon_column}" }} in [{name}] swaps them back'
            if swapped
            else f"these are no degrees; call the columns x and y and add crs to [{name}]"
        )
        raise BadDataError(
            f"{table.name}:{table.lines[row]}: lon {lon[row]:g}, lat {lat[row]:g} is no place "
            f"on the earth; {hint}"
        )
    return _points(table, lon_column, lat_column)


def _shapes(table: TextTable, column: str) -> Any:
    shapes = np.full(len(table.rows), None, dtype=object)
    faults = []
    for row, (line, text) in enumerate(zip(table.lines, table.text(column), strict=True)):
        if not text:
            continue
        try:
            shapes[row] = shapely.force_2d(shapely.from_wkt(text))
        except shapely.errors.ShapelyError:
            faults.append(
                f"{table.name}:{line}: {column}: {text[:40]!r} is no well-known text of a shape"
            )
    if faults:
        raise told(faults)
    return shapes
