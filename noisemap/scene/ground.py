"""Ground factor and dense trees on the terrain's grid."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely
from affine import Affine
from rasterio.features import rasterize

from noisemap.data_tables import table_rows
from noisemap.errors import BadDataError
from noisemap.readers.faults import more_of, read_each
from noisemap.readers.osm import OsmArea, is_osm, read_areas
from noisemap.readers.vectors import read_layer
from noisemap.scene.crs import WGS84, move_shapes
from noisemap.scene.inputs import SceneInputs
from noisemap.scene.layers import layer_repairs, whole_areas
from noisemap.scene.model import ON_GROUND, GroundCover, Repair, Road, Terrain
from noisemap.scene.runs import runs

FloatArray = npt.NDArray[np.float64]

GROUND_COLUMNS = ("id", "landuse", "natural", "factor", "dense")
FOREST = (("landuse", "forest"), ("natural", "wood"))
HARD_ORDER = 9  # roads lie over everything
FOREST_SHARE = 0.5


@dataclass(frozen=True)
class Land:
    """Pieces of land in study coordinates with what is known of their ground."""

    shapes: npt.NDArray[Any]
    tags: tuple[dict[str, str], ...]

    def of(self, key: str, *values: str) -> npt.NDArray[Any]:
        """Shapes whose tag has one of the values."""
        return self.shapes[np.array([tags.get(key) in values for tags in self.tags], np.bool_)]


def no_land() -> Land:
    """Land of which nothing is known."""
    return Land(np.array([], dtype=object), ())


def osm_land(areas: Sequence[OsmArea], crs: str) -> Land:
    """Land of an OpenStreetMap extract."""
    own = [area for area in areas if "landuse" in area.tags or "natural" in area.tags]
    shapes = move_shapes(WGS84, crs, [area.shape for area in own])
    return Land(shapes, tuple(dict(area.tags) for area in own))


def read_land(inputs: SceneInputs, crs: str) -> tuple[Land, list[Repair]]:
    """Land of the ground file, in study coordinates.

    Raises
    ------
    BadDataError
        When the file cannot be read, holds no polygon or a factor is not 0..1.
    """
    if inputs.ground_file is None:
        return no_land(), []
    if is_osm(inputs.ground_file):
        areas = read_areas(inputs.ground_file, ("landuse", "natural"), inputs.around_window)
        whole, repairs = whole_areas("ground", areas)
        return osm_land(whole, crs), repairs
    layer = read_layer(
        inputs.ground_file,
        table="ground",
        layer=inputs.ground_layer,
        crs=inputs.ground_crs,
        columns=inputs.ground_columns,
        known=GROUND_COLUMNS,
        numbers=("factor",),
        encoding=inputs.ground_encoding,
        decimal=inputs.ground_decimal,
    )
    frame = layer.frame
    shapes = move_shapes(frame.crs, crs, frame.geometry.to_numpy())
    wrong = np.nonzero(shapely.get_dimensions(shapes) != 2)[0]
    if len(wrong):
        raise BadDataError(
            f"{layer.name}: feature {frame['id'].iloc[wrong[0]]!r} is a "
            f"{shapes[wrong[0]].geom_type}{more_of(wrong)}; ground cover is polygons"
        )
    columns = [column for column in GROUND_COLUMNS if column in frame.columns]
    tags = tuple(
        {
            column: _word(value).lower()
            for column, value in zip(columns, row, strict=True)
            if value is not None and value == value
        }
        for row in frame[columns].itertuples(index=False)
    )
    read_each(list(zip(frame["id"], tags, strict=True)), partial(_checked, layer.name), 0.0)
    return Land(shapes, tags), layer_repairs("ground", layer, crs)


def _checked(name: str, feature: tuple[str, Mapping[str, str]]) -> float:
    """Factor of a feature, 1 where it states none."""
    item, tags = feature
    text = tags.get("factor", "1")
    try:
        factor = float(text)
    except ValueError:
        factor = -1.0
    if not 0.0 <= factor <= 1.0:
        raise BadDataError(
            f"{name}: feature {item!r}: factor: {text!r} is not allowed (allowed: 0..1)"
        )
    return factor


def _word(value: object) -> str:
    if isinstance(value, (bool, np.bool_)):
        return "yes" if value else "no"
    return str(value).strip()


def ground_cover(
    inputs: SceneInputs, land: Land, terrain: Terrain, roads: Sequence[Road]
) -> tuple[GroundCover, dict[str, float], list[str], list[str]]:
    """Ground factor grid, facts, assumptions and warnings.

    Harder ground lies over softer where both are mapped, water over both, and roads
    over everything.
    """
    table = {
        (row["key"], row["value"]): (float(row["factor"]), int(row["order"]))
        for row in table_rows("noisemap.scene", "ground_factors.csv")
    }
    known: list[tuple[int, float, Any]] = []
    unknown: Counter[str] = Counter()
    for shape, tags in zip(land.shapes, land.tags, strict=True):
        own = _factor(tags, table)
        if own is None:
            unknown[tags.get("landuse") or tags.get("natural") or "blank"] += 1
        else:
            known.append((own[1], own[0], shape))
    known.sort(key=lambda item: (item[0], -item[1]))
    factor = _paint(terrain, [(shape, value) for _, value, shape in known], np.nan)
    assumed = ~np.isfinite(factor)
    factor = np.where(assumed, inputs.ground_default_factor, factor)
    # a strip at least one cell wide, or a coarse grid would miss the road
    hard = _roads_on_ground(roads, max(inputs.road_width_m / 2.0, 0.51 * terrain.cell))
    road_cells = np.isfinite(_paint(terrain, [(shape, 0.0) for shape in hard], np.nan))
    factor[road_cells] = 0.0
    forest = [
        (shape, 1.0)
        for shape, tags in zip(land.shapes, land.tags, strict=True)
        if any(tags.get(key) == value for key, value in FOREST)
    ]
    dense = [
        (shape, 1.0)
        for shape, tags in zip(land.shapes, land.tags, strict=True)
        if tags.get("dense", "").lower() in ("yes", "true", "1")
        or (inputs.all_forest_dense and any(tags.get(key) == value for key, value in FOREST))
    ]
    foliage = _paint(terrain, dense, 0.0) > 0.5
    forest_share = float((_paint(terrain, forest, 0.0) > 0.5).mean())
    share = float(assumed.mean())
    cover = GroundCover(
        terrain.x0, terrain.y0, terrain.cell, factor, foliage, inputs.foliage_height_m
    )
    facts = {
        "ground_polygons": float(len(known)),
        "ground_polygons_unknown": float(unknown.total()),
        "ground_assumed_share": share,
        "forest_share": forest_share,
        "dense_foliage_cells": float(foliage.sum()),
    }
    assumptions, warnings = _sentences(inputs, land, share, unknown, forest_share, bool(dense))
    return cover, facts, assumptions, warnings


def _factor(
    tags: dict[str, str], table: dict[tuple[str, str], tuple[float, int]]
) -> tuple[float, int] | None:
    if "factor" in tags:
        return float(tags["factor"]), HARD_ORDER - 1
    words = [tags.get(key, "") for key in ("natural", "landuse")]
    for word, keys in zip(words, (("natural", "landuse"), ("landuse", "natural")), strict=True):
        for key in keys:  # a county's one column of land cover holds words of both
            if (key, word) in table:
                return table[key, word]
    return None


def _paint(terrain: Terrain, shapes: Sequence[tuple[Any, float]], empty: float) -> FloatArray:
    """Values of the last shape over each cell's centre, row 0 in the south."""
    rows, columns = terrain.height.shape
    if not shapes:
        return np.full((rows, columns), empty)
    corner = Affine(
        terrain.cell, 0.0, terrain.x0 - terrain.cell / 2.0,
        0.0, terrain.cell, terrain.y0 - terrain.cell / 2.0,
    )  # fmt: skip
    painted = rasterize(
        shapes, out_shape=(rows, columns), transform=corner, fill=empty, dtype="float64"
    )
    return np.asarray(painted, np.float64)


