"""The study file, schema 1: what may stand in it, with units in every key."""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    Field,
    model_validator,
)

from noisemap.descent.gearbox import Gearbox
from noisemap.states import Binds, RetarderKind, VehicleClass
from noisemap.study.defaults import default, default_trucks
from noisemap.study.hours import parse_hours
from noisemap.study.model_exhausts import AfterTreatmentTable, ExhaustShares
from noisemap.study.table import STRICT, Share
from noisemap.units import MILE_M, POUND_KG


class Table(BaseModel):
    """A table of the study file: unknown keys are errors, numbers are finite."""

    model_config = STRICT


def _plain_file(name: str) -> str:
    lowered = name.lower()
    if "://" in lowered or lowered.startswith(("/vsi", "pg:", "http:", "https:", "ftp:")):
        raise ValueError("only a plain local file may be named here")
    if "\0" in name or not name.strip():
        raise ValueError("name a file, relative to the study file")
    return name


def _hours(value: object) -> object:
    if isinstance(value, str):
        return parse_hours(value)
    if isinstance(value, list):
        if not all(type(hour) is int and 0 <= hour <= 23 for hour in value):
            raise ValueError("hours are whole numbers from 0 to 23")
        return frozenset(value)
    return value


FileName = Annotated[str, AfterValidator(_plain_file)]
Hours = Annotated[frozenset[int], BeforeValidator(_hours), Field(min_length=1)]
Columns = dict[str, str]
Decimal = Literal[".", ","]


class StudyTable(Table):
    """What the study is called, where it lies, in which coordinates it is computed."""

    name: Annotated[str, Field(min_length=1, max_length=200)]
    description: str = ""
    crs: str = "auto"
    window: tuple[float, float, float, float] | None = None  # west, south, east, north [deg]
    attribution: list[str] = []
    invented: bool = False

    @model_validator(mode="before")
    @classmethod
    def _window_from_list(cls, data: object) -> object:
        if isinstance(data, dict) and isinstance(data.get("window"), list):
            data = {**data, "window": tuple(data["window"])}
        return data

    @model_validator(mode="after")
    def _window_order(self) -> Self:
        if self.window and not (
            self.window[0] < self.window[2] and self.window[1] < self.window[3]
        ):
            raise ValueError("window: write west, south, east, north in degrees, west < east")
        return self


class LayerTable(Table):
    """A file of features."""

    file: FileName
    layer: str | None = None
    crs: str | None = None
    encoding: str | None = None
    decimal: Decimal = "."
    columns: Columns = {}


class TerrainTable(Table):
    """Elevation files of one vertical datum."""

    files: Annotated[list[FileName], Field(min_length=1)]
    crs: str | None = None
    nodata: float | None = None
    vertical_unit: Literal["m", "ft", "us-ft"] | None = None  # None: what the files say, else m
    clearance_m: Annotated[float, Field(ge=0.0, le=10.0)] = 0.0


class RoadsTable(LayerTable):
    """The road network."""

    class_words: dict[str, str] = {}  # the file's word -> one of the classes
    speed_unit: Literal["kmh", "mph"] | None = None  # of plain numbers; None: km/h
    classes: list[str] | None = None  # read at all
    truck_classes: list[str] | None = None  # carry the modelled traffic
    names: list[str] | None = None  # only these roads emit
    survey: FileName | None = None  # lon, lat, height_m along a road; wins over the terrain
    width_m: Annotated[float, Field(ge=2.0, le=60.0)] = 10.0


class PlainLayer(Table):
    """A file of features that stands beside another."""

    file: FileName
    layer: str | None = None
    crs: str | None = None
    columns: Columns = {}


class SensitiveHours(Table):
    """Hours of the day that matter at places where people are not at home."""

    school: Hours = frozenset(range(8, 16))
    clinic: Hours = frozenset(range(24))
    hotel: Hours = frozenset({22, 23, 0, 1, 2, 3, 4, 5, 6})


class HomesTable(LayerTable):
    """Where people live."""

    source: Literal["buildings", "points", "osm", "parcels"] = "buildings"
    kinds: dict[str, str] = {}  # the file's word -> home, school, clinic, hotel, other, none
    hours: SensitiveHours = SensitiveHours()
    outlines: PlainLayer | None = None  # building outlines on the parcels
    population: PlainLayer | None = None  # areas with people, shared out by floor area
    placement: Literal["facades", "centre"] = "facades"
    receiver_height_m: Annotated[float, Field(ge=0.5, le=100.0)] = 4.0
    people_per_dwelling: Annotated[float, Field(gt=0.0, le=20.0)] = 2.5
    people_total: Annotated[float, Field(gt=0.0)] | None = None
    proxies: bool = True
    proxy_people: Annotated[float, Field(gt=0.0, le=100.0)] = 2.5

    @model_validator(mode="after")
    def _fits(self) -> Self:
        if self.outlines is not None and self.source != "parcels":
            raise ValueError('[homes.outlines] needs source = "parcels"')
        if self.population is not None and self.people_total is not None:
            raise ValueError("give either [homes.population] or people_total, one of the two")
        return self


