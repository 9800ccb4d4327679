"""The scene sheet: what was read, as one map and a few tables, before anything is computed."""

from __future__ import annotations

import base64
import io
import tempfile
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from noisemap.errors import BadDataError
from noisemap.outputs.backdrop import relief_bounds, shaded_relief
from noisemap.outputs.geometry import road_piece, zone_road
from noisemap.outputs.layers import field_names
from noisemap.outputs.offline import asset, refuse_outside_references
from noisemap.outputs.tables import repairs_table
from noisemap.outputs.wording import hours_text, plain
from noisemap.scene.model import BRIDGE, TUNNEL, Road, Scene
from noisemap.states import Zone
from noisemap.storage import write_bytes
from noisemap.units import FOOT_M, MILE_M, show_length, show_speed

if TYPE_CHECKING:
    from matplotlib.axes import Axes

FloatArray = npt.NDArray[np.float64]

GRADE_EDGES_PCT = (2.0, 4.0, 6.0, 8.0, 12.0)
GRADE_COLOURS = ("#9aa5b1", "#4c9f70", "#c8b900", "#e07b00", "#c4341c", "#6a0f49")
HARD_FACTOR, POROUS_FACTOR = 0.25, 0.75
ROADS_SHOWN, REPAIRS_SHOWN = 40, 200
PAGE, REPAIRS = "scene-sheet.html", "repairs.gpkg"


@dataclass(frozen=True)
class Grouped:
    """One line of a table of shares."""

    words: str
    amount: str
    share: str


@dataclass(frozen=True)
class About:
    """What the study says beside the scene."""

    name: str
    units: str  # "us" or "metric": how lengths are shown
    zones: Sequence[Zone] = ()
    hours: Mapping[str, frozenset[int]] = field(default_factory=dict)  # of kinds of places


def write_scene_sheet(
    folder: Path, scene: Scene, about: About, assumptions: Sequence[str],
    problems: Sequence[str], created: datetime,
) -> list[Path]:  # fmt: skip
    """Paths of the sheet and of the layer of repairs, written into the folder.

    Parameters
    ----------
    folder : Path
        Made if it is not there.
    scene : Scene
        What was read.
    about : About
        What the study says beside it.
    assumptions, problems : sequence of str
        Sentences that stand on the sheet beside the scene's own warnings.
    created : datetime
        Moment to state in the files, with its time zone.

    Raises
    ------
    CannotWriteError
        When a file cannot be written.
    """
    page, layer = folder / PAGE, folder / REPAIRS
    html = scene_sheet_html(scene, about, assumptions, problems)
    write_bytes(page, html.encode("utf-8"))
    write_bytes(layer, repairs_bytes(scene, created))
    return [page, layer]


def scene_sheet_html(
    scene: Scene, about: About, assumptions: Sequence[str], problems: Sequence[str]
) -> str:
    """HTML of the scene sheet; it needs and calls nothing outside itself."""
    import jinja2

    picture = base64.b64encode(_map_picture(scene, about.zones)).decode()
    units = about.units
    environment = jinja2.Environment(autoescape=True, undefined=jinja2.StrictUndefined)
    template = environment.from_string(asset("scene_sheet.html.j2"))
    shown = scene.repairs[:REPAIRS_SHOWN]
    page = template.render(
        name=plain(about.name),
        picture=f"data:image/png;base64,{picture}",
        alt=_picture_words(scene),
        colours=list(zip(_grade_words(), GRADE_COLOURS, strict=True)),
        facts=scene_facts(scene, units),
        roads=road_rows(scene, units)[:ROADS_SHOWN],
        more_roads=max(0, len(road_rows(scene, units)) - ROADS_SHOWN),
        grades=grade_shares(scene, units),
        ground=ground_shares(scene, units),
        homes=home_shares(scene, about.hours),
        zones=[zone_words(zone, units) for zone in about.zones],
        repairs=[(plain(r.layer), plain(r.item), plain(r.what, 300)) for r in shown],
        more_repairs=len(scene.repairs) - len(shown),
        assumptions=[plain(text, 600) for text in assumptions],
        warnings=[plain(text, 600) for text in scene.warnings],
        problems=[plain(text, 600) for text in problems],
        attribution=[plain(text, 300) for text in scene.attribution],
        layer=REPAIRS,
    )
    refuse_outside_references(page)
    return page


def zone_words(zone: Zone, units: str) -> str:
    """Where a zone lies."""
    ends = f"{show_length(zone.from_m, units)} to {show_length(zone.to_m, units)}"
    return f"{plain(zone.name, 80)}: {plain(zone.road, 80)}, {ends} from its upper end"


