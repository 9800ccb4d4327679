"""Elevation files in, heights on their own lattice out."""

from __future__ import annotations

import math
import re
import warnings
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import replace
from pathlib import Path

import numpy as np
import rasterio
from affine import Affine
from PIL import Image
from pyproj import CRS
from pyproj.exceptions import CRSError
from rasterio.enums import Resampling
from rasterio.errors import NotGeoreferencedWarning, RasterioError
from rasterio.io import MemoryFile
from rasterio.windows import Window

from noisemap.errors import BadDataError
from noisemap.readers.lattices import Bounds, FloatArray, Heights, Lattice
from noisemap.readers.packed_tiles import HGT_NAME, packed_tile
from noisemap.readers.paths import plain_file
from noisemap.units import FOOT_M, US_SURVEY_FOOT_M

LOWEST_M, HIGHEST_M = -500.0, 9000.0
PIXEL_CAP = 25_000_000
LARGEST_BLOCK_BYTES = 500_000_000  # of a file's own blocks, which are unpacked whole
LARGEST_TILE = 8_192
TILE_FORMATS = ("PNG", "WEBP")
EARTH_RADIUS_M = 6378137.0
LARGEST_COORDINATE = 1e8
VERTICAL_UNITS = {"m": 1.0, "ft": FOOT_M, "us-ft": US_SURVEY_FOOT_M}

_DRIVERS = {".tif": "GTiff", ".tiff": "GTiff", ".hgt": "SRTMHGT", ".asc": "AAIGrid"}
_UNIT_WORDS = {
    **dict.fromkeys(("m", "metre", "meter", "metres", "meters"), "m"),
    **dict.fromkeys(("ft", "foot", "feet", "international foot"), "ft"),
    **dict.fromkeys(("us-ft", "us survey foot", "ussurveyfoot", "foot_us", "ftus"), "us-ft"),
}
_TILE_NAME = re.compile(r"^(\d{1,2})_(\d+)_(\d+)$")


def lattice_of(path: Path, crs: str | None = None) -> Lattice:
    """Lattice of an elevation file: GeoTIFF, HGT, ASCII grid or a web-mercator tile.

    Parameters
    ----------
    path : Path
        The file; `.tif`, `.tiff`, `.hgt` (also in a `.zip`), `.asc`, or
        `zoom_x_y.png` / `.webp`.
    crs : str, optional
        Coordinate system of a file that names none.

    Raises
    ------
    BadDataError
        When the file cannot be read, or has no coordinate system or no position.
    """
    path = plain_file(path)
    suffix = path.suffix.lower()
    if suffix in (".webp", ".png"):
        return _tile_lattice(path)
    if suffix == ".hgt" and not HGT_NAME.match(path.stem):
        raise BadDataError(
            f"{path.name}: the name of an HGT tile says where it lies; call it like N42E001.hgt"
        )
    if suffix == ".asc":
        _check_ascii(path)
    if suffix not in (*_DRIVERS, ".zip"):
        raise BadDataError(
            f"{path.name}: not an elevation file this reads "
            f"(allowed: {', '.join(_DRIVERS)}, .hgt.zip, zoom_x_y.webp, zoom_x_y.png)"
        )
    return _raster_lattice(path, crs)


def _check_ascii(path: Path) -> None:
    """Nothing, when an ASCII grid begins like one and has points in its numbers."""
    with path.open("rb") as stream:
        head = stream.read(4096).decode("latin-1")
    lines = [line.split() for line in head.splitlines()]
    if not lines or not lines[0] or lines[0][0].lower() != "ncols":
        raise BadDataError(
            f"{path.name}: cannot be read, it does not begin like an ASCII grid (ncols); "
            "export it again, best as GeoTIFF"
        )
    if any("," in word for line in lines for word in line):
        raise BadDataError(
            f"{path.name}: its numbers have decimal commas; export it with points, best as GeoTIFF"
        )