class GroundTable(Table):
    """Ground factor from land use."""

    file: FileName | None = None
    layer: str | None = None
    crs: str | None = None
    encoding: str | None = None
    decimal: Decimal = "."
    columns: Columns = {}
    default_factor: Share = 0.7
    foliage_height_m: Annotated[float, Field(gt=0.0, le=60.0)] = 15.0
    all_forest_dense: bool = False
    industrial_sites: bool = False
    industrial_height_m: Annotated[float, Field(gt=0.0, le=60.0)] = 10.0


class ObstaclesTable(Table):
    """What screens: walls, and the buildings themselves."""

    walls: FileName | None = None
    layer: str | None = None
    crs: str | None = None
    encoding: str | None = None
    decimal: Decimal = "."
    columns: Columns = {}
    buildings: Literal["homes", "housing", "none"] = "homes"
    assumed_wall_height_m: Annotated[float, Field(gt=0.0, le=20.0)] | None = None
    side_paths: bool = True
    reflection_order: Literal[0, 1] = 1
    wall_reflection: Share | None = None  # None: as table 4 of the standard says
    building_reflection: Share | None = None


class EngagementShares(Table):
    """How the retarders of the heavy trucks are worked; shares of those that have one."""

    hand: Share = 0.0
    pedal: Share = 0.0
    cruise: Share = 0.0
    descent_control: Share = 0.0

    @model_validator(mode="after")
    def _sum(self) -> Self:
        total = self.hand + self.pedal + self.cruise + self.descent_control
        if abs(total - 1.0) > 1e-6:
            raise ValueError(f"the four shares sum to {total:.3f}; they must sum to 1")
        return self


class AssumedTraffic(Table):
    """Traffic by average day, for a place without counts; always shown as an assumption."""

    # on roads without an aadt column; may be left out where every road has one
    vehicles_per_day: Annotated[float, Field(gt=0.0, le=500_000.0)] | None = None
    medium_share: Share = default("traffic", "medium_share")
    heavy_share: Share = default("traffic", "heavy_share")
    heavy_night_share: Share = default("traffic", "heavy_night_share")
    roads: list[str] | None = None
    profile: FileName | None = None  # hour, light, medium, heavy: shares of the day
    by_road: FileName | None = None  # road, aadt, truck_pct: wins over vehicles_per_day


class Periods(Table):
    """Named sets of hours."""

    night: Hours = frozenset({22, 23, 0, 1, 2, 3, 4, 5, 6})
    evening: Hours = frozenset({19, 20, 21})
    shift_sleep: Hours = frozenset(range(8, 16))  # when those who work at night sleep at home

    @model_validator(mode="after")
    def _apart(self) -> Self:
        both = sorted(self.night & self.evening)
        if both:
            raise ValueError(f"hours {both} are both night and evening")
        return self


class TrafficTable(Table):
    """Counts by road, direction, hour, class and exhaust state."""

    file: FileName | None = None
    sheet: str | None = None
    encoding: str | None = None
    decimal: Decimal = "."
    columns: Columns = {}
    classes: dict[str, VehicleClass] = {}  # the file's word -> light, medium, heavy
    trucks: FileName | None = None  # weights, shares and retarders; instead of [[truck]]
    assumed: AssumedTraffic | None = None
    exhaust_shares: ExhaustShares = ExhaustShares()
    fleet: FileName | None = None  # of `noisemap fleet`; instead of [traffic.exhaust_shares]
    after_treatment: AfterTreatmentTable | None = None  # None: ends as assumed
    counted_states: Literal["keep", "replace"] = "keep"  # exhaust states that the counts name
    engagement_shares: EngagementShares | None = None  # None: all hold their speed evenly
    periods: Periods = Periods()

    @model_validator(mode="after")
    def _one_of(self) -> Self:
        if (self.file is None) == (self.assumed is None):
            raise ValueError("give either file or [traffic.assumed], one of the two")
        if self.fleet is not None and "exhaust_shares" in self.model_fields_set:
            raise ValueError("give either fleet or [traffic.exhaust_shares], one of the two")
        if self.fleet is not None and self.after_treatment and self.after_treatment.model_years:
            raise ValueError("give either fleet or [traffic.after_treatment] model_years")
        if self.counted_states == "replace" and self.file is None:
            raise ValueError('counted_states = "replace" needs a file of counts')
        return self

    @property
    def shares(self) -> ExhaustShares:
        """Shares of the exhaust states, the working ones parted by model years if given."""
        by_year = self.after_treatment.by_model_year if self.after_treatment else None
        return self.exhaust_shares if by_year is None else self.exhaust_shares.parted(by_year)


