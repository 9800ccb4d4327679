"""The invented demo town: as designed, whole, dirty only where the manifest says so."""

import csv
import itertools
import json
import subprocess
import sys
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import rasterio
import shapely
from scipy.interpolate import RegularGridInterpolator

from noisemap.study.load import load_study

DATA = Path(__file__).parent.parent / "data"
UTM = "EPSG:32606"
LAYERS = ("roads", "homes", "ground", "obstacles")
WRITTEN = (
    *(f"{name}.geojson" for name in LAYERS),
    "terrain.tif", "truth.csv", "traffic.csv", "readings.csv", "manifest.json",
)  # fmt: skip
MANIFEST = json.loads((DATA / "manifest.json").read_text(encoding="utf-8"))
CENTIMETRE_DEG = 2e-7  # two steps of the last digit written
BOUNDARY_M = 0.05  # how far a drawn line may leave the designed one


def dirt(file: str) -> list[dict]:
    return [d for d in MANIFEST["dirt"] if d["file"] == file]


def fault(file: str, what: str) -> dict:
    (found,) = [d for d in dirt(file) if d["fault"] == what]
    return found


def features(path: Path) -> list[dict]:
    return json.loads(path.read_text(encoding="utf-8"))["features"]


def layer(name: str) -> gpd.GeoDataFrame:
    frame = gpd.read_file(DATA / f"{name}.geojson")
    assert frame.crs.to_epsg() == 4326
    return frame.to_crs(UTM).set_index("id")


@pytest.fixture(scope="module")
def roads() -> gpd.GeoDataFrame:
    return layer("roads")


@pytest.fixture(scope="module")
def homes() -> gpd.GeoDataFrame:
    frame = layer("homes")
    frame.geometry = frame.geometry.make_valid()
    return frame


@pytest.fixture(scope="module")
def truth() -> pd.DataFrame:
    return pd.read_csv(DATA / "truth.csv")


@pytest.fixture(scope="module")
def main_road(truth: pd.DataFrame) -> pd.DataFrame:
    return truth[truth.road == "SR 77"].reset_index(drop=True)


@pytest.fixture(scope="module")
def axis(main_road: pd.DataFrame) -> shapely.LineString:
    return shapely.LineString(main_road[["x_m", "y_m"]].to_numpy())


class Heights:
    """Bilinear ground heights between the centres of the cells."""

    def __init__(self, path: Path) -> None:
        with rasterio.open(path) as file:
            self.crs, self.nodata, self.bounds = file.crs, file.nodata, file.bounds
            self.transform, self.tags, self.dtype = file.transform, file.tags(), file.dtypes[0]
            self.cells = file.read(1).astype(float)
        rows, columns = self.cells.shape
        x = self.bounds.left + (np.arange(columns) + 0.5) * self.transform.a
        y = self.bounds.bottom + (np.arange(rows) + 0.5) * self.transform.a
        self.void = self.cells == self.nodata
        self.void_xy = [(x[c], y[rows - 1 - r]) for r, c in np.argwhere(self.void)]
        filled = np.where(self.void, np.nan, self.cells)
        self._surface = RegularGridInterpolator((y, x), filled[::-1])

    def at(self, x, y) -> np.ndarray:
        return self._surface(np.column_stack([y, x]))


@pytest.fixture(scope="module")
def ground() -> Heights:
    return Heights(DATA / "terrain.tif")