def scene_facts(scene: Scene, units: str) -> list[tuple[str, str]]:
    """Counts and sizes of the scene, in words."""
    west, south, east, north = relief_bounds(scene.terrain)
    facts = scene.facts
    cells = scene.terrain.filled.size
    return [
        ("Coordinate system", scene.crs),
        ("Study area", f"{show_length(east - west, units)} x {show_length(north - south, units)}"),
        (
            "Heights",
            height_range(
                float(scene.terrain.height.min()), float(scene.terrain.height.max()), units
            ),
        ),
        (
            "Terrain cells",
            f"{scene.terrain.native_cell:.1f} m in the files, {scene.terrain.cell:g} m used",
        ),
        (
            "Terrain cells without height, filled",
            f"{facts.get('terrain_voids', 0.0):,.0f} in the files, "
            f"{100.0 * float(scene.terrain.filled.sum()) / cells:.2f} % of the grid used",
        ),
        (
            "Roads read",
            f"{len(scene.roads):,}, {show_length(1000.0 * facts.get('road_km', 0.0), units)}",
        ),
        (
            "Road with modelled traffic",
            show_length(1000.0 * facts.get("truck_road_km", 0.0), units),
        ),
        ("Homes and other receivers", f"{len(scene.homes.home_id):,}"),
        ("People", f"{scene.homes.people.sum():,.0f}"),
        ("Calculation points", f"{len(scene.receivers.x):,}"),
        ("Walls and buildings in the way", f"{len(scene.obstacles.edges):,} edges"),
        ("Repairs", f"{len(scene.repairs):,}"),
    ]


def height_range(low: float, high: float, units: str) -> str:
    """Two heights in the reader's unit.

    >>> height_range(100.0, 200.0, "us"), height_range(200.0, 100.0, "metric")
    ('328 to 656 ft', '200 to 100 m')
    """
    if units == "us":
        return f"{low / FOOT_M:,.0f} to {high / FOOT_M:,.0f} ft"
    return f"{low:,.0f} to {high:,.0f} m"


def grade_shares(scene: Scene, units: str) -> list[Grouped]:
    """Length of the roads with modelled traffic by class of grade."""
    length, grade = _emitting(scene)
    total = float(length.sum())
    place = np.searchsorted(GRADE_EDGES_PCT, 100.0 * np.abs(grade), side="right")
    sums = np.bincount(place, length, minlength=len(GRADE_COLOURS))
    return [
        Grouped(words, show_length(float(part), units), _share(float(part), total))
        for words, part in zip(_grade_words(), sums.tolist(), strict=True)
    ]


def ground_shares(scene: Scene, units: str) -> list[Grouped]:
    """Shares of the study area that are hard, mixed and porous, and under dense trees."""
    factor, total = scene.ground.factor, scene.ground.factor.size
    unit, words_of = (MILE_M, "sq mi") if units == "us" else (1000.0, "km2")
    area = (scene.ground.cell / unit) ** 2
    classes = (
        ("hard, factor 0 to 0.25", factor <= HARD_FACTOR),
        ("mixed", (factor > HARD_FACTOR) & (factor < POROUS_FACTOR)),
        ("porous, factor 0.75 to 1", factor >= POROUS_FACTOR),
        ("of all: under dense trees", scene.ground.foliage),
    )
    return [
        Grouped(
            words, f"{float(flag.sum()) * area:,.2f} {words_of}", _share(float(flag.sum()), total)
        )
        for words, flag in classes
    ]


def home_shares(scene: Scene, hours: Mapping[str, frozenset[int]]) -> list[Grouped]:
    """Homes by kind with the hours that count there, and how many are estimated; their people."""
    homes = scene.homes
    kinds = Counter(homes.kind)
    rows = []
    for kind, count in sorted(kinds.items(), key=lambda item: (-item[1], item[0])):
        own = np.array([one == kind for one in homes.kind], np.bool_)
        words = f"{plain(kind)}, {hours_text(hours[kind])}" if kind in hours else plain(kind)
        rows.append(Grouped(words, f"{count:,}", f"{homes.people[own].sum():,.0f} people"))
    if homes.estimated.any():
        people = f"{homes.people[homes.estimated].sum():,.0f} people"
        words = "of all: estimated, drawn hollow"
        rows.append(Grouped(words, f"{int(homes.estimated.sum()):,}", people))
    return rows


