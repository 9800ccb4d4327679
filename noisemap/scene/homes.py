"""Homes: which buildings people live in, and how many."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import partial
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from noisemap.data_tables import table_rows
from noisemap.errors import BadDataError, StudyError
from noisemap.readers.faults import Faults, more_of, read_each
from noisemap.readers.osm import OsmArea
from noisemap.readers.vectors import Layer, read_layer
from noisemap.scene.crs import WGS84, Bounds, move_shapes, why_apart
from noisemap.scene.inputs import SceneInputs
from noisemap.scene.layers import layer_repairs
from noisemap.scene.model import Homes, Repair
from noisemap.scene.rules import rule

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

KINDS = ("home", "school", "clinic", "hotel", "other", "none")
HOME_COLUMNS = ("id", "label", "kind", "dwellings", "levels", "people", "height_m", "height")
NUMBER_LIMITS = (
    ("dwellings", 0.0, 5000.0),
    ("levels", 0.5, 200.0),
    ("people", 0.0, 100_000.0),
    ("height_m", 0.5, 900.0),
)
HOME_NUMBERS = ("dwellings", "levels", "people", "height_m", "height")
SMALLEST_HOME_M2 = rule("homes", "smallest_home_m2")
NET_SHARE = rule("homes", "net_share")  # of the gross floor
FLOOR_PER_DWELLING_M2 = rule("homes", "floor_per_dwelling_m2")
SINGLE_DWELLING_M2 = rule("homes", "single_dwelling_m2")
DEFAULT_LEVELS = ((180.0, 2.0), (400.0, 2.5), (np.inf, 3.0))  # footprint up to [m2], levels
WORKING_LAND = ("industrial", "commercial", "retail", "quarry")
NOT_A_HOME_TAGS = ("amenity", "shop", "office", "tourism")


@dataclass(frozen=True)
class Buildings:
    """Buildings and addresses in study coordinates, one row each; NaN where not known."""

    ids: tuple[str, ...]
    labels: tuple[str, ...]
    kinds: tuple[str, ...]  # one of KINDS; "none" is no home but stands in the way
    shapes: npt.NDArray[Any]  # polygons or points
    dwellings: FloatArray
    levels: FloatArray
    people: FloatArray
    height: FloatArray  # [m]

    def take(self, index: npt.NDArray[Any]) -> Buildings:
        """Only these rows."""
        rows = np.arange(len(self.ids))[index].tolist()
        return Buildings(
            tuple(self.ids[row] for row in rows),
            tuple(self.labels[row] for row in rows),
            tuple(self.kinds[row] for row in rows),
            *(
                values[index]
                for values in (
                    self.shapes, self.dwellings, self.levels, self.people, self.height,
                )
            ),
        )  # fmt: skip

    @property
    def is_home(self) -> BoolArray:
        """Whether people live or stay there."""
        return np.array([kind != "none" for kind in self.kinds], np.bool_)


def kind_table() -> dict[str, str]:
    """Kind of home by word."""
    return {row["value"]: row["kind"] for row in table_rows("noisemap.scene", "home_kinds.csv")}


def read_buildings(inputs: SceneInputs, crs: str) -> tuple[Buildings, list[Repair]]:
    """Buildings or address points of a vector file, in study coordinates.

    Raises
    ------
    BadDataError
        When the file cannot be read, a kind is not known or a number is not one.
    """
    layer = _home_layer(inputs)
    frame = layer.frame
    if "height" in frame.columns and "height_m" not in frame.columns:
        frame = frame.rename(columns={"height": "height_m"})
    shapes = move_shapes(frame.crs, crs, frame.geometry.to_numpy())
    dimension = 0 if inputs.homes_source == "points" else 2
    wrong = np.nonzero(shapely.get_dimensions(shapes) != dimension)[0]
    if len(wrong):
        kind = "points" if dimension == 0 else "polygons"
        raise BadDataError(
            f"{layer.name}: feature {frame['id'].iloc[wrong[0]]!r} is a "
            f"{shapes[wrong[0]].geom_type}{more_of(wrong)}; [homes] source = "
            f"{inputs.homes_source!r} reads {kind}: take the others out of the layer, or name "
            "another layer"
        )
    if dimension == 0:
        shapes = shapely.centroid(shapes)
    count = len(frame)
    faults = Faults()
    no_kinds: tuple[str, ...] = ()
    kinds = faults.tried(lambda: _kinds(layer.name, frame, count, inputs.homes_kinds), no_kinds)
    numbers = [
        faults.tried(partial(_numbers, layer.name, frame, column, low, high), np.zeros(0))
        for column, low, high in NUMBER_LIMITS
    ]
    faults.raise_all()
    labels = _strings(frame, "label", count)
    buildings = Buildings(tuple(frame["id"]), labels, kinds, shapes, *numbers)
    return buildings, layer_repairs("homes", layer, crs)


def _home_layer(inputs: SceneInputs) -> Layer:
    return read_layer(
        inputs.homes_file,
        table="homes",
        layer=inputs.homes_layer,
        crs=inputs.homes_crs,
        columns=inputs.homes_columns,
        known=HOME_COLUMNS,
        bbox=inputs.window,
        numbers=HOME_NUMBERS,
        encoding=inputs.homes_encoding,
        decimal=inputs.homes_decimal,
    )


def homes_apart(inputs: SceneInputs, crs: str, ground: Bounds) -> str:
    """What would bring the homes onto the ground; blank where nothing obvious would."""
    frame = _home_layer(replace(inputs, window=None)).frame
    places = shapely.point_on_surface(frame.geometry.to_numpy())
    return why_apart(frame.crs, crs, shapely.get_x(places), shapely.get_y(places), ground)


def _strings(frame: pd.DataFrame, column: str, count: int) -> tuple[str, ...]:
    if column not in frame.columns:
        return ("",) * count
    return tuple(
        "" if value is None or value != value else str(value) for value in frame[column].tolist()
    )


def _kinds(name: str, frame: pd.DataFrame, count: int, own: Mapping[str, str]) -> tuple[str, ...]:
    """Kinds by the file's words; a blank one is a home."""
    wrong = sorted(set(own.values()) - set(KINDS))
    if wrong:
        raise StudyError(
            f"homes.kinds: {', '.join(wrong)} is not allowed (allowed: {', '.join(KINDS)})"
        )
    known = kind_table() | {word.strip().lower(): kind for word, kind in own.items()}
    words = [word.strip().lower() for word in _strings(frame, "kind", count)]
    strange = sorted(set(words) - set(known) - {""})
    if strange:
        row = words.index(strange[0]) + 1
        more = f", and {len(strange) - 1} more words ({', '.join(strange[1:9])})"
        raise BadDataError(
            f"{name}: feature {row}: kind {strange[0]!r} is not allowed"
            f"{more if len(strange) > 1 else ''} (allowed: {', '.join(KINDS)}, or a common "
            'building word such as house or apartments); say what it means: kinds = { "'
            f'{strange[0]}" = "home" }} in [homes]'
        )
    return tuple(known[word] if word else "home" for word in words)


