"""Features of the common vector formats, just as the formats' own libraries read them."""

from __future__ import annotations

import contextlib
import importlib
import warnings
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath
from typing import Any

import geopandas as gpd
import pyogrio
import shapely
from pyproj import CRS, Transformer

from noisemap.errors import BadDataError, MissingProgramError
from noisemap.readers import archives
from noisemap.readers.paths import plain_file, plain_folder
from noisemap.readers.tables import known_encoding

_BEGINNINGS = {
    ".gpkg": b"SQLite format 3",
    ".geojson": b"{",
    ".json": b"{",
    ".shp": b"\0\0\x27\x0a",
    ".fgb": b"fgb",
    ".kml": b"<",
    ".zip": b"PK",
    ".parquet": b"PAR1",
}
GEODATABASE = ".gdb"
GEODATABASE_MARK = "a00000001.gdbtable"
SUFFIXES = (*_BEGINNINGS, GEODATABASE)
UNTOLD = "ISO-8859-1"  # the library's guess for a shapefile that does not tell
LARGEST_KML_BYTES = 200_000_000
MISREAD = ("!", ";", "\n", "\r", "\t")  # the library parts names there, or leaves them out
FAULTS = (
    RuntimeError, ValueError, OverflowError, UnboundLocalError, shapely.errors.ShapelyError,
)  # fmt: skip
"""What the library raises over damaged files."""
READ_WHOLE = 100_000  # features up to which a layer is read whole, and every one checked
MOST_FEATURES = 2_000_000

Degrees = tuple[float, float, float, float]  # west, south, east, north


@dataclass(frozen=True)
class Columns:
    """Which columns are asked for, and by which table of the study."""

    table: str
    given: dict[str, str]  # our name -> the file's column
    known: tuple[str, ...]

    def wanted(self, name: str, there: list[str], also: tuple[str, ...] = ()) -> dict[str, str]:
        """Our name -> the file's column, for the columns to read.

        Raises
        ------
        BadDataError
            When a name is not ours, or a column is not the file's.
        """
        allowed = (*self.known, *also)
        strange = sorted(set(self.given) - set(allowed))
        if strange:
            raise BadDataError(
                f"[{self.table}] columns: {', '.join(strange)} is not a name this reads "
                f"(allowed: {', '.join(allowed)})"
            )
        missing = sorted(set(self.given.values()) - set(there))
        if missing:
            raise BadDataError(
                f"{name}: no column {', '.join(missing)}; the file has: {', '.join(there)}"
            )
        lower = {column.lower(): column for column in there}
        found = {ours: self.given.get(ours, lower.get(ours.lower())) for ours in self.known}
        return {ours: theirs for ours, theirs in found.items() if theirs is not None}


@dataclass
class Found:
    """A layer as its format's library gives it, with our column names."""

    layer: str
    frame: gpd.GeoDataFrame
    wanted: dict[str, str]
    notes: list[str] = field(default_factory=list)
    said: list[str] = field(default_factory=list)


def read_features(
    path: Path,
    asked: Columns,
    layer: str | None,
    encoding: str | None,
    bbox: Degrees | None = None,
) -> Found:
    """Features of a vector file with the columns asked for.

    Of a layer of over 100,000 features only those that touch the window in degrees are
    read; without a window over 2,000,000 are refused.

    Raises
    ------
    BadDataError
        When the file or layer cannot be read or has no geometry.
    MissingProgramError
        For GeoParquet without the library that reads it.
    """
    suffix = path.suffix.lower()
    if suffix == ".parquet":
        return _read_parquet(path, asked, encoding)
    name, layer = _opened(path, asked.table, layer)
    codec = None if encoding is None else known_encoding(encoding)
    notes: list[str] = []
    said: list[str] = []
    with _driver_notes(path, asked.table, notes):
        layer = layer or _only_layer(path, name, asked.table)
        info = pyogrio.read_info(name, layer=layer, encoding=codec, force_feature_count=True)
        if not info["features"]:
            raise holds_nothing(path.name, layer)
        wanted = asked.wanted(path.name, [str(column) for column in info["fields"]])
        box = _box_of(path, asked.table, info, bbox, said)
        frame = _read(name, layer, wanted, codec, box)
        if box is not None and frame.empty:
            whole = pyogrio.read_info(name, layer=layer, force_total_bounds=True)
            raise nothing_inside(path.name, CRS(info["crs"]), whole["total_bounds"], bbox)
        if codec is None and str(info["encoding"]) == UNTOLD:
            utf8 = _is_utf8(_foreign_texts(frame))
            if utf8:
                frame = _read(name, layer, wanted, "utf-8", box)
            if utf8 is not None:
                found = "UTF-8, as their bytes show" if utf8 else "Latin-1"
                said.append(
                    f"the file does not name the encoding of its texts, read as {found}; if names "
                    f"look wrong, set encoding in [{asked.table}]"
                )
    if not isinstance(frame, gpd.GeoDataFrame):
        raise BadDataError(
            f"{path.name}: the layer {layer!r} holds no geometry; name another layer, or export it "
            "with its shapes"
        )
    frame = frame.rename(columns={theirs: ours for ours, theirs in wanted.items()})
    return Found(layer, frame, wanted, notes, said)


