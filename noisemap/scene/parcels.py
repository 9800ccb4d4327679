"""Homes from parcels, and people of areas shared out over the homes in them."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from noisemap.errors import BadDataError
from noisemap.readers.faults import more_of, read_each
from noisemap.readers.rasters import cells_lattice, read_cells
from noisemap.readers.vectors import read_layer
from noisemap.scene.crs import move_bounds, move_shapes
from noisemap.scene.homes import (
    SMALLEST_HOME_M2,
    Buildings,
    levels_or_default,
    read_buildings,
)
from noisemap.scene.inputs import SceneInputs
from noisemap.scene.layers import layer_repairs
from noisemap.scene.model import Homes, Repair

GRIDS = (".tif", ".tiff", ".asc")
MOST_PEOPLE = 1e7  # in one area

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]


def owners(areas: npt.NDArray[Any], places: npt.NDArray[Any]) -> IntArray:
    """Index of the area that each place lies in, the first of several; -1 where none."""
    found = np.full(len(places), -1, np.int64)
    if len(areas) and len(places):
        place, area = shapely.STRtree(areas).query(places, predicate="within")
        order = np.lexsort((area, place))[::-1]
        found[place[order]] = area[order]
    return found


def share_out(amount: FloatArray, owner: IntArray, floor: FloatArray) -> FloatArray:
    """Amounts of areas shared out by floor area over the homes in them.

    Parameters
    ----------
    amount : (k,) array
        What each area holds.
    owner : (n,) array
        Area of each home, -1 for none.
    floor : (n,) array
        Floor area of each home [m2].

    >>> share_out(np.array([12.0]), np.array([0, 0, -1]), np.array([100.0, 200.0, 50.0])).tolist()
    [4.0, 8.0, nan]
    """
    total = np.zeros(len(amount))
    inside = owner >= 0
    np.add.at(total, owner[inside], floor[inside])
    shared = np.full(len(owner), np.nan)
    own = owner[inside]
    shared[inside] = amount[own] * floor[inside] / np.where(total[own] > 0.0, total[own], np.nan)
    return shared


def floor_area(buildings: Buildings) -> FloatArray:
    """Floor area, footprint x storeys; 1 for an address [m2]."""
    footprint = shapely.area(buildings.shapes)
    floor = footprint * levels_or_default(buildings.levels, footprint)
    return np.asarray(np.where(footprint > 0.0, floor, 1.0))


def read_parcels(inputs: SceneInputs, crs: str) -> tuple[Buildings, list[Repair], list[str]]:
    """Homes of a parcel file: in the outlines on the parcel, else at its middle.

    Returns
    -------
    buildings : Buildings
        Outlines, and points for parcels without one.
    repairs : list of Repair
        What reading changed.
    sentences : list of str
        What was assumed.
    """
    parcels, repairs = read_buildings(inputs, crs)
    if inputs.outlines_file is None:
        homes = replace(parcels, shapes=shapely.point_on_surface(parcels.shapes))
        count = int(homes.is_home.sum())
        return (
            homes.take(homes.is_home),
            repairs,
            [
                f"Homes stand at the middle of their parcel, marked as estimated: {count:,}; name "
                "the building outlines in [homes.outlines] to place them."
            ],
        )
    outlines, more = read_buildings(
        replace(
            inputs,
            homes_source="buildings",
            homes_file=inputs.outlines_file,
            homes_layer=inputs.outlines_layer,
            homes_crs=inputs.outlines_crs,
            homes_columns=inputs.outlines_columns,
            homes_encoding=None,
            homes_decimal=".",
        ),
        crs,
    )
    built, sentences = on_parcels(parcels, outlines)
    return built, [*repairs, *more], sentences


def on_parcels(parcels: Buildings, outlines: Buildings) -> tuple[Buildings, list[str]]:
    """Outlines with the people and dwellings of their parcels, and parcels left without.

    Dwellings and people of a parcel are shared out by floor area over its outlines of
    40 m2 or more (over all where none is so large); the others only stand in the way.
    """
    owner = owners(parcels.shapes, shapely.point_on_surface(outlines.shapes))
    large = shapely.area(outlines.shapes) >= SMALLEST_HOME_M2
    has_large = np.zeros(len(parcels.ids), np.bool_)
    has_large[owner[large & (owner >= 0)]] = True
    lived = (owner >= 0) & (large | ~has_large[owner]) & outlines.is_home
    lived &= np.where(owner >= 0, parcels.is_home[owner], False)
    owner = np.where(lived, owner, -1)
    floor = floor_area(outlines)
    rows = owner.tolist()
    placed = Buildings(
        tuple(
            f"{outlines.ids[n]}" if row < 0 else f"{parcels.ids[row]} / {outlines.ids[n]}"
            for n, row in enumerate(rows)
        ),
        tuple("" if row < 0 else parcels.labels[row] for row in rows),
        tuple("none" if row < 0 else parcels.kinds[row] for row in rows),
        outlines.shapes,
        share_out(parcels.dwellings, owner, floor),
        outlines.levels,
        share_out(parcels.people, owner, floor),
        outlines.height,
    )
    bare = parcels.is_home & ~np.isin(np.arange(len(parcels.ids)), owner)
    stated = np.nan_to_num(parcels.dwellings) + np.nan_to_num(parcels.people) > 0.0
    alone = parcels.take(bare & stated)
    alone = replace(alone, shapes=shapely.point_on_surface(alone.shapes))
    sentences = [
        f"Dwellings and people of {len(set(rows) - {-1}):,} parcels are shared out by floor area "
        f"over {int(lived.sum()):,} buildings."
    ]
    if len(alone.ids):
        sentences.append(
            "Parcels with people but without a building outline, placed at their middle and "
            f"marked as estimated: {len(alone.ids):,}."
        )
    empty = int((bare & ~stated).sum())
    if empty:
        sentences.append(f"Parcels without people and without a building, left out: {empty:,}.")
    return _join(placed, alone), sentences


def _join(a: Buildings, b: Buildings) -> Buildings:
    return Buildings(
        a.ids + b.ids,
        a.labels + b.labels,
        a.kinds + b.kinds,
        *(
            np.concatenate([getattr(a, name), getattr(b, name)])
            for name in ("shapes", "dwellings", "levels", "people", "height")
        ),
    )


def populate(
    inputs: SceneInputs, crs: str, homes: Homes, buildings: Buildings
) -> tuple[Homes, list[Repair], list[str], list[str]]:
    """Homes with the people of the areas that they lie in.

    People given home by home stay; those of an area are shared out by floor area over
    its other homes.

    Returns
    -------
    homes, repairs, assumptions, warnings
    """
    if inputs.population_file is None:
        return homes, [], [], []
    name = inputs.population_file.name
    if inputs.population_file.suffix.lower() in GRIDS:
        areas, people = _cells(inputs, crs, homes)
        repairs: list[Repair] = []
    else:
        areas, people, repairs = _areas(inputs, crs)
    lives = np.array([kind == "home" for kind in homes.kind], np.bool_)
    given = np.isfinite(buildings.people)
    owner = owners(areas, np.asarray(shapely.points(homes.x, homes.y)))
    held = np.zeros(len(areas))
    np.add.at(held, owner[given & (owner >= 0)], homes.people[given & (owner >= 0)])
    shared = share_out(
        np.maximum(people - held, 0.0), np.where(lives & ~given, owner, -1), floor_area(buildings)
    )
    taken = np.isfinite(shared)
    bare = (people > 0.0) & ~np.isin(np.arange(len(areas)), owner[(lives | given) & (owner >= 0)])
    outside = int((lives & ~given & (owner < 0)).sum())
    assumptions = [
        f"People of {len(areas):,} areas of {name} are shared out by floor area over "
        f"{int(taken.sum()):,} homes."
    ]
    warnings = []
    if outside:
        warnings.append(f"Homes in no area of {name}, their people by rule: {outside:,}.")
    if bare.any():
        warnings.append(
            f"{int(bare.sum()):,} areas of {name} with {people[bare].sum():,.0f} people hold "
            "no home that is read: these people are in no figure."
        )
    moved = replace(homes, people=np.where(taken, shared, homes.people))
    return moved, repairs, assumptions, warnings


def _areas(inputs: SceneInputs, crs: str) -> tuple[npt.NDArray[Any], FloatArray, list[Repair]]:
    """Polygons with people in study coordinates."""
    assert inputs.population_file is not None
    layer = read_layer(
        inputs.population_file,
        table="homes.population",
        layer=inputs.population_layer,
        crs=inputs.population_crs,
        columns=inputs.population_columns,
        known=("id", "people"),
        numbers=("people",),
        bbox=inputs.window,
    )
    areas = move_shapes(layer.frame.crs, crs, layer.frame.geometry.to_numpy())
    people = _people(layer.name, layer.frame)
    wrong = np.nonzero(shapely.get_dimensions(areas) != 2)[0]
    if len(wrong):
        raise BadDataError(
            f"{layer.name}: feature {layer.frame['id'].iloc[wrong[0]]!r} is a "
            f"{areas[wrong[0]].geom_type}{more_of(wrong)}; areas of people are polygons"
        )
    return areas, people, layer_repairs("homes", layer, crs)


def _cells(inputs: SceneInputs, crs: str, homes: Homes) -> tuple[npt.NDArray[Any], FloatArray]:
    """Cells of a raster of people around the homes, as polygons in study coordinates."""
    assert inputs.population_file is not None
    whole = cells_lattice(inputs.population_file, inputs.population_crs)
    box = (homes.x.min(), homes.y.min(), homes.x.max(), homes.y.max())
    west, south, east, north = move_bounds(crs, whole.crs, box)
    grid, values = read_cells(whole, (west, south, east, north))
    wrong = np.isfinite(values) & ((values < 0.0) | (values >= MOST_PEOPLE))
    if wrong.any():
        row, column = (int(index[0]) for index in np.nonzero(wrong))
        raise BadDataError(
            f"{inputs.population_file.name}: a cell holds {values[row, column]:g} people at x "
            f"{grid.x0 + column * grid.dx:.6g}, y {grid.y0 + row * grid.dy:.6g} (allowed: 0 or "
            "more); name its value for no data in the file itself"
        )
    x = grid.x0 + grid.dx * np.arange(grid.columns)
    y = grid.y0 + grid.dy * np.arange(grid.rows)
    half_x, half_y = grid.dx / 2.0, abs(grid.dy) / 2.0
    near = (y[:, None] >= south - half_y) & (y[:, None] <= north + half_y)
    near = near & (x[None, :] >= west - half_x) & (x[None, :] <= east + half_x)
    rows, columns = np.nonzero(near & np.isfinite(values))
    cells = shapely.box(
        x[columns] - half_x, y[rows] - half_y, x[columns] + half_x, y[rows] + half_y
    )
    return move_shapes(grid.crs, crs, cells.tolist()), values[rows, columns]


def _people(name: str, frame: Any) -> FloatArray:
    if "people" not in frame.columns:
        raise BadDataError(
            f'{name}: no column people; name it: columns = {{ people = "..." }} in '
            "[homes.population]"
        )

    def number(item: tuple[int, Any]) -> float:
        row, value = item
        try:
            found = float(value)
        except (TypeError, ValueError):
            found = np.nan
        if not 0.0 <= found < MOST_PEOPLE:
            raise BadDataError(
                f"{name}: feature {row}: people: {value!r} is not allowed (allowed: 0 or more); "
                "correct it, or remove the area"
            )
        return found

    cells = list(enumerate(frame["people"].tolist(), start=1))
    return np.array(read_each(cells, number, np.nan), np.float64)