def _numbers(
    name: str, frame: pd.DataFrame, column: str, minimum: float, maximum: float
) -> FloatArray:
    """Numbers of a column, NaN where blank or absent."""
    if column not in frame.columns:
        return np.full(len(frame), np.nan)

    def number(item: tuple[int, Any]) -> float:
        row, value = item
        if value is None or value != value or str(value).strip() == "":
            return np.nan
        text = str(value).strip()
        try:
            found = float(text)
        except ValueError as error:
            comma = ", has a decimal comma" if text.replace(",", "", 1).isdigit() else ""
            raise BadDataError(
                f"{name}: feature {row}: {column}: {text!r} is not a number{comma}; "
                "write it with a point, or leave the cell blank where it is not known"
            ) from error
        if not minimum <= found <= maximum:
            raise BadDataError(
                f"{name}: feature {row}: {column}: {text} is not allowed "
                f"(allowed: {minimum:g}..{maximum:g})"
            )
        return found

    cells = list(enumerate(frame[column].tolist(), start=1))
    return np.array(read_each(cells, number, np.nan), np.float64)


def osm_buildings(areas: tuple[OsmArea, ...], crs: str) -> Buildings:
    """Buildings of an OpenStreetMap extract, in study coordinates, with their kind.

    A home is a building of a dwelling type, of 40 m2 or more, without a tag of a
    shop, office or the like, and not on working land.
    """
    known = kind_table()
    tagged = [area for area in areas if area.tags.get("building", "no") != "no"]
    shapes = move_shapes(WGS84, crs, [area.shape for area in tagged])
    land = [area.shape for area in areas if area.tags.get("landuse") in WORKING_LAND]
    working = _on(shapes, move_shapes(WGS84, crs, land))
    footprint = shapely.area(shapes)
    kinds: list[str] = []
    for area, size, works in zip(tagged, footprint.tolist(), working.tolist(), strict=True):
        kind = _osm_kind(area, known)
        small = size < SMALLEST_HOME_M2
        kinds.append("none" if small or (works and kind == "home") else kind)
    return Buildings(
        tuple(area.area_id for area in tagged),
        tuple(_address(area) for area in tagged),
        tuple(kinds),
        shapes,
        np.full(len(tagged), np.nan),
        np.array([_positive(area.tags.get("building:levels", "")) for area in tagged]),
        np.full(len(tagged), np.nan),
        np.array([_positive(area.tags.get("height", "")) for area in tagged]),
    )