def _box_of(
    path: Path, table: str, info: Mapping[str, Any], bbox: Degrees | None, said: list[str]
) -> Degrees | None:
    """Window in the layer's own coordinates, where the layer is too large to be read whole."""
    count = int(info["features"])
    if bbox is None and count > MOST_FEATURES:
        raise BadDataError(
            f"{path.name}: {count:,} features (allowed without a window: {MOST_FEATURES:,}); cut "
            f"the layer of [{table}] to the study area, or set window in [study]"
        )
    if bbox is None or count <= READ_WHOLE or not info["crs"]:
        return None
    said.append(f"of {count:,} features only those in the study window were read")
    mover = Transformer.from_crs(4326, CRS.from_user_input(info["crs"]), always_xy=True)
    west, south, east, north = mover.transform_bounds(*bbox)
    return west, south, east, north


def holds_nothing(name: str, layer: str) -> BadDataError:
    """Error of a layer without any feature."""
    return BadDataError(
        f"{name}: the layer {layer!r} holds no feature; export it again, or name another layer"
    )


def nothing_inside(
    name: str, crs: CRS, bounds: Sequence[float], bbox: Degrees | None
) -> BadDataError:
    """Error of a layer without any feature in the study window, with both extents."""
    assert bbox is not None
    mover = Transformer.from_crs(crs, 4326, always_xy=True)
    low_x, low_y, high_x, high_y = bounds
    west, south, east, north = mover.transform_bounds(low_x, low_y, high_x, high_y)
    swapped = shapely.box(south, west, north, east).intersects(shapely.box(*bbox))
    hint = (
        "the axes of one look swapped"
        if swapped
        else "write west, south, east, north in degrees, or check the layer's crs"
    )
    return BadDataError(
        f"{name}: no feature lies in the study window {tuple(bbox)}, the layer spans lon "
        f"{west:.4f}..{east:.4f}, lat {south:.4f}..{north:.4f}; {hint}"
    )


def _read(
    name: str | Path,
    layer: str,
    wanted: dict[str, str],
    codec: str | None,
    box: Degrees | None,
) -> gpd.GeoDataFrame:
    return pyogrio.read_dataframe(
        name,
        layer=layer,
        bbox=box,
        columns=list(wanted.values()),
        force_2d=True,
        on_invalid="raise",
        encoding=codec,
    )


def _foreign_texts(frame: gpd.GeoDataFrame) -> list[str]:
    """Texts with letters beyond ASCII."""
    cells = (cell for column in frame.columns for cell in frame[column].tolist())
    return [cell for cell in cells if isinstance(cell, str) and not cell.isascii()]


def _is_utf8(texts: list[str]) -> bool | None:
    """Whether texts read as Latin-1 are UTF-8; None where there is no text to tell by.

    >>> _is_utf8(["GrÃ¼n"]), _is_utf8(["Grün"]), _is_utf8([])
    (True, False, None)
    """
    if not texts:
        return None
    try:
        for text in texts:
            text.encode("latin-1").decode("utf-8")
    except UnicodeError:
        return False
    return True


def _opened(path: Path, table: str, layer: str | None) -> tuple[str | Path, str | None]:
    """What the library is asked to open, and the layer in it as far as it is known."""
    suffix = path.suffix.lower()
    _refuse_misread(path)
    if suffix == GEODATABASE:
        return plain_folder(path, GEODATABASE_MARK, "file geodatabase"), layer
    path = plain_file(path)
    with path.open("rb") as stream:
        _check_beginning(path.name, suffix, stream.read(64))
    if suffix == ".zip":
        return _in_archive(path, table, layer)
    if suffix == ".shp":
        beside = [other.name for other in path.parent.iterdir()]
        _check_parts(path.name, path.name, beside)
    if suffix == ".kml":
        _check_kml(path)
    return path, layer


def _refuse_misread(path: Path) -> None:
    """Nothing, when the library opens the file of this name, and not one of a part of it."""
    wrong = [sign for sign in MISREAD if sign in str(path.absolute())]
    if wrong:
        raise BadDataError(
            f"{str(path)!r}: the name of a vector file, and of its folders, cannot hold "
            f"{wrong[0]!r}: another file would be opened; rename it"
        )


def _check_beginning(name: str, suffix: str, start: bytes) -> None:
    """Nothing, when the file begins as its suffix says: no file of links is ever opened."""
    if not start.removeprefix(b"\xef\xbb\xbf").lstrip().startswith(_BEGINNINGS[suffix]):
        raise BadDataError(
            f"{name}: cannot be read, it does not begin like a {suffix} file; "
            "export or download it again"
        )