def _raster_lattice(path: Path, crs: str | None) -> Lattice:
    with _open(path) as source:
        try:
            transform: Affine = source.transform
            own = source.crs.to_wkt() if source.crs is not None else None
            stated = source.units[0] if source.count == 1 else None
        except (RasterioError, ValueError) as error:
            raise _unreadable(path, error) from error
        columns, rows = source.width, source.height
        _check_band(path, source)
    if transform.is_identity:
        raise BadDataError(f"{path.name}: holds no position; export it again as GeoTIFF")
    if abs(transform.b) > 1e-12 or abs(transform.d) > 1e-12 or transform.a <= 0.0:
        raise BadDataError(f"{path.name}: the grid is turned; warp it to a north-up grid")
    far = transform.c + transform.a * columns, transform.f + transform.e * rows
    corners = (transform.c, transform.f, *far)
    if not all(abs(value) < LARGEST_COORDINATE for value in corners) or transform.e == 0.0:
        raise BadDataError(
            f"{path.name}: its place is none on the earth (x {corners[0]:.6g}..{corners[2]:.6g}, "
            f"y {corners[3]:.6g}..{corners[1]:.6g}); export it again"
        )
    system = _system(path, own, crs)
    x0, y0 = transform.c + transform.a / 2.0, transform.f + transform.e / 2.0
    middle = y0 + transform.e * (rows - 1) / 2.0
    return Lattice(
        path, system, x0, y0, transform.a, transform.e, columns, rows,
        _ground_step(system, transform.a, transform.e, middle), _vertical_unit(system, stated),
    )  # fmt: skip


def _check_band(path: Path, source: rasterio.DatasetReader) -> None:
    """Nothing, when the file is one band of plain numbers that can be read in parts."""
    if source.count != 1:
        raise BadDataError(
            f"{path.name}: {source.count} bands; an elevation file has one: "
            "export the heights alone"
        )
    kind = np.dtype(source.dtypes[0])
    if kind.kind not in "iuf":
        raise BadDataError(f"{path.name}: its cells are no plain numbers; export it as float32")
    height, width = source.block_shapes[0]
    if height * width * kind.itemsize > LARGEST_BLOCK_BYTES:
        raise BadDataError(
            f"{path.name}: kept in blocks of {width:,} x {height:,} cells, too large to unpack; "
            "export it as a tiled GeoTIFF"
        )


def _system(path: Path, own: str | None, crs: str | None) -> CRS:
    """Coordinate system of a file, or the one that the study gives to it."""
    if own is None and crs is None:
        raise BadDataError(
            f'{path.name}: names no coordinate system; add crs = "EPSG:..." to [terrain]'
        )
    try:
        system = CRS.from_wkt(own) if own is not None else CRS.from_user_input(crs)
    except CRSError as error:
        what = "its own" if own is not None else repr(crs)
        raise BadDataError(
            f"{path.name}: {what} is not a coordinate system; write EPSG:... as crs of [terrain]"
        ) from error
    if not (system.is_geographic or system.is_projected):
        raise BadDataError(
            f"{path.name}: {system.name} is no coordinate system of the earth's surface; "
            "warp the file to one"
        )
    return system


def _vertical_unit(system: CRS, stated: str | None) -> str:
    """Unit of the heights by the band or by the vertical axis, blank where neither tells."""
    axes = [axis.unit_name for axis in system.axis_info if axis.direction in ("up", "down")]
    word = (stated or (axes[0] if axes else "")).strip().lower()
    return _UNIT_WORDS.get(word, "")


def _ground_step(system: CRS, dx: float, dy: float, latitude: float) -> float:
    """Larger of the two steps of a lattice on the ground [m]."""
    unit = float(system.axis_info[0].unit_conversion_factor)
    if system.is_geographic:  # the unit is the radian
        return EARTH_RADIUS_M * unit * max(abs(dx) * math.cos(latitude * unit), abs(dy))
    return unit * max(abs(dx), abs(dy))