def _osm_kind(area: OsmArea, known: dict[str, str]) -> str:
    for key in ("amenity", "tourism"):
        kind = known.get(area.tags.get(key, ""), "")
        if kind in ("school", "clinic", "hotel"):
            return kind
    if any(key in area.tags for key in NOT_A_HOME_TAGS):
        return "none"
    kind = known.get(area.tags["building"].strip().lower(), "none")
    return "none" if kind == "other" else kind


def _address(area: OsmArea) -> str:
    street, number = area.tags.get("addr:street", ""), area.tags.get("addr:housenumber", "")
    return f"{street} {number}".strip() or area.tags.get("name", "")


def _positive(text: str) -> float:
    """A tag value as a number above 0 (metres where it has a unit), else NaN.

    >>> _positive("3"), _positive("12 m"), _positive("two")
    (3.0, 12.0, nan)
    """
    try:
        value = float(text.strip().removesuffix("m").strip())
    except ValueError:
        return float("nan")
    return value if 0.0 < value < 1000.0 else float("nan")


def _on(shapes: npt.NDArray[Any], land: npt.NDArray[Any]) -> BoolArray:
    """Whether each shape's inner point lies on one of the pieces of land."""
    result = np.zeros(len(shapes), np.bool_)
    if len(land) and len(shapes):
        points = shapely.point_on_surface(shapes)
        result[shapely.STRtree(land).query(points, predicate="within")[0]] = True
    return result


def levels_or_default(levels: FloatArray, footprint: FloatArray) -> FloatArray:
    """Storeys, by footprint where they are not known [1].

    >>> levels_or_default(np.array([np.nan, np.nan, 5.0]), np.array([100.0, 500.0, 100.0]))
    array([2., 3., 5.])
    """
    limits = np.array([limit for limit, _ in DEFAULT_LEVELS])
    default = np.array([count for _, count in DEFAULT_LEVELS])[np.searchsorted(limits, footprint)]
    return np.where(np.isnan(levels), default, levels)


def dwellings_by_floor(footprint: FloatArray, levels: FloatArray) -> FloatArray:
    """Dwellings from the floor area: footprint x levels x 0.8 / 110 m2 [1].

    >>> float(dwellings_by_floor(np.array([110.0]), np.array([2.5]))[0])
    2.0
    """
    return footprint * levels * NET_SHARE / FLOOR_PER_DWELLING_M2


