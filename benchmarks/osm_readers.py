"""Two readers of OpenStreetMap extracts side by side: time, tags, shared nodes, multipolygons.

    python benchmarks/osm_readers.py TOWN.osm.pbf [MORE.osm.pbf ...] [--write docs/osm-readers.md]

Times are medians of five runs of process CPU time on the machine at hand: read them as ratios.
"""

from __future__ import annotations

import argparse
import statistics
import time
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from typing import Any

import pyogrio
import shapely

from noisemap.readers.osm import read_areas, read_ways

RUNS = 5
KEYS = ("building", "landuse", "natural")
ROAD_TAGS = ("maxspeed", "oneway", "bridge", "tunnel", "hgv", "maxweight", "layer")


@dataclass(frozen=True)
class Facts:
    """What one reader hands over of one extract."""

    seconds: float
    ways: int
    buildings: int
    columns: int  # of the tags in ROAD_TAGS, those that are a column of their own
    node_ids: bool
    closed_ways: int  # closed highway ways that arrive as lines


def timed(work: Callable[[], Any]) -> tuple[float, Any]:
    """Median CPU time of several runs [s], and the last result."""
    times = []
    result = None
    for _ in range(RUNS):
        start = time.process_time()
        result = work()
        times.append(time.process_time() - start)
    return statistics.median(times), result


def by_osmium(path: Path) -> Facts:
    """The reader of this project."""
    seconds, (ways, areas) = timed(lambda: (read_ways(path, "highway"), read_areas(path, KEYS)))
    closed = sum(len(way.nodes) > 2 and way.nodes[0] == way.nodes[-1] for way in ways)
    buildings = sum("building" in area.tags for area in areas)
    return Facts(seconds, len(ways), buildings, len(ROAD_TAGS), True, closed)


def by_gdal(path: Path) -> Facts:
    """The OSM driver of the vector library, as it comes."""

    def work() -> tuple[Any, Any]:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            lines = pyogrio.read_dataframe(path, layer="lines", where="highway IS NOT NULL")
            areas = pyogrio.read_dataframe(
                path,
                layer="multipolygons",
                where="building IS NOT NULL OR landuse IS NOT NULL OR natural IS NOT NULL",
            )
        return lines, areas

    seconds, (lines, areas) = timed(work)
    columns = sum(tag in lines.columns for tag in ROAD_TAGS)
    closed = int(shapely.is_closed(lines.geometry.to_numpy()).sum())
    return Facts(seconds, len(lines), int(areas["building"].notna().sum()), columns, False, closed)


def table(path: Path) -> str:
    """Facts of both readers on one extract as a table of text."""
    rows = [
        f"### {path.name}, {path.stat().st_size / 1e6:.2f} MB",
        "| | osmium | OSM driver of the vector library |",
        "|---|---|---|",
    ]
    one, other = by_osmium(path), by_gdal(path)
    for words, a, b in (
        ("roads and areas, CPU [s]", f"{one.seconds:.2f}", f"{other.seconds:.2f}"),
        ("ways with `highway`, as lines", one.ways, other.ways),
        ("of them closed (roundabouts)", one.closed_ways, other.closed_ways),
        ("buildings, with multipolygons", one.buildings, other.buildings),
        (f"of {len(ROAD_TAGS)} road tags, columns of their own", one.columns, other.columns),
        ("ids of nodes, which say where roads meet", "yes", "no"),
    ):
        rows.append(f"| {words} | {a} | {b} |")
    return "\n".join(rows) + "\n"


def page(paths: list[Path]) -> str:
    """The whole comparison as a page."""
    tables = "\n".join(table(path) for path in paths)
    return f"""# Reading OpenStreetMap extracts

Written by `python benchmarks/osm_readers.py`. Mark of all figures: COMPUTED; osmium
{version("osmium")}, pyogrio {pyogrio.__version__}. Times are ratios, not promises.

{tables}
## Choice
osmium reads the extracts. Both readers find the same buildings, multipolygons included, which is
the cross-check that the tests keep. The driver hands over no ids of nodes: places would have to be
compared instead, and a bridge node exactly above a road node would join the two roads. It also
takes a few closed ways for areas, and packs all tags that decide on trucks into one text.
"""


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("files", nargs="+", type=Path)
    parser.add_argument("--write", type=Path)
    options = parser.parse_args()
    text = page(options.files)
    if options.write is None:
        print(text)
    else:
        options.write.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