def _roads_on_ground(roads: Sequence[Road], half_width: float) -> list[Any]:
    """Strips of hard ground along the roads, without bridges and tunnels."""
    strips: list[Any] = []
    for road in roads:
        for first, last in runs(road.structure == ON_GROUND):
            line = np.column_stack([road.x[first : last + 1], road.y[first : last + 1]])
            strips.append(shapely.LineString(line).buffer(half_width, cap_style="flat"))
    return [strip for strip in strips if not strip.is_empty]


def _sentences(
    inputs: SceneInputs, land: Land, share: float, unknown: Counter[str], forest: float, dense: bool
) -> tuple[list[str], list[str]]:
    assumptions = []
    warnings = []
    if share > 0.0:
        assumptions.append(
            f"Ground factor {inputs.ground_default_factor:g} is assumed on "
            f"{100.0 * share:.0f} % of the area, where no known land use is mapped."
        )
    if unknown:
        listed = ", ".join(f"{word!r}: {count:,}" for word, count in unknown.most_common(5))
        assumptions.append(
            "Ground polygons with a land use not in the table, taken as not mapped: "
            f"{unknown.total():,} ({listed}); a column of their factors, named factor in columns "
            "of [ground], says what they are."
        )
    if forest > 0.0 and not dense:
        assumptions.append("Forest lowers no level: no polygon is declared dense (dense=yes).")
    if len(land.shapes) and share > FOREST_SHARE:
        warnings.append(
            f"No land use is mapped on {100.0 * share:.0f} % of the area; forest is probably "
            "missing there."
        )
    return assumptions, warnings