def _check_parts(name: str, shapefile: str, there: list[str]) -> None:
    """Nothing, when the parts without which a shapefile has no places or columns are there."""
    stem = shapefile[: -len(".shp")]
    lower = {other.lower() for other in there}
    missing = [f"{stem}{part}" for part in (".shx", ".dbf") if f"{stem}{part}".lower() not in lower]
    if missing:
        raise BadDataError(
            f"{name}: cannot be read without {', '.join(PurePosixPath(m).name for m in missing)}; "
            "copy all files of the shapefile (.shp, .shx, .dbf, .prj)"
        )


def _check_kml(path: Path) -> None:
    """Nothing, when the file is a KML document that names no other document."""
    if path.stat().st_size > LARGEST_KML_BYTES:
        raise BadDataError(f"{path.name}: larger than {LARGEST_KML_BYTES:,} bytes; split it")
    content = path.read_bytes()
    if b"<kml" not in content[:4096]:
        raise BadDataError(
            f"{path.name}: cannot be read, it does not begin like a .kml file; export it again"
        )
    for word in (b"<!DOCTYPE", b"<!ENTITY", b"NetworkLink"):
        if word in content:
            raise BadDataError(
                f"{path.name}: holds {word.decode()}; only a document that stands alone is read, "
                "export it again"
            )


def _in_archive(path: Path, table: str, layer: str | None) -> tuple[str, str | None]:
    """Shapefile or geodatabase in a zip archive, and the layer of the latter."""
    names = archives.members(path)
    archives.require_whole(path)
    folders = sorted(
        {name[: -len(GEODATABASE_MARK) - 1] for name in names if name.endswith(GEODATABASE_MARK)}
    )
    if len(folders) == 1 and folders[0].lower().endswith(GEODATABASE):
        return archives.inside(path, folders[0]), layer
    shapes = [name for name in names if name.lower().endswith(".shp")]
    chosen = archives.one_of(path, shapes, layer, table, "shapefile or geodatabase")
    _check_beginning(f"{path.name}: {chosen}", ".shp", archives.beginning(path, chosen, 64))
    _check_parts(path.name, chosen, list(names))
    return archives.inside(path, chosen), None


@contextlib.contextmanager
def _driver_notes(path: Path, table: str, notes: list[str]) -> Iterator[None]:
    """Collect the driver's complaints; turn its errors into our sentence."""
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        try:
            yield
        except UnicodeDecodeError as error:
            raise BadDataError(
                f"{path.name}: its texts are not {error.encoding.upper()}; name their encoding, "
                f'e.g. encoding = "latin-1" in [{table}]'
            ) from error
        except FAULTS as error:
            raise _unreadable(path, error) from error
    notes.extend(dict.fromkeys(" ".join(str(note.message).split())[:200] for note in caught))


def _only_layer(path: Path, name: str | Path, table: str) -> str:
    rows = [(str(row[0]), row[1]) for row in pyogrio.list_layers(name)]
    names = [layer for layer, _ in rows]
    shaped = [layer for layer, geometry in rows if geometry is not None]
    if not names:
        raise BadDataError(f"{path.name}: holds no layer; export it again")
    if len(shaped) == 1:
        return shaped[0]
    if len(names) > 1:
        raise BadDataError(
            f"{path.name}: holds {len(names)} layers ({', '.join(names[:8])}); "
            f'add layer = "..." to [{table}]'
        )
    return names[0]


def _read_parquet(path: Path, asked: Columns, encoding: str | None) -> Found:
    path = plain_file(path)
    with path.open("rb") as stream:
        _check_beginning(path.name, ".parquet", stream.read(64))
    if encoding is not None:
        raise BadDataError(f"{path.name}: its texts are UTF-8 always; leave encoding out")
    try:
        importlib.import_module("pyarrow")
        parquet = importlib.import_module("pyarrow.parquet")
    except ImportError as error:
        raise MissingProgramError(
            f"{path.name}: GeoParquet is read with pyarrow, which is not installed; "
            "install noisemap[parquet], or export the layer as GeoPackage"
        ) from error
    try:
        rows = int(parquet.ParquetFile(path).metadata.num_rows)
        if rows > MOST_FEATURES:
            raise BadDataError(
                f"{path.name}: {rows:,} features (allowed: {MOST_FEATURES:,}); cut it to the study "
                "area"
            )
        frame = gpd.read_parquet(path)
    except (ValueError, OSError, TypeError, KeyError) as error:
        raise _unreadable(path, error) from error
    shapes = frame.geometry.name
    wanted = asked.wanted(path.name, [str(name) for name in frame.columns if name != shapes])
    frame = frame[[*wanted.values(), shapes]].rename(
        columns={theirs: ours for ours, theirs in wanted.items()}
    )
    if shapes != "geometry":
        frame = frame.rename_geometry("geometry")
    frame["geometry"] = shapely.force_2d(frame.geometry.to_numpy())
    return Found(path.stem, frame, wanted)


def _unreadable(path: Path, error: Exception) -> BadDataError:
    reason = " ".join(str(error).split())[:160]
    return BadDataError(f"{path.name}: cannot be read ({reason}); export or download it again")
