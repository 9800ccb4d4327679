"""The runs behind the shipped tables of the exhaust, each with a part file of its own."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from noisemap.data_tables import toml_table
from noisemap.errors import BadDataError, UsageError
from noisemap.source.engine_family import packaged_engine
from noisemap.source.engine_simulation import simulate
from noisemap.source.ensemble import truck_draws
from noisemap.source.exhaust_states import run_lines
from noisemap.storage import atomic_path

ENGINES = ("15L", "13L", "11L")
CYCLE_FIELDS = (
    "boost_pa", "peak_braking_pa", "peak_all_pa", "indicated_w", "closed_w", "mass_flow",
    "outlet_flow", "turbine_k", "pipe_k", "choked_w", "change", "cycles", "speed_rpm",
    "pipe_m",
)  # fmt: skip


@dataclass(frozen=True)
class Task:
    """One run: an operating point, a truck of the ensemble and a cell length."""

    engine: str
    engine_speed_rpm: float
    cylinders: int
    draw: int
    cell_m: float

    @property
    def name(self) -> str:
        """Name of the part file."""
        cell = f"{1e3 * self.cell_m:g}mm"
        point = f"{self.engine}-{self.engine_speed_rpm:04.0f}-{self.cylinders}"
        return f"{point}-{self.draw}-{cell}.npz"

    @property
    def cost(self) -> float:
        """Relative duration, to start the long ones first."""
        return 1.0 / (self.engine_speed_rpm * self.cell_m**2)


def all_tasks() -> list[Task]:
    """Runs of the whole table, the longest first.

    Returns
    -------
    list of Task
        Runs on the table's cells and, for the grid correction, on finer ones.

    References
    ----------
    exhaust-model : points, trucks and grids of the table

    Examples
    --------
    >>> tasks = all_tasks()
    >>> len(tasks), len({task.name for task in tasks})
    (618, 618)
    """
    model = toml_table("noisemap.source", "exhaust_model.toml")
    cell = float(model["solver"]["table_cell_m"]["value"])
    table = model["table"]
    tasks = [
        Task(engine, speed, count, draw, cell)
        for engine in ENGINES
        for speed in table["engine_speed_rpm"]["value"]
        for count in table["braking_cylinders"]["value"]
        for draw in range(int(model["ensemble"]["draws"]["value"]))
    ]
    tasks += [fine for fine, _ in grid_pairs()]
    return sorted(tasks, key=lambda task: -task.cost)


def grid_pairs() -> list[tuple[Task, Task]]:
    """Runs on fine cells, each with its partner on the table's cells.

    Returns
    -------
    list of tuple of Task
        Fine run and partner: six points of each engine, each with another truck.

    References
    ----------
    exhaust-model : correction of the grid

    Examples
    --------
    >>> len(grid_pairs())
    18
    """
    model = toml_table("noisemap.source", "exhaust_model.toml")
    fine = float(model["solver"]["fine_cell_m"]["value"])
    cell = float(model["solver"]["table_cell_m"]["value"])
    points = model["table"]["fine_points"]["value"]
    return [
        (Task(engine, speed, count, draw, fine), Task(engine, speed, count, draw, cell))
        for engine in ENGINES
        for draw, (speed, count) in enumerate(points)
    ]


def compute_part(task: Task, folder: Path) -> str:
    """Run one task and leave its part file.

    Parameters
    ----------
    task : Task
        The run.
    folder : Path
        Folder of the part files.

    Returns
    -------
    str
        Name of the part file.

    References
    ----------
    exhaust-model : one run
    """
    engine = packaged_engine(task.engine)
    draw = truck_draws(engine)[task.draw]
    run = simulate(engine, task.engine_speed_rpm, task.cylinders, draw, cell_m=task.cell_m)
    lines = run_lines(run, engine)
    braking = [run.peak_pressure_pa[number - 1] for number in run.braking]
    cycle = (
        run.boost_pa, max(braking, default=0.0), run.peak_pressure_pa.max(),
        run.indicated_power_w, run.closed_cycle_power_w, run.mass_flow_kg_s,
        run.outlet_mass_flow_kg_s, run.turbine_temperature_k, run.pipe_temperature_k,
        run.choked_power_w, run.change, run.cycles, run.engine_speed_rpm, draw.pipe_length_m,
    )  # fmt: skip
    with atomic_path(folder / task.name) as temporary:
        np.savez(
            temporary,
            version=version(),
            cycle=np.array(cycle, dtype=float),
            flow=lines.volume_flow.astype(np.complex64),
        )
    return task.name


def version() -> str:
    """Version of the model, written into every part and table.

    Returns
    -------
    str
        Version.

    References
    ----------
    exhaust-model : version of the model

    Examples
    --------
    >>> version().startswith("exhaust-")
    True
    """
    return str(toml_table("noisemap.source", "exhaust_model.toml")["version"]["value"])


def share_of(tasks: list[Task], share: str) -> list[Task]:
    """Every n-th task from the i-th on.

    Parameters
    ----------
    tasks : list of Task
        All tasks.
    share : str
        The share as "i/n".

    Returns
    -------
    list of Task
        The share.

    Raises
    ------
    UsageError
        If it is not of the form i/n with 1 <= i <= n.

    References
    ----------
    own-assumption : how runs are shared out

    Examples
    --------
    >>> len(share_of(all_tasks(), "2/3"))
    206
    """
    try:
        first, count = (int(part) for part in share.split("/"))
    except ValueError:
        first, count = 0, 0
    if not 1 <= first <= count:
        raise UsageError(f"--points {share!r} is not allowed (allowed: i/n with 1 <= i <= n)")
    return tasks[first - 1 :: count]


def read_part(folder: Path, task: Task) -> tuple[npt.NDArray[np.complex128], dict[str, float]]:
    """Order lines and cycle figures of a part file.

    Parameters
    ----------
    folder : Path
        Folder of the part files.
    task : Task
        The run.

    Returns
    -------
    flow : ndarray
        Complex volume flow of the lines. [m3/s]
    cycle : dict
        Figures of the cycle by name, SI.

    Raises
    ------
    BadDataError
        If the part comes from another version of the model.

    References
    ----------
    exhaust-model : one run
    """
    with np.load(folder / task.name) as part:
        if str(part["version"]) != version():
            raise BadDataError(
                f"{folder / task.name}: made by model {part['version']}, this is {version()}; "
                "delete the parts and compute them again"
            )
        return part["flow"].astype(complex), dict(
            zip(CYCLE_FIELDS, part["cycle"].tolist(), strict=True)
        )
