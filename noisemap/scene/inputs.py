"""What a scene is built from: files and plain values, already checked one by one."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

Decimal = Literal[".", ","]
HomeSource = Literal["buildings", "points", "osm", "parcels"]
Placement = Literal["facades", "centre"]

AROUND_DEG = 0.03


@dataclass(frozen=True)
class SceneInputs:
    """Files and options of one scene; column maps go from our name to the file's."""

    terrain_files: tuple[Path, ...]
    roads_file: Path
    homes_file: Path
    crs: str = "auto"  # study system; "auto" takes the UTM zone of the roads' centre
    window: tuple[float, float, float, float] | None = None  # west, south, east, north [deg]
    attribution: tuple[str, ...] = ()
    max_distance_m: float = 1500.0  # homes farther from every emitting road are left out

    terrain_crs: str | None = None
    terrain_nodata: float | None = None
    terrain_vertical_unit: str | None = None  # None takes what the files say, else metres

    roads_layer: str | None = None
    roads_crs: str | None = None
    roads_encoding: str | None = None
    roads_decimal: Decimal = "."
    roads_columns: Mapping[str, str] = field(default_factory=dict)
    road_class_words: Mapping[str, str] = field(default_factory=dict)  # the file's word -> class
    road_speed_unit: Literal["kmh", "mph"] | None = None  # of plain numbers; None takes km/h
    road_classes: tuple[str, ...] | None = None  # read at all; None takes every known class
    truck_classes: tuple[str, ...] | None = None  # emit; None takes the classes marked so
    road_names: tuple[str, ...] | None = None  # only these roads emit; id, name or ref
    road_width_m: float = 10.0
    roads_survey_file: Path | None = None  # table lon, lat, height_m; wins over the terrain

    homes_source: HomeSource = "buildings"
    homes_layer: str | None = None
    homes_crs: str | None = None
    homes_encoding: str | None = None
    homes_decimal: Decimal = "."
    homes_columns: Mapping[str, str] = field(default_factory=dict)
    homes_kinds: Mapping[str, str] = field(default_factory=dict)  # the file's word -> our kind
    outlines_file: Path | None = None  # buildings on the parcels; only with source "parcels"
    outlines_layer: str | None = None
    outlines_crs: str | None = None
    outlines_columns: Mapping[str, str] = field(default_factory=dict)
    population_file: Path | None = None  # areas with people, shared out by floor area
    population_layer: str | None = None
    population_crs: str | None = None
    population_columns: Mapping[str, str] = field(default_factory=dict)
    placement: Placement = "facades"
    facade_case: Literal[1, 2] = 1  # the Directive's two ways of splitting facades
    receiver_height_m: float = 4.0
    people_per_dwelling: float = 2.5
    people_total: float | None = None  # census count that scales people set by rule
    proxies: bool = True  # only with homes_source "osm"
    proxy_people: float = 2.5  # people a proxy home

    ground_file: Path | None = None
    ground_layer: str | None = None
    ground_crs: str | None = None
    ground_encoding: str | None = None
    ground_decimal: Decimal = "."
    ground_columns: Mapping[str, str] = field(default_factory=dict)
    ground_default_factor: float = 0.7
    foliage_height_m: float = 15.0
    all_forest_dense: bool = False  # else only polygons with dense=yes
    industrial_sites: bool = False  # industrial land lowers levels by annex A.2
    industrial_height_m: float = 10.0

    walls_file: Path | None = None
    walls_layer: str | None = None
    walls_crs: str | None = None
    walls_encoding: str | None = None
    walls_decimal: Decimal = "."
    walls_columns: Mapping[str, str] = field(default_factory=dict)
    obstacle_buildings: Literal["homes", "housing", "none"] = "homes"
    wall_reflection: float | None = None  # None: as the standard's table says
    building_reflection: float | None = None
    assumed_wall_height_m: float | None = None

    @property
    def around_window(self) -> tuple[float, float, float, float] | None:
        """The window with the ground around it, some kilometres wide [deg]."""
        if self.window is None:
            return None
        west, south, east, north = self.window
        return west - AROUND_DEG, south - AROUND_DEG, east + AROUND_DEG, north + AROUND_DEG
