"""Ensembles of trucks: draws of pipe length, engine speed and cylinder scatter."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from noisemap.checks import require_between
from noisemap.data_tables import toml_table
from noisemap.levels import from_energy, to_energy
from noisemap.source.engine_family import Engine
from noisemap.source.engine_kernel import CYLINDERS
from noisemap.source.engine_simulation import Draw

FloatArray = npt.NDArray[np.float64]

PIPE_RANGE_M = (3.5, 5.5)
"""Range of pipe lengths about the usual 4.5 m [m]; other engines keep its proportions."""

_USUAL_PIPE_M = 4.5


def latin_hypercube(draws: int, dimensions: int, seed: int) -> FloatArray:
    """Points of which every one lies in its own slice of every dimension.

    Parameters
    ----------
    draws : int
        Number of points. [1] Above 0.
    dimensions : int
        Number of dimensions. [1]
    seed : int
        Seed of the generator. [1]

    Returns
    -------
    ndarray
        Points within 0 to 1, shape (draws, dimensions). [1]

    References
    ----------
    own-model : Latin hypercube

    Examples
    --------
    >>> import numpy as np
    >>> points = latin_hypercube(8, 2, 1)
    >>> np.sort((points * 8).astype(int), axis=0)[:, 0].tolist()
    [0, 1, 2, 3, 4, 5, 6, 7]
    """
    generator = np.random.default_rng(seed)
    slices = np.stack([generator.permutation(draws) for _ in range(dimensions)], axis=1)
    return np.asarray((slices + generator.random((draws, dimensions))) / draws)


def truck_draws(engine: Engine, draws: int | None = None, seed: int | None = None) -> list[Draw]:
    """Trucks of an ensemble, the same for every operating point.

    Parameters
    ----------
    engine : Engine
        The engine; its pipe length scales the range of lengths.
    draws : int, optional
        Number of trucks. [1] 5 to 64, by default that of the table.
    seed : int, optional
        Seed of the generator. [1] By default that of the table.

    Returns
    -------
    list of Draw
        The trucks.

    Raises
    ------
    OutOfDomainError
        If fewer than five or more than 64 trucks are asked for.

    References
    ----------
    exhaust-model : at least five pipe lengths, speed +-5 %, lift +-5 % by cylinder

    Examples
    --------
    >>> from noisemap.source.engine_family import packaged_engine
    >>> trucks = truck_draws(packaged_engine("15L"))
    >>> len(trucks), 3.5 < min(truck.pipe_length_m for truck in trucks) < 3.8
    (8, True)
    """
    entry = toml_table("noisemap.source", "exhaust_model.toml")["ensemble"]
    count = int(entry["draws"]["value"]) if draws is None else draws
    require_between("trucks of an ensemble", count, 5, 64, "1", "single pipes resonate")
    points = latin_hypercube(
        count, 2 + CYLINDERS, int(entry["seed"]["value"]) if seed is None else seed
    )
    speed_share = float(entry["speed_share"]["value"])
    lift_share = float(entry["lift_share"]["value"])
    low, high = (edge / _USUAL_PIPE_M * engine.pipe_length_m for edge in PIPE_RANGE_M)
    return [
        Draw(
            float(low + (high - low) * point[0]),
            float(1.0 + speed_share * (2.0 * point[1] - 1.0)),
            tuple(float(1.0 + lift_share * (2.0 * value - 1.0)) for value in point[2:]),
        )
        for point in points
    ]


def energy_mean(level: npt.ArrayLike) -> FloatArray:
    """Energy mean of levels over the first axis; silence counts with zero energy.

    Parameters
    ----------
    level : array_like
        Levels, trucks first. [dB]

    Returns
    -------
    ndarray
        Mean; minus infinity where no truck is heard. [dB]

    References
    ----------
    exhaust-model : every level is an energy mean over the ensemble

    Examples
    --------
    >>> round(float(energy_mean([90.0, 100.0])), 2)
    97.4
    """
    return from_energy(to_energy(level).mean(axis=0))


def level_spread(level: npt.ArrayLike, unknown_db: float) -> FloatArray:
    """Standard deviation of levels over the first axis.

    Parameters
    ----------
    level : array_like
        Levels, trucks first; minus infinity is left out. [dB]
    unknown_db : float
        Spread where fewer than two trucks are heard. [dB]

    Returns
    -------
    ndarray
        Standard deviation of the sample. [dB]

    References
    ----------
    exhaust-model : spread of the ensemble

    Examples
    --------
    >>> round(float(level_spread([90.0, 92.0], 5.0)), 3), float(level_spread([90.0], 5.0))
    (1.414, 5.0)
    """
    values = np.asarray(level, dtype=float)
    heard = np.isfinite(values)
    count = heard.sum(axis=0)
    mean = np.where(heard, values, 0.0).sum(axis=0) / np.maximum(count, 1)
    square = np.where(heard, np.square(np.where(heard, values, 0.0) - mean), 0.0).sum(axis=0)
    deviation = np.sqrt(square / np.maximum(count - 1, 1))
    return np.asarray(np.where(count >= 2, deviation, unknown_db))
