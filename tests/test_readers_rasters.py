"""Elevation files: lattices, sampling, voids, units and what is refused."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import rasterio
from PIL import Image
from scene_files import X0, Y0, write_hgt, write_terrain

from noisemap.errors import BadDataError, MissingInputError
from noisemap.readers.lattices import Heights
from noisemap.readers.rasters import cells_lattice, lattice_of, read_cells, read_heights
from noisemap.readers.voids import fill_voids


def plane(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    return 300.0 + 0.1 * (x - X0) + 0.07 * (y - Y0)


def read(path: Path, **options: object) -> Heights:
    lattice = lattice_of(path)
    return read_heights([lattice], [lattice.bounds], **options)[0]  # type: ignore[arg-type]


def test_geotiff_plane_is_exact_between_pixel_centres(tmp_path: Path) -> None:
    heights = read(write_terrain(tmp_path / "t.tif", plane))
    x = X0 + np.array([5.0, 7.3, 1234.56, 2994.0])
    y = Y0 + np.array([5.0, 2000.1, 987.65, 2990.0])
    assert heights.sample(x, y) == pytest.approx(plane(x, y), abs=1e-9)


def test_half_a_pixel_of_shift_would_be_seen(tmp_path: Path) -> None:
    heights = read(write_terrain(tmp_path / "t.tif", plane))
    x, y = np.array([X0 + 1000.0]), np.array([Y0 + 1000.0])
    shifted = heights.sample(x + 5.0, y + 5.0)
    assert abs(float(shifted[0] - plane(x, y)[0])) > 0.8


def test_hgt_nodes_lie_on_the_degree_lines(tmp_path: Path) -> None:
    # 36000 m a degree: 30 m a node in each direction, so half a cell is 15 m
    def tilted(lon: np.ndarray, lat: np.ndarray) -> np.ndarray:
        return 100.0 + 3600.0 * (lon - 10.0) + 1200.0 * (lat - 46.0)

    heights = read(write_hgt(tmp_path / "N46E010.hgt", tilted))
    assert heights.lattice.x0 == pytest.approx(10.0, abs=1e-12)
    assert heights.lattice.y0 == pytest.approx(47.0, abs=1e-12)
    lon, lat = np.array([10.0, 10.5, 10.123456]), np.array([46.0, 46.25, 46.987654])
    # whole metres in the file: at most half a metre off
    assert heights.sample(lon, lat) == pytest.approx(tilted(lon, lat), abs=0.5)
    half = 0.5 / 1200.0
    assert float(heights.sample(lon[1:2] + half, lat[1:2])[0]) == pytest.approx(
        float(tilted(lon[1:2], lat[1:2])[0]) + 1.5, abs=0.5
    )


def test_terrain_tile_is_decoded_and_placed(tmp_path: Path) -> None:
    rgb = np.zeros((256, 256, 3), np.uint8)
    rgb[..., 0], rgb[..., 1], rgb[..., 2] = 128, 200, 64  # 200.25 m
    rgb[0, 0] = (129, 0, 0)  # 256 m in the north-west corner
    Image.fromarray(rgb).save(tmp_path / "12_2145_1410.png")
    heights = read(tmp_path / "12_2145_1410.png")
    assert heights.height[0, 0] == 256.0
    assert heights.height[5, 9] == 200.25
    world = 2.0 * np.pi * 6378137.0
    step = world / 4096 / 256
    assert heights.lattice.dx == pytest.approx(step)
    assert heights.lattice.x0 == pytest.approx(-world / 2 + 2145 * 256 * step + step / 2)
    assert heights.lattice.y0 == pytest.approx(world / 2 - 1410 * 256 * step - step / 2)


def test_neighbouring_tiles_become_one_without_a_seam(tmp_path: Path) -> None:
    write_terrain(tmp_path / "a.tif", plane, size=50)
    write_terrain(tmp_path / "b.tif", plane, size=50, x0=X0 + 500.0)
    lattices = [lattice_of(tmp_path / name) for name in ("a.tif", "b.tif")]
    joined = read_heights(lattices, [lattice.bounds for lattice in lattices])
    assert len(joined) == 1
    x, y = np.array([X0 + 498.0, X0 + 500.0, X0 + 502.0]), np.full(3, Y0 + 250.0)
    assert joined[0].sample(x, y) == pytest.approx(plane(x, y), abs=1e-9)


def test_first_file_counts_where_tiles_overlap_and_voids_fall_through(tmp_path: Path) -> None:
    def holed(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        return np.where((x < X0 + 100.0) & (y < Y0 + 100.0), -9999.0, 100.0)

    write_terrain(tmp_path / "a.tif", holed, size=50, nodata=-9999.0)
    write_terrain(tmp_path / "b.tif", lambda x, y: 200.0 + 0.0 * x * y, size=50)
    lattices = [lattice_of(tmp_path / name) for name in ("a.tif", "b.tif")]
    height = read_heights(lattices, [lattice.bounds for lattice in lattices])[0].height
    assert height[0, 0] == 100.0  # north-west: the first file
    assert height[-1, 0] == 200.0  # south-west: its void, so the second


@pytest.mark.parametrize(
    ("unit", "metres"), [("m", 1.0), ("ft", 0.3048), ("us-ft", 1200.0 / 3937.0)]
)
def test_vertical_unit(tmp_path: Path, unit: str, metres: float) -> None:
    path = write_terrain(tmp_path / "t.tif", lambda x, y: 1000.0 + 0.0 * x * y, size=20)
    assert read(path, vertical_unit=unit).height == pytest.approx(np.full((20, 20), 1000 * metres))


def test_unit_stated_in_the_file_must_agree(tmp_path: Path) -> None:
    path = write_terrain(tmp_path / "t.tif", lambda x, y: 900.0 + 0.0 * x * y, size=20, unit="foot")
    with pytest.raises(BadDataError, match=r'heights are in ft.*vertical_unit = "ft"'):
        read(path)
    assert read(path, vertical_unit="ft").height[0, 0] == pytest.approx(900 * 0.3048)


def test_scale_offset_and_nodata(tmp_path: Path) -> None:
    def holed(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        return np.where(x < X0 + 10.0, 100.0 + 0.1 * -30000, plane(x, y))

    path = write_terrain(
        tmp_path / "t.tif", holed, size=40, dtype="int16", scale=0.1, offset=100.0, nodata=-30000
    )
    heights = read(path)
    assert np.isnan(heights.height[:, 0]).all()
    x, y = np.array([X0 + 205.0]), np.array([Y0 + 105.0])
    assert heights.sample(x, y) == pytest.approx(plane(x, y), abs=0.1)


def test_stated_nodata_is_a_void(tmp_path: Path) -> None:
    path = write_terrain(tmp_path / "t.tif", lambda x, y: np.where(x < X0 + 10, 0.0, 50.0), size=20)
    assert int(np.isnan(read(path, nodata=0.0).height).sum()) == 20
    assert int(np.isnan(read(path).height).sum()) == 0


def test_nan_and_infinity_are_voids(tmp_path: Path) -> None:
    def odd(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        return np.where(x < X0 + 10, np.nan, np.where(x < X0 + 20, np.inf, 50.0)) + 0.0 * y

    assert int(np.isnan(read(write_terrain(tmp_path / "t.tif", odd, size=20)).height).sum()) == 40


def test_height_out_of_range_names_the_place(tmp_path: Path) -> None:
    path = write_terrain(
        tmp_path / "t.tif",
        lambda x, y: np.where((x < X0 + 10) & (y < Y0 + 10), -3e29, 50.0),
        size=20,
    )
    with pytest.raises(BadDataError, match=r"outside -500\.\.9000 m.*-3e\+29 m at x 500005"):
        read(path)


def test_window_reads_only_what_is_asked(tmp_path: Path) -> None:
    lattice = lattice_of(write_terrain(tmp_path / "t.tif", plane))
    window = (X0 + 1000.0, Y0 + 1000.0, X0 + 1200.0, Y0 + 1300.0)
    heights = read_heights([lattice], [window])[0]
    assert heights.height.shape == (34, 24)  # and a rim of one or two pixels
    x, y = np.array([X0 + 1000.0, X0 + 1200.0]), np.array([Y0 + 1300.0, Y0 + 1000.0])
    assert heights.sample(x, y) == pytest.approx(plane(x, y), abs=1e-9)


def test_fine_files_are_averaged_while_read(tmp_path: Path) -> None:
    lattice = lattice_of(write_terrain(tmp_path / "t.tif", plane, cell=1.0, size=200))
    heights = read_heights([lattice], [lattice.bounds], finest_cell=10.0)[0]
    assert heights.height.shape == (20, 20)
    assert heights.lattice.native_cell == pytest.approx(1.0)
    x, y = np.array([X0 + 55.0, X0 + 101.0]), np.array([Y0 + 55.0, Y0 + 133.0])
    assert heights.sample(x, y) == pytest.approx(plane(x, y), abs=1e-6)


def test_pixel_cap_holds_for_a_huge_sparse_file(tmp_path: Path) -> None:
    path = tmp_path / "huge.tif"
    with rasterio.open(
        path, "w", driver="GTiff", width=60_000, height=60_000, count=1, dtype="float32",
        crs="EPSG:32606", transform=rasterio.Affine(10, 0, X0, 0, -10, Y0), sparse_ok=True,
        tiled=True, compress="deflate",
    ):  # fmt: skip
        pass
    lattice = lattice_of(path)
    with pytest.raises(BadDataError, match="set a smaller window"):
        read_heights([lattice], [lattice.bounds])


def test_outside_is_nan_and_edges_reach_half_a_cell(tmp_path: Path) -> None:
    heights = read(write_terrain(tmp_path / "t.tif", plane, size=20))
    x = np.array([X0 - 1.0, X0 + 1.0, X0 + 199.0, X0 + 201.0])
    assert np.isnan(heights.sample(x, np.full(4, Y0 + 100.0))).tolist() == [
        True,
        False,
        False,
        True,
    ]


@pytest.mark.parametrize(
    ("name", "content", "sentence"),
    [
        ("cut.tif", b"II*\0 and no more", "cannot be read as elevation"),
        ("empty.tif", b"", "the file is empty"),
        ("notes.txt", b"hello", "not an elevation file this reads"),
        ("wrongname.hgt", b"\0" * 100, "call it like N42E001.hgt"),
        ("N42E001.hgt", b"\0" * 100, "cannot be read as elevation"),
        ("tile.png", b"\0" * 100, "call it zoom_x_y"),
        ("12_1_1.png", b"\0" * 100, "cannot be read as elevation"),
        ("3_900_1.png", b"\0" * 100, "no such tile at zoom 3"),
    ],
)
def test_files_that_are_not_elevation(
    tmp_path: Path, name: str, content: bytes, sentence: str
) -> None:
    path = tmp_path / name
    path.write_bytes(content)
    with pytest.raises(BadDataError, match=sentence):
        lattice_of(path)


def test_cut_geotiff_is_a_sentence(tmp_path: Path) -> None:
    path = write_terrain(tmp_path / "t.tif", plane)
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    with pytest.raises(BadDataError, match="cannot be read as elevation"):
        read(path)


def test_geotiff_without_system_says_how(tmp_path: Path) -> None:
    path = write_terrain(tmp_path / "t.tif", plane, crs=None)
    with pytest.raises(BadDataError, match=r'add crs = "EPSG:\.\.\." to \[terrain\]'):
        lattice_of(path)
    assert lattice_of(path, "EPSG:32606").native_cell == pytest.approx(10.0)


def test_missing_and_remote_files(tmp_path: Path) -> None:
    with pytest.raises(MissingInputError, match="no such file"):
        lattice_of(tmp_path / "none.tif")
    for name in ("/vsicurl/http://example.org/a.tif", "/vsizip/a.zip/b.tif", "s3://b/a.tif"):
        with pytest.raises(BadDataError, match="only a plain local file"):
            lattice_of(Path(name))


def test_void_fill_is_exact_on_a_plane_and_close_on_a_bowl() -> None:
    y, x = np.mgrid[0:40, 0:50].astype(float)
    for surface, tolerance in (
        (100.0 + 2.0 * x - y, 1e-3),
        (0.05 * (x - 25) ** 2 - 0.05 * y**2, 1e-2),
    ):
        holed = surface.copy()
        holed[10:14, 20:25] = np.nan
        holed[30, 7] = np.nan
        filled = fill_voids(holed)
        assert filled.regions == 2
        assert int(filled.filled.sum()) == 21
        assert np.abs(filled.height - surface).max() < tolerance
        assert not filled.large.any()


def test_void_fill_of_a_hill_beats_the_straight_bridge() -> None:
    y, x = np.mgrid[0:41, 0:41].astype(float)
    hill = 200.0 * np.exp(-((x - 20) ** 2 + (y - 20) ** 2) / 150.0)
    holed = np.where((x - 20) ** 2 + (y - 20) ** 2 <= 9.0, np.nan, hill)
    filled = fill_voids(holed)
    rim = float(hill[20, 24])
    assert abs(filled.height[20, 20] - 200.0) < 0.25 * (200.0 - rim)


def test_wide_and_open_voids_are_told_apart() -> None:
    height = np.full((60, 60), 50.0)
    height[20:32, 20:32] = np.nan  # wider than 3 cells from its rim
    height[0:3, 0:3] = np.nan  # open at the edge
    filled = fill_voids(height)
    assert np.isfinite(filled.height).all()
    assert filled.height == pytest.approx(np.full((60, 60), 50.0), abs=1e-6)
    assert filled.large[25, 25]
    assert not filled.large[1, 1]


def test_grid_without_any_height_stays_empty() -> None:
    filled = fill_voids(np.full((4, 4), np.nan))
    assert np.isnan(filled.height).all()
    assert filled.large.all()


def test_cells_of_a_window_alone(tmp_path: Path) -> None:
    path = write_terrain(tmp_path / "people.tif", lambda x, y: (x - X0) + 0.001 * (y - Y0))
    whole = cells_lattice(path)
    part, values = read_cells(whole, (X0 + 100.0, Y0 + 200.0, X0 + 150.0, Y0 + 220.0))
    assert values.shape == (part.rows, part.columns)
    assert values.size < 100
    x = part.x0 + part.dx * np.arange(part.columns)
    y = part.y0 + part.dy * np.arange(part.rows)
    assert values == pytest.approx((x[None, :] - X0) + 0.001 * (y[:, None] - Y0))
    assert x.min() <= X0 + 100.0
    assert y.max() >= Y0 + 220.0
    with pytest.raises(BadDataError, match="lies beside the homes"):
        read_cells(whole, (X0 - 900.0, Y0, X0 - 800.0, Y0 + 9.0))