def road_rows(scene: Scene, units: str) -> list[tuple[str, ...]]:
    """Roads with modelled traffic, longest first: name, length, heights, limits and so on."""
    rows: list[tuple[str, ...]] = []
    carrying = [road for road in scene.roads if road.emits.any()]
    for road in sorted(carrying, key=lambda road: -float(road.chainage[-1])):
        limits = np.unique(np.round(road.speed_limit_kmh[road.emits], 1))
        assumed = float(np.average(road.speed_limit_assumed[road.emits]))
        bridges, tunnels = _structure_length(road, BRIDGE), _structure_length(road, TUNNEL)
        rows.append(
            (
                plain(road.name) or "(no name)",
                plain(road.road_id),
                plain(road.road_class),
                show_length(float(road.chainage[-1]), units),
                height_range(float(road.height[0]), float(road.height[-1]), units),
                " to ".join(
                    dict.fromkeys(show_speed(limit / 3.6, units) for limit in limits[[0, -1]])
                )
                + (f", {100.0 * assumed:.0f} % assumed" if assumed else ""),
                _lanes(road),
                _paving(road),
                {0: "both", 1: "out", -1: "back"}[road.one_way],
                show_length(bridges, units) if bridges else "",
                show_length(tunnels, units) if tunnels else "",
            )
        )
    return rows


def _lanes(road: Road) -> str:
    """Lanes of the steps with modelled traffic; blank where the file names none."""
    if not len(road.lanes):
        return ""
    known = road.lanes[road.emits & np.isfinite(road.lanes)]
    if not len(known):
        return ""
    return " to ".join(dict.fromkeys(f"{count:g}" for count in (known.min(), known.max())))


def _paving(road: Road) -> str:
    """Surfaces of the steps with modelled traffic, those on most of it first."""
    if not len(road.paving):
        return ""
    words = Counter(text for text in road.paving[road.emits].tolist() if text)
    return ", ".join(plain(word, 40) for word, _ in words.most_common(3))


def repairs_bytes(scene: Scene, created: datetime) -> bytes:
    """GeoPackage with one point a repair, in the study's coordinate system."""
    import geopandas
    import pyogrio
    import shapely

    table = repairs_table(scene)
    columns: dict[str, list[Any]] = {
        field: [row[index] for row in table.rows]
        for index, field in enumerate(field_names(table.headers))
    }
    shapes = [
        shapely.Point(item.x, item.y) if np.isfinite([item.x, item.y]).all() else None
        for item in scene.repairs
    ]
    frame = geopandas.GeoDataFrame(columns, geometry=shapes, crs=scene.crs)
    moment = created.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.000Z")
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": moment})
    with tempfile.TemporaryDirectory(prefix="noisemap-") as folder:
        path = Path(folder) / REPAIRS
        pyogrio.write_dataframe(
            frame, path, layer="repairs", driver="GPKG", geometry_type="Point",
            layer_metadata={"CREATED": created.isoformat(), "CRS": scene.crs},
        )  # fmt: skip
        return path.read_bytes()


def _structure_length(road: Road, kind: int) -> float:
    return float(np.diff(road.chainage)[road.structure == kind].sum())


def _emitting(scene: Scene) -> tuple[FloatArray, FloatArray]:
    """Lengths [m] and grades [1] of the steps with modelled traffic."""
    roads = [road for road in scene.roads if road.emits.any()]
    if not roads:
        return np.zeros(0), np.zeros(0)
    return (
        np.concatenate([np.diff(road.chainage)[road.emits] for road in roads]),
        np.concatenate([road.grade[road.emits] for road in roads]),
    )


def _grade_words() -> list[str]:
    """Names of the classes of grade.

    >>> _grade_words()[0], _grade_words()[-1]
    ('under 2 %', '12 % and more')
    """
    pairs = pairwise(GRADE_EDGES_PCT)
    return [
        f"under {GRADE_EDGES_PCT[0]:g} %",
        *(f"{low:g} to {high:g} %" for low, high in pairs),
        f"{GRADE_EDGES_PCT[-1]:g} % and more",
    ]


def _share(part: float, total: float) -> str:
    return f"{100.0 * part / total:.1f} %" if total else ""


def _picture_words(scene: Scene) -> str:
    return (
        f"Map of the study area with {len(scene.roads):,} roads, coloured by grade where they "
        f"carry the modelled traffic, {len(scene.homes.home_id):,} homes and "
        f"{len(scene.repairs):,} repairs."
    )