class BackgroundTable(Table):
    """Levels without the modelled traffic, by period."""

    day_db: Annotated[float, Field(ge=10.0, le=90.0)]
    evening_db: Annotated[float, Field(ge=10.0, le=90.0)]
    night_db: Annotated[float, Field(ge=10.0, le=90.0)]
    source: Literal["measured", "assumed"] = "assumed"


class TruckTable(Table):
    """One class of the heavy trucks: its weight, share and retarder."""

    name: Annotated[str, Field(min_length=1, max_length=60)]
    model: str = "15L"
    mass_kg: Annotated[float, Field(ge=4_500.0, le=120_000.0)] | None = None
    mass_lb: Annotated[float, Field(ge=10_000.0, le=265_000.0)] | None = None
    share: Share
    retarder: RetarderKind = "compression_release"
    gearbox: Gearbox = "uninterrupted"

    @model_validator(mode="after")
    def _one_mass(self) -> Self:
        if (self.mass_kg is None) == (self.mass_lb is None):
            raise ValueError("give either mass_kg or mass_lb, one of the two")
        return self

    @property
    def mass(self) -> float:
        """Mass [kg]."""
        if self.mass_kg is not None:
            return self.mass_kg
        assert self.mass_lb is not None
        return self.mass_lb * POUND_KG


class DescentTable(Table):
    """How trucks take the grade and what their brakes may bear."""

    preset: Literal["modern_drag", "federal", "first_principles"] = "modern_drag"
    entry_temperature_c: Annotated[float, Field(ge=-20.0, le=400.0)] = 65.6
    ambient_c: Annotated[float, Field(ge=-40.0, le=50.0)] = 32.2
    hard_limit_c: Annotated[float, Field(ge=100.0, le=400.0)] = 260.0
    planning_limit_c: Annotated[float, Field(ge=80.0, le=400.0)] = 190.0
    stage_habit: Literal["lowest_that_holds", "always_full"] = "lowest_that_holds"
    assumed_speed_kmh: Annotated[float, Field(ge=10.0, le=130.0)] | None = None
    highest_truck_speed_kmh: Annotated[float, Field(ge=40.0, le=130.0)] = 105.0
    curve_speeds: bool = True
    superelevation_pct: Annotated[float, Field(ge=0.0, le=12.0)] = 4.0

    @model_validator(mode="after")
    def _limits(self) -> Self:
        if self.planning_limit_c > self.hard_limit_c:
            raise ValueError("planning_limit_c may not exceed hard_limit_c")
        if self.entry_temperature_c >= self.planning_limit_c:
            raise ValueError("entry_temperature_c must lie below planning_limit_c")
        return self


class SourceTable(Table):
    """The exhaust source; its engine is that of each truck's file."""

    calibration_offset_db: Annotated[float, Field(ge=-6.0, le=6.0)] = 0.0
    calibration_basis: str = ""

    @model_validator(mode="after")
    def _basis(self) -> Self:
        if self.calibration_offset_db != 0.0 and not self.calibration_basis.strip():
            raise ValueError(
                "calibration_offset_db other than 0 needs calibration_basis: "
                "name the measurement it comes from"
            )
        return self


class WeatherTable(Table):
    """The air of the favourable-propagation case."""

    temperature_c: Annotated[float, Field(ge=-20.0, le=50.0)] = 10.0
    relative_humidity_pct: Annotated[float, Field(ge=5.0, le=100.0)] = 70.0
    pressure_kpa: Annotated[float, Field(ge=50.0, le=110.0)] | None = None
    c0_db: Annotated[float, Field(ge=0.0, le=5.0)] = 0.0
    screening_reading: Literal["literal", "positive"] = "literal"