def _tile_lattice(path: Path) -> Lattice:
    match = _TILE_NAME.match(path.stem)
    if match is None:
        raise BadDataError(
            f"{path.name}: the name of a terrain tile says where it lies; "
            "call it zoom_x_y, for example 12_2145_1410.webp"
        )
    zoom, column, row = (int(part) for part in match.groups())
    if zoom > 22 or max(column, row) >= 2**zoom:
        raise BadDataError(f"{path.name}: no such tile at zoom {zoom}")
    try:
        # the formats are named: others would start programs of their own
        with Image.open(path, formats=TILE_FORMATS) as image:
            width, height = image.size
    except Exception as error:  # pictures fail in a dozen ways
        raise _unreadable(path, error) from error
    if width != height or not 2 <= width <= LARGEST_TILE:
        raise BadDataError(
            f"{path.name}: {width} x {height} pixels; a terrain tile is square, of 2 to "
            f"{LARGEST_TILE:,} pixels; download it again"
        )
    half = math.pi * EARTH_RADIUS_M
    step = 2.0 * half / 2**zoom / width
    x0 = -half + column * step * width + step / 2.0
    y0 = half - row * step * width - step / 2.0
    latitude = 2.0 * math.atan(math.exp((y0 - step * width / 2) / EARTH_RADIUS_M)) - math.pi / 2
    return Lattice(
        path, CRS.from_epsg(3857), x0, y0, step, -step, width, width, step * math.cos(latitude)
    )


def read_heights(
    lattices: Sequence[Lattice],
    windows: Sequence[Bounds],
    *,
    nodata: float | None = None,
    vertical_unit: str | None = "m",
    finest_cell: float = 0.0,
) -> tuple[Heights, ...]:
    """Heights inside a window, tiles of one lattice joined into one.

    Parameters
    ----------
    lattices : sequence of Lattice
        The files; where two overlap, the first that holds a height counts.
    windows : sequence of tuple
        West, south, east, north per file, in that file's own coordinates.
    nodata : float, optional
        Value that marks a pixel without height, beside the one the file names.
    vertical_unit : str, optional
        "m", "ft" or "us-ft"; None takes what each file says, else metres.
    finest_cell : float
        Finer files are averaged to about this spacing [m] while they are read.

    Raises
    ------
    BadDataError
        When a file cannot be read, a height lies outside -500..9000 m, or the
        window holds more pixels than the cap.
    """
    if vertical_unit is not None and vertical_unit not in VERTICAL_UNITS:
        raise BadDataError(
            f"terrain.vertical_unit: {vertical_unit!r} is not allowed "
            f"(allowed: {', '.join(VERTICAL_UNITS)})"
        )
    for grid in lattices:
        if vertical_unit is not None and grid.vertical_unit not in ("", vertical_unit):
            raise BadDataError(
                f"{grid.path.name}: says its heights are in {grid.vertical_unit}, the study says "
                f'{vertical_unit}; write vertical_unit = "{grid.vertical_unit}" in [terrain]'
            )
    pieces: list[Heights] = []
    for grid, window in zip(lattices, windows, strict=True):
        unit = VERTICAL_UNITS[vertical_unit or grid.vertical_unit or "m"]
        piece = _read_window(grid, window, nodata, unit, finest_cell)
        if piece is not None:
            pieces.append(piece)
    return _join(pieces)


def cells_lattice(path: Path, crs: str | None = None) -> Lattice:
    """Lattice of a raster that is no elevation.

    Raises
    ------
    BadDataError
        When the file cannot be read or has no position.
    """
    path = plain_file(path)
    if path.suffix.lower() == ".asc":
        _check_ascii(path)
    return _raster_lattice(path, crs)


def read_cells(grid: Lattice, bounds: Bounds) -> tuple[Lattice, FloatArray]:
    """Values of a raster inside a window, and their lattice; NaN where it holds none.

    Parameters
    ----------
    grid : Lattice
        The whole file.
    bounds : tuple
        West, south, east, north in the file's own coordinates.

    Raises
    ------
    BadDataError
        When the window lies beside the file or holds too many cells.
    """
    row, column, rows, columns = _cells_in(grid, bounds)
    if rows <= 0 or columns <= 0:
        raise BadDataError(
            f"{grid.path.name}: lies beside the homes; check its coordinate system and its place"
        )
    if columns * rows > PIXEL_CAP:
        raise BadDataError(
            f"{grid.path.name}: {columns * rows:,} cells around the homes (allowed: "
            f"{PIXEL_CAP:,}); set a smaller window in [study]"
        )
    part = replace(
        grid, x0=grid.x0 + column * grid.dx, y0=grid.y0 + row * grid.dy, columns=columns, rows=rows
    )
    return part, _raster_values(grid, row, column, rows, columns, 1, None)