def _map_picture(scene: Scene, zones: Sequence[Zone]) -> bytes:
    """PNG of the study area: relief, filled cells, roads by grade, zones, homes, repairs."""
    from matplotlib.figure import Figure

    west, south, east, north = relief_bounds(scene.terrain)
    tall = float(np.clip((north - south) / (east - west), 0.4, 1.4))
    figure = Figure(figsize=(11.0, 11.0 * tall + 0.4), dpi=110, layout="constrained")
    axes = figure.add_subplot()
    extent = (west, east, south, north)
    axes.imshow(
        shaded_relief(scene.terrain), extent=extent, origin="lower", cmap="gray",
        vmin=-1.2, vmax=1.0, interpolation="bilinear",
    )  # fmt: skip
    _overlay(axes, scene.ground.foliage, _ground_extent(scene), "#3f7d4e", 0.35)
    _overlay(axes, scene.ground.factor <= HARD_FACTOR, _ground_extent(scene), "#5b6770", 0.35)
    _overlay(axes, scene.terrain.filled, extent, "#d81b60", 0.6)
    for edge in (scene.obstacles.edges[scene.obstacles.block < 0]).tolist():
        axes.plot(edge[0::2], edge[1::2], color="#0b3c5d", linewidth=2.0, zorder=3)
    _draw_zones(axes, scene, zones)
    _draw_roads(axes, scene)
    _draw_homes(axes, scene)
    place = np.array([[item.x, item.y] for item in scene.repairs]).reshape(-1, 2)
    place = place[np.isfinite(place).all(axis=1)]
    if len(place):
        axes.scatter(
            place[:, 0], place[:, 1], marker="x", s=40, color="#d81b60", linewidths=1.6, zorder=6,
            label="repair",
        )  # fmt: skip
    axes.set_xlim(west, east)
    axes.set_ylim(south, north)
    axes.set_aspect("equal")
    axes.tick_params(labelsize=7)
    axes.ticklabel_format(style="plain", useOffset=False)
    axes.set_xlabel(f"east [m], {scene.crs}", fontsize=8)
    axes.set_ylabel("north [m]", fontsize=8)
    if axes.get_legend_handles_labels()[0]:
        axes.legend(loc="upper right", fontsize=8, framealpha=0.9)
    stream = io.BytesIO()
    figure.savefig(
        stream, format="png", bbox_inches="tight", pad_inches=0.08, metadata={"Software": None}
    )
    return stream.getvalue()


def _ground_extent(scene: Scene) -> tuple[float, float, float, float]:
    ground, half = scene.ground, scene.ground.cell / 2.0
    rows, columns = ground.factor.shape
    return (
        ground.x0 - half,
        ground.x0 + (columns - 0.5) * ground.cell,
        ground.y0 - half,
        ground.y0 + (rows - 0.5) * ground.cell,
    )


def _overlay(
    axes: Axes,
    flag: npt.NDArray[np.bool_],
    extent: tuple[float, float, float, float],
    colour: str,
    strength: float,
) -> None:
    """Tint the flagged cells."""
    from matplotlib.colors import to_rgba

    picture = np.zeros((*flag.shape, 4))
    picture[flag] = to_rgba(colour, strength)
    axes.imshow(picture, extent=extent, origin="lower", interpolation="nearest", zorder=2)


def _draw_zones(axes: Axes, scene: Scene, zones: Sequence[Zone]) -> None:
    """A wide dark band under each zone's piece of road."""
    for number, zone in enumerate(zones):
        try:
            line = road_piece(zone_road(scene, zone), zone.from_m, zone.to_m)
        except BadDataError:  # stands among the problems already
            continue
        axes.plot(
            line[:, 0], line[:, 1], color="#111111", linewidth=7.0, alpha=0.55, zorder=3.5,
            solid_capstyle="butt", label=None if number else "zone of the study",
        )  # fmt: skip


def _draw_roads(axes: Axes, scene: Scene) -> None:
    from matplotlib.collections import LineCollection

    for road in scene.roads:
        points = np.column_stack([road.x, road.y])
        steps = np.stack([points[:-1], points[1:]], axis=1)
        place = np.searchsorted(GRADE_EDGES_PCT, 100.0 * np.abs(road.grade), side="right")
        colour = [GRADE_COLOURS[index] for index in place.tolist()]
        emits = road.emits
        quiet = LineCollection(list(steps[~emits]), colors="#404040", linewidths=0.6, zorder=3)
        loud = LineCollection(
            list(steps[emits]),
            colors=[one for one, on in zip(colour, emits.tolist(), strict=True) if on],
            linewidths=2.6,
            zorder=4,
        )
        axes.add_collection(quiet)
        axes.add_collection(loud)


def _draw_homes(axes: Axes, scene: Scene) -> None:
    homes = scene.homes
    lived = np.array([kind == "home" for kind in homes.kind], np.bool_)
    for flag, marker, face, words in (
        (lived & ~homes.estimated, "o", "#1f4e9c", "home"),
        (lived & homes.estimated, "o", "none", "home, estimated"),
        (~lived, "^", "#7b1fa2", "school, clinic, hotel, other"),
    ):
        if flag.any():
            axes.scatter(
                homes.x[flag], homes.y[flag], s=14 if marker == "o" else 40, marker=marker,
                facecolors=face, edgecolors="#1f4e9c", linewidths=0.7, zorder=5, label=words,
            )  # fmt: skip
