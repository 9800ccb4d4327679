"""GeoPackage of a study: homes, stretches, zones, louder homes, areas, repairs as named layers."""

from __future__ import annotations

import tempfile
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

from noisemap.errors import CannotWriteError
from noisemap.exposure.results import Findings, LevelArea
from noisemap.outputs.community_tables import louder_homes, louder_table
from noisemap.outputs.geometry import road_piece, zone_road
from noisemap.outputs.tables import (
    Table,
    homes_table,
    repairs_table,
    stretches_table,
    zones_table,
)
from noisemap.outputs.wording import plain
from noisemap.scene.model import Scene


def geopackage_bytes(scene: Scene, findings: Findings, created: datetime) -> bytes:
    """GeoPackage with the study's layers in its own coordinate system.

    Raises
    ------
    CannotWriteError
        The layers could not be put together, for lack of space on the disk.
    """
    import pyogrio
    import shapely

    homes, stretches = scene.homes, scene.stretches
    layers: dict[str, tuple[Table, list[Any]]] = {
        "homes": (
            homes_table(scene, findings),
            [shapely.Point(x, y) for x, y in zip(homes.x, homes.y, strict=True)],
        ),
        "stretches": (
            stretches_table(scene, findings),
            [shapely.LineString(ends.reshape(2, 2)) for ends in stretches.ends],
        ),
        "zones": (
            zones_table(findings),
            [
                shapely.LineString(
                    road_piece(zone_road(scene, item.zone), item.zone.from_m, item.zone.to_m)
                )
                for item in findings.zones
            ],
        ),
        "louder_homes": (
            louder_table(scene, findings),
            [shapely.Point(homes.x[one.home], homes.y[one.home]) for one in louder_homes(findings)],
        ),
        "areas": (areas_table(findings), [_polygons(area) for area in findings.areas]),
        "repairs": (
            repairs_table(scene),
            [
                shapely.Point(item.x, item.y) if np.isfinite([item.x, item.y]).all() else None
                for item in scene.repairs
            ],
        ),
    }
    with tempfile.TemporaryDirectory(prefix="noisemap-") as folder:
        path = Path(folder) / "layers.gpkg"
        for name, (table, shapes) in layers.items():
            notes = {
                "CREATED": created.isoformat(),
                "CRS": scene.crs,
                "ATTRIBUTION": "; ".join(scene.attribution),
            }
            try:
                _write_layer(path, name, table, shapes, notes, created)
            except pyogrio.errors.DataSourceError as error:
                raise CannotWriteError(
                    f"layers.gpkg: layer {name} cannot be put together in {folder} ({error}); "
                    "free space on that disk, or leave the format gpkg out"
                ) from error
        return path.read_bytes()


def areas_table(findings: Findings) -> Table:
    """Level areas of braking trucks without any zone."""
    headers = ("from [dB(A)]", "below [dB(A)]", "indicator")
    words = plain(findings.areas_indicator)
    rows = tuple((area.low, area.high, words) for area in findings.areas)
    return Table("areas", headers, rows)


GEOMETRY_TYPES = {
    "homes": "Point",
    "stretches": "LineString",
    "zones": "LineString",
    "louder_homes": "Point",
    "areas": "MultiPolygon",
    "repairs": "Point",
}


def _write_layer(
    path: Path,
    name: str,
    table: Table,
    shapes: Sequence[Any],
    notes: dict[str, str],
    created: datetime,
) -> None:
    import geopandas
    import pyogrio

    pyogrio.set_gdal_config_options(
        {"OGR_CURRENT_DATE": created.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.000Z")}
    )
    fields = field_names(table.headers)
    columns: dict[str, list[Any]] = {
        field: [row[index] for row in table.rows] for index, field in enumerate(fields)
    }
    frame = geopandas.GeoDataFrame(columns, geometry=list(shapes), crs=notes["CRS"])
    about = dict(zip(fields, table.headers, strict=True))
    pyogrio.write_dataframe(
        frame,
        path,
        layer=name,
        driver="GPKG",
        append=path.exists(),
        geometry_type=GEOMETRY_TYPES[name],
        layer_metadata={**about, **notes},
    )


def field_names(headers: Sequence[str]) -> list[str]:
    """Short field names of a layer; the full header with its unit stands in the metadata.

    >>> field_names(["x [m]", "grade [%]", "before: night level [dB(A)]"])
    ['x_m', 'grade_pct', 'before_night_level_dba']
    """
    names: list[str] = []
    for header in headers:
        text = header.lower().replace("db(a)", "dba").replace("°", "deg_").replace("[1]", "")
        text = text.replace("%", "pct")
        words = "".join(sign if sign.isascii() and sign.isalnum() else " " for sign in text)
        name = base = "_".join(words.split())[:60] or "field"
        number = 2
        while name in names or name in ("fid", "geom", "geometry"):
            name = f"{base}_{number}"
            number += 1
        names.append(name)
    return names


def _polygons(area: LevelArea) -> Any:
    import shapely

    parts = [shapely.Polygon(rings[0], rings[1:]) for rings in area.rings]
    return shapely.MultiPolygon(parts)
