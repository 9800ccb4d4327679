"""One share of a study's sound paths, for a queue of separate runs that a last run merges."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from noisemap.execution.tasks import Execution, Share
from noisemap.exposure.arrivals import HillsAbove
from noisemap.storage import FolderLock
from noisemap.study.compute import air_of, area_grid, braking, receivers_of, traffic_of
from noisemap.study.prepare import prepare, results_folder
from noisemap.study.progress import Reporter
from noisemap.study.run import STORE_FOLDER, read_scene, refuse_changed_inputs
from noisemap.transfer.build import fill_store


@dataclass(frozen=True)
class ShareResult:
    """What one share of a run leaves."""

    folder: Path
    share: Share
    tiles: int  # of the whole study

    @property
    def summary(self) -> str:
        """What was done, and what is to be done when every share is."""
        return (
            f"Share {self.share.index} of {self.share.count} is done; the study has {self.tiles} "
            f"tiles, kept in {self.folder / STORE_FOLDER}.\n"
            "When every share is done, run the study with --merge."
        )

    def as_json(self) -> dict[str, Any]:
        """The same as plain data."""
        return {
            "folder": str(self.folder),
            "share": [self.share.index, self.share.count],
            "tiles": self.tiles,
        }


def run_share(
    path: Path,
    output: Path | None,
    reporter: Reporter,
    execution: Execution,
    *,
    allow_outside: bool = False,
) -> ShareResult:
    """Compute one share of a study's tiles and nothing else; several may run at once."""
    share = execution.share
    assert share is not None
    prepared = prepare(path, allow_outside=allow_outside)
    folder = results_folder(prepared, output, allow_outside=allow_outside)
    store, run = folder / STORE_FOLDER, prepared.study.run
    with FolderLock(folder, shared=True):
        scene = read_scene(prepared, reporter)
        air = air_of(prepared, scene)
        reporter.stage(f"sound paths, share {share.index} of {share.count}")
        jobs = [(receivers_of(scene), run.max_distance_m, air)]
        flows, _ = traffic_of(prepared, scene)
        sound = braking(prepared, scene, flows, air, HillsAbove(scene)).sound
        grid = area_grid(prepared, scene, sound, air)
        if grid is not None:
            jobs += [(strip, grid.reach, grid.air) for strip in grid.strips]
        tiles = 0
        for receivers, reach, weather in jobs:
            filled = fill_store(
                store,
                scene,
                receivers,
                weather,
                reach,
                memory_gb=run.memory_gb,
                progress=reporter.advance,
                execution=execution,
            )
            tiles += filled.tiles
        refuse_changed_inputs(prepared)
    return ShareResult(folder, share, tiles)
