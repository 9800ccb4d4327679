"""GeoPackage of the weighing: signs, homes that become louder, and the zones."""

from __future__ import annotations

import tempfile
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

from noisemap.errors import CannotWriteError
from noisemap.exposure.results import Findings
from noisemap.outputs.geometry import road_piece, zone_road
from noisemap.outputs.layers import field_names
from noisemap.outputs.tables import Table, zones_table
from noisemap.outputs.weigh_tables import louder_table, signs_table
from noisemap.scene.model import Scene
from noisemap.zones.weighed import Weighed


def weigh_geopackage(
    scene: Scene, findings: Findings, weighed: Weighed, created: datetime
) -> bytes:
    """GeoPackage with the layers `signs`, `louder_homes` and `zones`.

    Raises
    ------
    CannotWriteError
        The layers could not be put together, for lack of space on the disk.
    """
    import geopandas
    import pyogrio
    import shapely

    homes = [home for one in weighed.alternatives for home, _ in one.louder_homes]
    layers: dict[str, tuple[Table, list[Any], str]] = {
        "signs": (
            signs_table(weighed),
            [shapely.Point(one.x, one.y) for one in weighed.signs],
            "Point",
        ),
        "louder_homes": (
            louder_table(scene, weighed),
            [shapely.Point(scene.homes.x[home], scene.homes.y[home]) for home in homes],
            "Point",
        ),
        "zones": (
            zones_table(findings),
            [
                shapely.LineString(
                    road_piece(zone_road(scene, one.zone), one.zone.from_m, one.zone.to_m)
                )
                for one in findings.zones
            ],
            "LineString",
        ),
    }
    pyogrio.set_gdal_config_options(
        {"OGR_CURRENT_DATE": created.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.000Z")}
    )
    with tempfile.TemporaryDirectory(prefix="noisemap-") as folder:
        path = Path(folder) / "weigh.gpkg"
        for name, (table, shapes, geometry) in layers.items():
            fields = field_names(table.headers)
            columns = {
                field: [row[index] for row in table.rows] for index, field in enumerate(fields)
            }
            frame = geopandas.GeoDataFrame(
                columns, geometry=np.array(shapes, dtype=object), crs=scene.crs
            )
            try:
                pyogrio.write_dataframe(
                    frame,
                    path,
                    layer=name,
                    driver="GPKG",
                    append=path.exists(),
                    geometry_type=geometry,
                    layer_metadata=dict(zip(fields, table.headers, strict=True)),
                )
            except pyogrio.errors.DataSourceError as error:
                raise CannotWriteError(
                    f"weigh.gpkg: layer {name} cannot be put together in {folder} ({error}); "
                    "free space on that disk"
                ) from error
        return path.read_bytes()