def _cells_in(grid: Lattice, bounds: Bounds) -> tuple[int, int, int, int]:
    """First row and column of the pixels around a window, and how many of each."""
    first_column = max(0, math.floor((bounds[0] - grid.x0) / grid.dx) - 1)
    last_column = min(grid.columns - 1, math.ceil((bounds[2] - grid.x0) / grid.dx) + 1)
    north, south = (bounds[3], bounds[1]) if grid.dy < 0.0 else (bounds[1], bounds[3])
    first_row = max(0, math.floor((north - grid.y0) / grid.dy) - 1)
    last_row = min(grid.rows - 1, math.ceil((south - grid.y0) / grid.dy) + 1)
    return first_row, first_column, last_row - first_row + 1, last_column - first_column + 1


def _read_window(
    grid: Lattice, bounds: Bounds, nodata: float | None, unit: float, finest_cell: float
) -> Heights | None:
    first_row, first_column, rows, columns = _cells_in(grid, bounds)
    if columns <= 1 or rows <= 1:
        return None
    step = max(1, math.floor(finest_cell / grid.native_cell + 1e-9))
    columns, rows = max(1, columns // step) * step, max(1, rows // step) * step
    if columns * rows > PIXEL_CAP * step * step:
        raise BadDataError(
            f"{grid.path.name}: the study window holds {columns * rows:,} pixels "
            f"(allowed: {PIXEL_CAP:,}); set a smaller window in [study]"
        )
    if grid.path.suffix.lower() in (".webp", ".png"):
        values = _decode_tile(grid.path)[
            first_row : first_row + rows, first_column : first_column + columns
        ]
        step = 1 if step == 1 else _block_step(values, step)
        values = _block_mean(values, step)
    else:
        values = _raster_values(grid, first_row, first_column, rows, columns, step, nodata)
    values = values * unit
    lattice = Lattice(
        grid.path,
        grid.crs,
        grid.x0 + (first_column + (step - 1) / 2.0) * grid.dx,
        grid.y0 + (first_row + (step - 1) / 2.0) * grid.dy,
        grid.dx * step,
        grid.dy * step,
        values.shape[1],
        values.shape[0],
        grid.native_cell,
    )
    _check_range(lattice, values)
    return Heights(lattice, values)


def _block_step(values: FloatArray, step: int) -> int:
    return int(min(step, values.shape[0], values.shape[1]))


def _block_mean(values: FloatArray, step: int) -> FloatArray:
    if step == 1:
        return values
    rows, columns = values.shape[0] // step, values.shape[1] // step
    blocks = values[: rows * step, : columns * step].reshape(rows, step, columns, step)
    return np.asarray(blocks.mean(axis=(1, 3)))


def _raster_values(
    grid: Lattice, row: int, column: int, rows: int, columns: int, step: int, nodata: float | None
) -> FloatArray:
    with _open(grid.path) as source:
        try:
            block = source.read(
                1,
                window=Window(column, row, columns, rows),
                out_shape=(rows // step, columns // step),
                resampling=Resampling.average if step > 1 else Resampling.nearest,
                masked=True,
            )
        except (RasterioError, ValueError) as error:
            raise _unreadable(grid.path, error) from error
        scale, offset = source.scales[0], source.offsets[0]
    values = np.ma.filled(block.astype(np.float64), np.nan)
    if nodata is not None:
        values[values == nodata] = np.nan
    values[~np.isfinite(values)] = np.nan
    return np.asarray(values * scale + offset)


def _decode_tile(path: Path) -> FloatArray:
    """Heights of a terrain-RGB tile [m]: R * 256 + G + B / 256 - 32768."""
    try:
        with Image.open(path, formats=TILE_FORMATS) as image:
            red, green, blue = np.moveaxis(np.asarray(image.convert("RGB"), np.float64), 2, 0)
    except Exception as error:  # pictures fail in a dozen ways
        raise _unreadable(path, error) from error
    return np.asarray(red * 256.0 + green + blue / 256.0 - 32768.0)


def _check_range(grid: Lattice, values: FloatArray) -> None:
    wrong = np.isfinite(values) & ((values < LOWEST_M) | (values > HIGHEST_M))
    if not wrong.any():
        return
    row, column = (int(index[0]) for index in np.nonzero(wrong))
    raise BadDataError(
        f"{grid.path.name}: {int(wrong.sum()):,} heights lie outside "
        f"{LOWEST_M:.0f}..{HIGHEST_M:.0f} m, the first {values[row, column]:.6g} m at "
        f"x {grid.x0 + column * grid.dx:.6f}, y {grid.y0 + row * grid.dy:.6f}; "
        "check vertical_unit and nodata in [terrain], or download the file again"
    )


def _join(pieces: Sequence[Heights]) -> tuple[Heights, ...]:
    """Pieces of one lattice pasted together; others stay apart, in order."""
    joined: list[Heights] = []
    for piece in pieces:
        for index, other in enumerate(joined):
            if _same_lattice(piece.lattice, other.lattice):
                pasted = _paste(other, piece)
                if pasted is not None:
                    joined[index] = pasted
                    break
        else:
            joined.append(piece)
    return tuple(joined)


def _same_lattice(a: Lattice, b: Lattice) -> bool:
    if a.crs != b.crs or abs(a.dx - b.dx) > 1e-9 * a.dx or abs(a.dy - b.dy) > 1e-9 * abs(a.dy):
        return False
    shift_x, shift_y = (a.x0 - b.x0) / a.dx, (a.y0 - b.y0) / a.dy
    return abs(shift_x - round(shift_x)) < 1e-3 and abs(shift_y - round(shift_y)) < 1e-3


def _paste(base: Heights, piece: Heights) -> Heights | None:
    a, b = base.lattice, piece.lattice
    shift_c, shift_r = round((b.x0 - a.x0) / a.dx), round((b.y0 - a.y0) / a.dy)
    left, top = min(0, shift_c), min(0, shift_r)
    columns = max(a.columns, shift_c + b.columns) - left
    rows = max(a.rows, shift_r + b.rows) - top
    if columns * rows > 2 * (a.columns * a.rows + b.columns * b.rows) or (
        columns * rows > PIXEL_CAP
    ):
        return None
    values = np.full((rows, columns), np.nan)
    values[shift_r - top : shift_r - top + b.rows, shift_c - left : shift_c - left + b.columns] = (
        piece.height
    )
    place = values[-top : -top + a.rows, -left : -left + a.columns]
    place[...] = np.where(np.isfinite(base.height), base.height, place)
    lattice = Lattice(
        a.path, a.crs, a.x0 + left * a.dx, a.y0 + top * a.dy, a.dx, a.dy, columns, rows,
        max(a.native_cell, b.native_cell),
    )  # fmt: skip
    return Heights(lattice, values)


@contextmanager
def _open(path: Path) -> Iterator[rasterio.DatasetReader]:
    with ExitStack() as opened:
        try:
            opened.enter_context(warnings.catch_warnings())
            warnings.simplefilter("ignore", NotGeoreferencedWarning)
            # the driver is named: no other format, and no file of links, is ever opened
            if path.suffix.lower() == ".zip":
                name, content = packed_tile(path)
                memory = opened.enter_context(MemoryFile(content, filename=name))
                source = opened.enter_context(memory.open(driver=_DRIVERS[".hgt"]))
            else:
                driver = _DRIVERS[path.suffix.lower()]
                source = opened.enter_context(rasterio.open(path, driver=driver))
        except (RasterioError, ValueError) as error:
            raise _unreadable(path, error) from error
        yield source


def _unreadable(path: Path, error: Exception) -> BadDataError:
    reason = " ".join(str(error).split())[:160]
    return BadDataError(
        f"{path.name}: cannot be read as elevation ({reason}); download or export it again"
    )