class ZoneTable(Table):
    """A candidate restriction."""

    name: Annotated[str, Field(min_length=1, max_length=120)]
    road: Annotated[str, Field(min_length=1)]
    from_m: float | None = None
    to_m: float | None = None
    from_mi: float | None = None
    to_mi: float | None = None
    hours: Hours = frozenset(range(24))
    binds: Binds = "unmuffled_compression_release"
    observance: Share = default("zone", "observance")
    emergency_use: Share = default("zone", "emergency_use")
    # of those who obey, that use it all the same to keep control

    @model_validator(mode="after")
    def _ends(self) -> Self:
        metric = (self.from_m is not None, self.to_m is not None)
        miles = (self.from_mi is not None, self.to_mi is not None)
        if not (all(metric) ^ all(miles)) or (any(metric) and any(miles)):
            raise ValueError("give from_m and to_m, or from_mi and to_mi")
        if self.start < 0.0 or self.end <= self.start:
            raise ValueError("the zone's end must lie beyond its start, both 0 or more")
        return self

    @property
    def start(self) -> float:
        """Start along the road [m]."""
        return self.from_m if self.from_m is not None else (self.from_mi or 0.0) * MILE_M

    @property
    def end(self) -> float:
        """End along the road [m]."""
        return self.to_m if self.to_m is not None else (self.to_mi or 0.0) * MILE_M


class CriteriaTable(Table):
    """Which published lines the levels are compared with."""

    use: list[str] = []
    # assessed only on request; what is not asked for is "not assessed", never 0
    character: Literal["not_assessed", "levels", "onset", "classes"] = "not_assessed"
    awakenings: Literal["not_assessed", "logistic_2008", "power_1997", "quadratic_2006"] = (
        "not_assessed"
    )
    annoyance: Literal["not_assessed", "eu_2020", "road_2001"] = "eu_2020"
    worth_people_passes: Annotated[float, Field(gt=0.0)] = default(
        "criteria", "worth_people_passes"
    )


class SiteTable(Table):
    """A measurement site; reserved for roadside inspection."""

    name: str
    lon: float
    lat: float


class RunTable(Table):
    """How to compute."""

    seed: Annotated[int, Field(ge=0, le=2**63 - 1)] = 20260101
    samples: Annotated[int, Field(ge=1000, le=100_000)] = 1000
    memory_gb: Annotated[float, Field(gt=0.0, le=1024.0)] = 2.0
    max_distance_m: Annotated[float, Field(ge=100.0, le=5000.0)] = 1500.0
    grid_points: Annotated[int, Field(ge=0, le=2_000_000)] = 4000


class OutputTable(Table):
    """What to write, and where."""

    folder: str = "noisemap-output"
    formats: list[Literal["map", "report", "pdf", "csv", "gpkg", "xlsx"]] = [
        "map",
        "report",
        "pdf",
        "csv",
        "gpkg",
    ]


DEFAULT_TRUCKS = default_trucks()


class Study(Table):
    """A whole study."""

    schema_: Annotated[Literal[1], Field(alias="schema")]
    units: Literal["us", "metric"] = "us"
    study: StudyTable
    terrain: TerrainTable
    roads: RoadsTable
    homes: HomesTable
    ground: GroundTable = GroundTable()
    obstacles: ObstaclesTable = ObstaclesTable()
    traffic: TrafficTable
    background: BackgroundTable | None = None
    truck: list[TruckTable] = Field(
        default_factory=lambda: [TruckTable.model_validate(row) for row in DEFAULT_TRUCKS]
    )
    descent: DescentTable = DescentTable()
    source: SourceTable = SourceTable()
    weather: WeatherTable = WeatherTable()
    zone: list[ZoneTable] = []
    criteria: CriteriaTable = CriteriaTable()
    site: list[SiteTable] = []
    run: RunTable = RunTable()
    output: OutputTable = OutputTable()

    @model_validator(mode="after")
    def _whole(self) -> Self:
        if self.traffic.trucks is not None and "truck" in self.model_fields_set:
            raise ValueError("give either [[truck]] or traffic.trucks, one of the two")
        if self.traffic.engagement_shares and "stage_habit" in self.descent.model_fields_set:
            raise ValueError(
                "give either [traffic.engagement_shares] or descent.stage_habit, one of the two"
            )
        total = sum(truck.share for truck in self.truck)
        if abs(total - 1.0) > 1e-6:
            raise ValueError(f"[[truck]] shares sum to {total:.3f}; they must sum to 1")
        for label, names in (
            ("[[truck]]", [truck.name for truck in self.truck]),
            ("[[zone]]", [zone.name for zone in self.zone]),
        ):
            double = sorted({name for name in names if names.count(name) > 1})
            if double:
                raise ValueError(f"{label} names must differ; twice: {', '.join(double)}")
        return self