@pytest.fixture(scope="module")
def again(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("again")
    command = [sys.executable, "-B", str(DATA / "generate.py"), str(out)]
    subprocess.run(command, check=True, cwd=out, timeout=180)
    return out


class TestGeneratedAgain:
    def test_every_file_is_written(self, again: Path) -> None:
        assert {p.name for p in again.iterdir()} == {*WRITTEN, "study.toml"}

    def test_terrain_is_the_same_to_the_decimetre(self, again: Path, ground: Heights) -> None:
        new = Heights(again / "terrain.tif")
        assert new.transform == ground.transform
        assert np.array_equal(new.void, ground.void)
        apart = np.abs(new.cells - ground.cells)
        assert apart.max() < 0.11  # a tie may round the other way on another machine
        assert (apart > 0.01).mean() < 1e-4

    @pytest.mark.parametrize("name", LAYERS)
    def test_layer_is_the_same(self, again: Path, name: str) -> None:
        old, new = features(DATA / f"{name}.geojson"), features(again / f"{name}.geojson")
        assert [f["properties"] for f in new] == [f["properties"] for f in old]
        for before, after in zip(old, new, strict=True):
            a, b = (shapely.from_geojson(json.dumps(f["geometry"])) for f in (before, after))
            assert a.geom_type == b.geom_type
            xy = shapely.get_coordinates([a]), shapely.get_coordinates([b])
            np.testing.assert_allclose(xy[1], xy[0], rtol=0.0, atol=CENTIMETRE_DEG)

    @pytest.mark.parametrize("name", ["traffic.csv", "readings.csv", "study.toml"])
    def test_text_is_the_same(self, again: Path, name: str) -> None:
        assert (again / name).read_bytes() == (DATA / name).read_bytes()

    def test_truth_and_manifest_are_the_same(self, again: Path, truth: pd.DataFrame) -> None:
        pd.testing.assert_frame_equal(pd.read_csv(again / "truth.csv"), truth, atol=0.011, rtol=0.0)
        assert json.loads((again / "manifest.json").read_text(encoding="utf-8")) == MANIFEST


class TestSizeAndMarks:
    def test_whole_folder_is_small(self) -> None:
        assert sum(p.stat().st_size for p in DATA.iterdir() if p.is_file()) < 1_000_000

    def test_everything_says_that_it_is_invented(self, ground: Heights) -> None:
        assert MANIFEST["invented"] is True
        assert "Invented" in ground.tags["description"]
        for name in LAYERS:
            content = json.loads((DATA / f"{name}.geojson").read_text(encoding="utf-8"))
            assert "Invented" in content["description"]
        assert "Everything here is invented" in (DATA / "README.md").read_text(encoding="utf-8")
        assert "INVENTED" in (DATA / "generate.py").read_text(encoding="utf-8")

    def test_place_is_open_ocean(self, roads: gpd.GeoDataFrame) -> None:
        west, south, east, north = roads.to_crs("EPSG:4326").total_bounds
        assert -147.2 < west < east < -146.8
        assert 38.9 < south < north < 39.1


class TestProfile:
    def test_table_is_what_was_asked(self, main_road: pd.DataFrame) -> None:
        table = MANIFEST["sr77"]["grade_table_pct"]
        half = MANIFEST["sr77"]["smoothing_m"] / 2 + 1
        ends = [row[0] for row in table[1:]] + [MANIFEST["sr77"]["length_m"]]
        for (start, grade), end in zip(table, ends, strict=True):
            inner = main_road.chainage_m.between(start + half, end - half)
            assert inner.any()
            assert main_road.grade_pct[inner].to_numpy() == pytest.approx(grade, abs=0.0005)

    def test_heights_are_the_sum_of_the_grades(self, main_road: pd.DataFrame) -> None:
        rise = np.trapezoid(main_road.grade_pct / 100.0, main_road.chainage_m)
        assert main_road.height_m.iloc[-1] - main_road.height_m.iloc[0] == pytest.approx(
            rise, abs=0.05
        )

    def test_points_are_as_far_apart_as_the_chainage_says(self, main_road: pd.DataFrame) -> None:
        steps = np.hypot(np.diff(main_road.x_m), np.diff(main_road.y_m))
        assert steps.max() <= 10.02
        assert steps.min() >= 9.97  # chords of the hairpins, 50 m in radius

    @pytest.mark.parametrize("road", ["SR 77", "Old Grade Road"])
    def test_terrain_carries_the_designed_grades(
        self, truth: pd.DataFrame, ground: Heights, road: str
    ) -> None:
        rows = truth[truth.road == road]
        lies = (rows.structure == "ground").to_numpy()
        measured = ground.at(rows.x_m, rows.y_m)
        assert np.abs(measured - rows.height_m)[lies].max() < 0.35
        both = lies[:-10] & lies[10:]
        grade = (measured[10:] - measured[:-10])[both]  # rise over 100 m is the grade in per cent
        designed = (rows.height_m.to_numpy()[10:] - rows.height_m.to_numpy()[:-10])[both]
        assert np.sqrt(np.mean((grade - designed) ** 2)) < 0.15

    def test_hill_stands_over_the_tunnel_and_the_bridge_over_a_ravine(
        self, main_road: pd.DataFrame, ground: Heights
    ) -> None:
        above = ground.at(main_road.x_m, main_road.y_m) - main_road.height_m
        assert above[main_road.structure == "tunnel"].max() > 15.0
        assert above[main_road.structure == "bridge"].min() < -15.0

    def test_slopes_stay_such_as_earth_can_bear(self, ground: Heights) -> None:
        heights = np.where(ground.void, np.nan, ground.cells)
        slope = np.hypot(*np.gradient(heights, ground.transform.a))
        assert np.nanpercentile(slope, 99.9) < 0.5
        assert np.nanmax(slope) < 1.0


class TestRoads:
    def test_main_road_is_one_line_from_the_top(
        self, roads: gpd.GeoDataFrame, main_road: pd.DataFrame, axis: shapely.LineString
    ) -> None:
        ways = roads[roads.ref == "SR 77"]
        assert len(ways) > 8
        assert set(ways.name) == {"SR 77"}
        for before, after in itertools.pairwise(ways.geometry):
            assert shapely.dwithin(
                shapely.get_point(before, -1), shapely.get_point(after, 0), 0.001
            )
        assert ways.geometry.length.sum() == pytest.approx(MANIFEST["sr77"]["length_m"], abs=0.5)
        assert shapely.get_point(ways.geometry.iloc[0], 0).distance(axis) < BOUNDARY_M
        assert main_road.height_m.iloc[0] > main_road.height_m.iloc[-1] + 300.0

    def test_drawn_line_is_the_designed_one(
        self, roads: gpd.GeoDataFrame, main_road: pd.DataFrame
    ) -> None:
        drawn = shapely.union_all(roads[roads.ref == "SR 77"].geometry.to_numpy())
        designed = shapely.points(main_road[["x_m", "y_m"]].to_numpy())
        assert shapely.distance(designed, drawn).max() < BOUNDARY_M + 0.02

    def test_structures_and_limits_stand_where_designed(self, roads: gpd.GeoDataFrame) -> None:
        ways = roads[roads.ref == "SR 77"]
        ends = np.concatenate(([0.0], ways.geometry.length.cumsum()))
        for kind in ("tunnel", "bridge"):
            (index,) = np.flatnonzero(ways[kind] == "yes")
            assert ends[index : index + 2] == pytest.approx(MANIFEST["sr77"][f"{kind}_m"], abs=0.5)
        assert list(dict.fromkeys(ways.maxspeed)) == ["55 mph", "45 mph", "35 mph"]
        slow = ways["maxspeed:hgv"] == "35 mph"
        assert ends[:-1][slow].min() == pytest.approx(1300.0, abs=0.5)
        assert ends[1:][slow].max() == pytest.approx(6200.0, abs=0.5)
        assert set(ways.lanes) == {2, 3}

    def test_old_grade_road_is_three_per_cent_longer(self, roads: gpd.GeoDataFrame) -> None:
        old = roads[roads.name == "Old Grade Road"].geometry.length.sum()
        facts = MANIFEST["old_grade_road"]
        between = facts["joins_sr77_at_m"] - facts["leaves_sr77_at_m"]
        assert 0.025 < old / between - 1.0 < 0.035

    def test_every_road_meets_another_at_a_vertex(self, roads: gpd.GeoDataFrame) -> None:
        vertices = {
            way: {tuple(np.round(p, 2)) for p in shapely.get_coordinates(line)}
            for way, line in roads.geometry.items()
        }
        for way, own in vertices.items():
            others = set().union(*(v for w, v in vertices.items() if w != way))
            assert own & others, way

    def test_streets_keep_trucks_out(self, roads: gpd.GeoDataFrame) -> None:
        assert set(roads[roads.highway == "residential"].hgv) == {"no"}
        assert set(roads[roads.highway.isin(["primary", "secondary"])].hgv) == {
            "designated",
            "yes",
        }


class TestHomes:
    def test_places_have_their_numbers(self, homes: gpd.GeoDataFrame) -> None:
        counts = homes.place.value_counts().to_dict()
        wanted = {"town": 260, "lower bench": 60, "ridge": 45, "hamlet": 35, "upper": 20}
        assert {k: counts[k] for k in wanted} == wanted == MANIFEST["homes"]["places"]
        assert len(homes) == MANIFEST["homes"]["buildings"]
        assert homes.index.is_unique

    def test_distances_are_those_of_the_manifest(
        self, homes: gpd.GeoDataFrame, axis: shapely.LineString
    ) -> None:
        away = homes[homes.place.isin(MANIFEST["homes"]["places"])].distance(axis)
        within = {k: int((away <= float(k)).sum()) for k in MANIFEST["homes_within_m_of_sr77"]}
        for band, count in MANIFEST["homes_within_m_of_sr77"].items():
            assert within[band] == pytest.approx(count, abs=1)  # one may stand on the line
        low_high = {"50": (10, 40), "100": (50, 130), "300": (200, 300), "500": (320, 380)}
        assert all(low <= within[band] <= high for band, (low, high) in low_high.items())
        assert 370 <= within["1000"] <= 400

    def test_special_ones_are_there(
        self, homes: gpd.GeoDataFrame, axis: shapely.LineString
    ) -> None:
        kinds = homes.kind.value_counts()
        assert set(kinds.index) == {"home", "school", "clinic", "hotel", "other"}
        assert kinds["school"] == kinds["clinic"] == 1
        mobile = homes[homes.label.str.contains("Grade View Park")]
        assert len(mobile) == 8
        assert mobile.distance(axis).to_numpy() == pytest.approx(25.0, abs=1.5)
        assert homes.dwellings.max() > 20
        assert homes.people.notna().any()
        assert homes.people.isna().any()

    def test_wall_stands_between_its_row_and_the_road(
        self, homes: gpd.GeoDataFrame, axis: shapely.LineString
    ) -> None:
        screens = layer("obstacles")
        wall = screens.loc["W1"]
        assert wall.height_m == 3.0
        row = homes[homes.label.str.contains("Wall Row")]
        assert len(row) == 9
        for centre in row.geometry.centroid:
            assert shapely.shortest_line(centre, axis).intersects(wall.geometry)

    def test_nobody_lives_on_a_road_or_in_a_neighbour(
        self, homes: gpd.GeoDataFrame, roads: gpd.GeoDataFrame
    ) -> None:
        lines = shapely.union_all(roads.geometry.to_numpy())
        assert homes.distance(lines).min() > 5.0
        tree = shapely.STRtree(homes.geometry.to_numpy())
        first, second = tree.query(homes.geometry.to_numpy(), predicate="intersects")
        assert (first == second).all()

    def test_nobody_lives_in_the_creek_or_the_dense_wood(self, homes: gpd.GeoDataFrame) -> None:
        land = layer("ground")
        apart = land[(land.natural == "water") | (land.dense == "yes")]
        assert len(apart) == 2
        assert not any(homes.intersects(shape).any() for shape in apart.geometry)

    def test_terrain_reaches_round_homes_and_roads(
        self, homes: gpd.GeoDataFrame, roads: gpd.GeoDataFrame, ground: Heights
    ) -> None:
        whole = shapely.box(*ground.bounds)
        assert whole.contains(shapely.box(*homes.total_bounds).buffer(1500.0))
        assert whole.contains(shapely.box(*roads.total_bounds).buffer(200.0))

    def test_ridge_looks_down_on_the_grade(
        self, homes: gpd.GeoDataFrame, main_road: pd.DataFrame, ground: Heights
    ) -> None:
        stacks = main_road[main_road.chainage_m.between(5000.0, 6800.0)]
        stacks = stacks[stacks.structure == "ground"][::5]
        ridge = homes[homes.place == "ridge"].geometry.centroid
        share = np.linspace(0.02, 0.98, 97)
        seeing = 0
        for home in ridge:
            eye = ground.at([home.x], [home.y])[0] + 4.0
            x = home.x + np.outer(stacks.x_m - home.x, share)
            y = home.y + np.outer(stacks.y_m - home.y, share)
            sight = eye + np.outer(stacks.height_m + 3.7 - eye, share)
            clear = (sight > ground.at(x.ravel(), y.ravel()).reshape(x.shape)).all(axis=1)
            seeing += bool(clear.any())
        assert len(ridge) == 45
        assert seeing >= 40


class TestDirt:
    def test_manifest_names_every_kind(self) -> None:
        assert len(dirt("roads.geojson")) == 6
        assert len(dirt("homes.geojson")) == 3
        assert len(dirt("terrain.tif")) == 1
        assert len(dirt("readings.csv")) == 15

    @pytest.mark.parametrize(
        ("what", "value"),
        [
            ("oneway against the drawing", "-1"),
            ("speed without a space", "25mph"),
            ("list of speeds", "25 mph;35 mph"),
            ("no speed", None),
            ("bridge below the ground", "-1"),
        ],
    )
    def test_road_tag_is_wrong(self, roads: gpd.GeoDataFrame, what: str, value: str) -> None:
        entry = fault("roads.geojson", what)
        found = roads.loc[entry["id"], entry["field"]]
        assert entry["value"] == value
        assert pd.isna(found) if value is None else found == value

    def test_no_other_road_tag_is_wrong(self, roads: gpd.GeoDataFrame) -> None:
        marked = {d["id"] for d in dirt("roads.geojson")} | {"ramp"}
        clean = roads[~roads.index.isin(marked)]
        assert clean.maxspeed.str.fullmatch(r"\d\d mph").all()
        assert set(clean.oneway) == {"yes", "no"}
        assert set(clean[clean.bridge == "yes"].layer) == {"1"}

    def test_one_street_is_drawn_twice(self, roads: gpd.GeoDataFrame) -> None:
        entry = fault("roads.geojson", "duplicate way")
        assert entry["id"] != entry["value"]
        twin = roads.geometry.loc[entry["value"]]
        assert roads.geometry.loc[entry["id"]].equals(twin)
        assert len(set(roads.geometry.to_wkb())) == len(roads) - 1

    def test_one_outline_crosses_itself(self) -> None:
        raw = layer("homes")
        entry = fault("homes.geojson", "self-crossing polygon")
        assert list(raw.index[~raw.is_valid]) == [entry["id"]]

    def test_one_building_is_a_multipolygon_with_a_hole(self) -> None:
        raw = layer("homes")
        entry = fault("homes.geojson", "multipolygon with a hole")
        assert list(raw.index[raw.geom_type == "MultiPolygon"]) == [entry["id"]]
        (part,) = raw.geometry.loc[entry["id"]].geoms
        assert len(part.interiors) == 1

    def test_one_label_holds_markup(self, homes: gpd.GeoDataFrame) -> None:
        entry = fault("homes.geojson", "markup in a label")
        assert "<b>Mill & Co</b>" in homes.label[entry["id"]]
        assert homes.label.str.contains("[<>&]").sum() == 1

    def test_voids_lie_away_from_roads_and_homes(
        self, ground: Heights, roads: gpd.GeoDataFrame, homes: gpd.GeoDataFrame
    ) -> None:
        assert 0 < ground.void.sum() == fault("terrain.tif", "void cells")["count"] < 40
        points = shapely.points(ground.void_xy)
        for shapes in (roads, homes):
            assert shapely.distance(shapely.union_all(shapes.geometry), points).min() > 300.0

    def test_readings_hold_their_faults_and_no_other(self) -> None:
        with (DATA / "readings.csv").open(encoding="utf-8", newline="") as file:
            rows = {row["reading_id"]: row for row in csv.DictReader(file)}
        assert len(rows) == 30
        wrong = {d["id"]: d for d in dirt("readings.csv")}
        for entry in wrong.values():
            assert rows[entry["id"]][entry["field"]] == entry["value"]
        for row in (r for name, r in rows.items() if name not in wrong):
            assert float(row["wind_mph"]) <= 12.0
            assert float(row["gust_mph"]) <= 20.0
            assert 31.0 <= float(row["distance_ft"]) < 83.0
            assert float(row["rise_db"]) >= 6.0
            assert float(row["fall_db"]) >= 6.0
            assert row["precipitation"] == "none"
            assert row["interstate"] in ("yes", "")
            assert len(row["recording_sha256"]) == 64


@pytest.fixture(scope="module")
def traffic() -> pd.DataFrame:
    return pd.read_csv(DATA / "traffic.csv", keep_default_na=False)


class TestTraffic:
    def test_main_road_carries_what_was_designed(self, traffic: pd.DataFrame) -> None:
        main = traffic[traffic.road == "SR 77"]
        heavy = main[main.vehicle_class == "heavy"]
        assert main.vehicles_per_hour.sum() == pytest.approx(9000.0, rel=1e-3)
        assert heavy.vehicles_per_hour.sum() == pytest.approx(700.0, rel=1e-3)
        night = heavy[heavy.hour.isin([22, 23, 0, 1, 2, 3, 4, 5, 6])].vehicles_per_hour.sum()
        assert 0.2 < night / 700.0 < 0.4
        shares = heavy.groupby("exhaust_state").vehicles_per_hour.sum() / 700.0
        wanted = {"after_treatment": 0.50, "muffled": 0.40, "worn": 0.06, "straight": 0.04}
        assert shares.to_dict() == pytest.approx(wanted, rel=1e-3)

    def test_rows_are_complete_and_single(
        self, traffic: pd.DataFrame, roads: gpd.GeoDataFrame
    ) -> None:
        assert set(traffic.road) <= set(roads.name)
        assert set(traffic.direction) <= {"downhill", "uphill", "both"}
        assert set(traffic.hour) == set(range(24))
        assert ((traffic.exhaust_state == "") == (traffic.vehicle_class != "heavy")).all()
        assert not traffic.duplicated(list(traffic.columns[:5])).any()
        assert (traffic.vehicles_per_hour > 0.0).all()


class TestStudy:
    def test_study_file_is_valid_and_covers_the_points_to_make(self) -> None:
        study = load_study(DATA / "study.toml")
        bare = sum(t.share for t in study.truck if t.retarder == "none")
        assert bare == pytest.approx(0.30)
        assert max(t.mass_lb for t in study.truck) == 80_000.0
        zones = {z.name: z for z in study.zone}
        assert all(0.0 <= z.start < z.end <= MANIFEST["sr77"]["length_m"] for z in study.zone)
        length = {name: z.end - z.start for name, z in zones.items()}
        assert length["Whole grade, every retarder"] > 3.0 * length["Town foot, unmuffled"]
        assert zones["Town foot, unmuffled"].binds == "unmuffled_compression_release"
        assert zones["Lower grade, nights"].hours == {22, 23, 0, 1, 2, 3, 4, 5, 6}

    def test_valley_floor_zone_is_level_and_empty(
        self, homes: gpd.GeoDataFrame, main_road: pd.DataFrame
    ) -> None:
        (zone,) = [z for z in load_study(DATA / "study.toml").zone if z.name == "Valley floor"]
        inside = main_road[main_road.chainage_m.between(zone.start, zone.end)]
        assert inside.grade_pct.abs().max() < 1.0
        line = shapely.LineString(inside[["x_m", "y_m"]].to_numpy())
        assert homes.distance(line).min() > 500.0
