"""The one way in which this package compiles a function."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar, cast

from numba import njit

Function = TypeVar("Function", bound=Callable[..., Any])


def compiled(function: Function) -> Function:
    """Machine-code twin of a plain function, kept on disk between runs.

    Compiled code freezes the globals it sees, so cores take every coefficient
    as an argument.  IEEE arithmetic is kept: no reordering, no assumption about
    NaN, so that the same input gives the same bits.
    """
    return cast(Function, njit(cache=True, error_model="numpy", nogil=True)(function))


def compiled_parallel(function: Function) -> Function:
    """As `compiled`, with `prange` loops shared among numba's threads."""
    return cast(Function, njit(cache=True, error_model="numpy", parallel=True)(function))