def make_homes(inputs: SceneInputs, buildings: Buildings) -> tuple[Homes, list[str], float]:
    """Homes with their people, what was assumed about them, and the calibration factor.

    People come from the column, else from dwellings, else from the floor area; a
    stated total scales those that came from the floor area.
    """
    footprint = shapely.area(buildings.shapes)
    is_point = footprint == 0.0
    lives = np.array([kind == "home" for kind in buildings.kinds], np.bool_)
    by_floor = np.where(
        is_point,
        1.0,
        dwellings_by_floor(footprint, levels_or_default(buildings.levels, footprint)),
    )
    given = np.isfinite(buildings.people)
    stated = ~given & lives & np.isfinite(buildings.dwellings)
    ruled = ~given & ~stated & lives
    addresses = ruled & is_point
    dwellings = np.where(np.isfinite(buildings.dwellings), buildings.dwellings, by_floor)
    people = np.where(given, buildings.people, dwellings * inputs.people_per_dwelling)
    people = np.where(given | lives, people, 0.0)
    factor, sentences = _calibrate(inputs, people, ruled)
    people = np.where(ruled, factor * people, people)
    if addresses.any():
        sentences.append(
            f"Addresses without dwellings, taken as one dwelling each: {int(addresses.sum()):,}."
        )
    if stated.any():
        sentences.append(
            f"Homes with people from their dwellings x {inputs.people_per_dwelling:g}: "
            f"{int(stated.sum()):,}."
        )
    points = shapely.point_on_surface(buildings.shapes)
    single = np.where(
        np.isfinite(buildings.dwellings), buildings.dwellings == 1.0,
        lives & (is_point | (footprint < SINGLE_DWELLING_M2)),
    )  # fmt: skip
    homes = Homes(
        buildings.ids,
        buildings.labels,
        buildings.kinds,
        shapely.get_x(points),
        shapely.get_y(points),
        people.astype(np.float64),
        is_point & (inputs.homes_source == "parcels"),
        single.astype(np.bool_),
    )
    return homes, sentences, factor


def _calibrate(
    inputs: SceneInputs, people: FloatArray, ruled: BoolArray
) -> tuple[float, list[str]]:
    """Factor on people set by rule so that all people sum to the stated total."""
    count, total = int(ruled.sum()), inputs.people_total
    by_rule, fixed = float(people[ruled].sum()), float(people[~ruled].sum())
    rule = (
        f"Homes with people by floor area, footprint x levels x {NET_SHARE:g} / "
        f"{FLOOR_PER_DWELLING_M2:g} m2 dwellings x {inputs.people_per_dwelling:g} people: {count:,}"
    )
    if total is None:
        if not count:
            return 1.0, []
        return 1.0, [f"{rule}; not calibrated, it can be twice too high: set people_total."]
    if by_rule <= 0.0 or total <= fixed:
        raise BadDataError(
            f"homes.people_total: {total:g} cannot be met, {fixed:g} people are given home by home "
            f"and {by_rule:g} come from floor area; leave people_total out or correct it"
        )
    factor = (total - fixed) / by_rule
    return factor, [f"{rule}, scaled by {factor:.3f} to the stated total of {total:,.0f} people."]


def join_homes(first: Homes, second: Homes) -> Homes:
    """Homes of both, in order."""
    return replace(
        first,
        home_id=first.home_id + second.home_id,
        label=first.label + second.label,
        kind=first.kind + second.kind,
        **{
            name: np.concatenate([getattr(first, name), getattr(second, name)])
            for name in ("x", "y", "people", "estimated", "single_dwelling")
        },
    )


def take_homes(homes: Homes, index: npt.NDArray[Any]) -> Homes:
    """Only these homes."""
    rows = np.arange(len(homes.home_id))[index].tolist()
    return replace(
        homes,
        home_id=tuple(homes.home_id[row] for row in rows),
        label=tuple(homes.label[row] for row in rows),
        kind=tuple(homes.kind[row] for row in rows),
        **{
            name: getattr(homes, name)[index]
            for name in ("x", "y", "people", "estimated", "single_dwelling")
        },
    )
