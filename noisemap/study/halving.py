"""What is said about levels that move when the stretches of road are halved."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from noisemap.exposure.halving import CARRIED, LEVEL_DB, MAXIMUM_DB, Movement, movers


def halving_flags(moved: Movement | None, homes: int) -> list[tuple[str, ...]]:
    """The flag of each home whose levels move too much."""
    if moved is None:
        return [()] * homes
    rows = zip(movers(moved).tolist(), moved.level.tolist(), moved.maximum.tolist(), strict=True)
    return [
        (
            f"halving the stretches of road moves the night level by {level:+.1f} dB "
            f"and the loudest pass by {maximum:+.1f} dB",
        )
        if moves
        else ()
        for moves, level, maximum in rows
    ]


def halving_sentence(moved: Movement | None) -> tuple[str, ...]:
    """How many homes move, and by what computation."""
    if moved is None or not np.isfinite(moved.maximum).any():
        return ()
    heard = np.isfinite(moved.maximum)
    level, top = np.abs(moved.level[heard]), np.abs(moved.maximum[heard])
    return (
        f"Stretches halved, by {moved.paths:,} more paths that carry {CARRIED:.0%} of the energy "
        "at each home's loudest facade or nearly its maximum: the night level of braking trucks "
        f"moves by {LEVEL_DB:g} dB at most at {_share(level <= LEVEL_DB)} of {heard.sum():,} "
        f"homes, their loudest pass by {MAXIMUM_DB:g} dB at most at "
        f"{_share(top <= MAXIMUM_DB)}; the homes that move more, {movers(moved).sum():,}, are "
        "flagged with the size.",
    )


def _share(held: npt.NDArray[np.bool_]) -> str:
    """A share that is never rounded up to all."""
    return f"{np.floor(1000.0 * held.mean()) / 10.0:g} %"
