"""The one way in which this package compiles a function."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any, TypeVar, cast

from numba import njit

Function = TypeVar("Function", bound=Callable[..., Any])


def compiled(function: Function) -> Function:
    """Machine-code twin of a plain function, kept on disk between runs.

    Compiled code freezes the globals it sees, so cores take every coefficient
    as an argument.  IEEE arithmetic is kept: no reordering, no assumption about
    NaN, so that the same input gives the same bits.
    """
    return cast(Function, _twin(function, nogil=True))


def compiled_part(function: Function) -> Function:
    """As `compiled`, for functions that only other compiled functions call.

    They can be called from machine code alone and may not make arrays.  In return
    they become part of their callers: groups of arrays are not handed over, which
    would take longer than the work, and no references are counted.
    """
    return cast(
        Function,
        njit(
            error_model="numpy",
            nogil=True,
            no_cpython_wrapper=True,
            no_cfunc_wrapper=True,
            forceinline=True,
            _nrt=False,
        )(function),
    )


def compiled_sums(function: Function) -> Function:
    """As `compiled`, for plain sums and maxima of finite numbers, taken in vector lanes.

    The order of the lanes is fixed by the program: the same input still gives the same bits.
    """
    return cast(
        Function,
        njit(error_model="numpy", nogil=True, fastmath={"reassoc", "nnan", "nsz"})(function),
    )


def compiled_parallel(function: Function) -> Function:
    """As `compiled`, with `prange` loops shared among numba's threads."""
    return cast(Function, _twin(function, parallel=True))


def _twin(function: Callable[..., Any], **options: bool) -> Any:
    try:
        twin = njit(cache=True, error_model="numpy", **options)(function)
    except RuntimeError:  # no folder to keep machine code in: compile in every run
        return njit(error_model="numpy", **options)(function)
    kept = getattr(getattr(twin, "_cache", None), "_cache_file", None)
    if kept is not None:
        own = Path(function.__code__.co_filename).parent
        kept._source_stamp = (kept._source_stamp, source_digest(), source_digest(own))
    return twin


@cache
def source_digest(folder: Path = Path(__file__).parent) -> str:
    """Digest of all sources in a folder, this one by default.

    The compiler notices a change of the file that holds a function, not of the
    functions that it calls; with the digests of this folder and of the function's own
    in its stamp, kept machine code is never older than any source there.
    """
    digest = hashlib.sha256()
    for file in sorted(folder.glob("*.py")):
        digest.update(file.read_bytes())
    return digest.hexdigest()
