"""Filling voids of a height grid with a surface of least bending."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import ndimage, sparse
from scipy.sparse.linalg import spsolve

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

SMALL_RADIUS = 3.0  # cells: up to here the fill is trusted
LARGEST_BENDING = 10_000  # cells of one void filled by bending; larger take the nearest height


@dataclass(frozen=True)
class Filled:
    """A height grid without voids, and what was filled."""

    height: FloatArray
    filled: BoolArray
    regions: int  # voids that hang together
    large: BoolArray  # cells of voids wider than the trusted radius


def fill_voids(height: FloatArray) -> Filled:
    """Height grid with its NaN cells filled.

    The fill solves the biharmonic equation inside each void with the heights
    around it; a void that is not closed by heights (it reaches the edge of the grid)
    or that holds more than 10,000 cells takes the nearest height instead.
    """
    void = ~np.isfinite(height)
    if not void.any() or void.all():
        return Filled(height, void, int(void.all()), void)
    labels, regions = ndimage.label(void)
    sizes = np.bincount(labels.ravel())
    depth = ndimage.distance_transform_edt(np.pad(void, 1, mode="edge"))[1:-1, 1:-1]
    radius = ndimage.maximum(depth, labels, index=np.arange(regions + 1))
    large = np.asarray(radius) > SMALL_RADIUS
    large[0] = False
    edge = np.concatenate([labels[0], labels[-1], labels[:, 0], labels[:, -1]])
    huge = sizes > LARGEST_BENDING
    huge[edge] = True
    huge[0] = False
    result = height.copy()
    if huge.any():
        nearest = ndimage.distance_transform_edt(void, return_distances=False, return_indices=True)
        wide = huge[labels]
        result[wide] = height[tuple(nearest)][wide]
    small = void & ~huge[labels]
    if small.any():
        result[small] = _least_bending(result, small)
    return Filled(result, void, int(regions), large[labels])


def _least_bending(height: FloatArray, void: BoolArray) -> FloatArray:
    """Heights of the void cells that make the sum of squared Laplacians least."""
    rows, columns = height.shape
    near = ndimage.binary_dilation(void, structure=np.ones((3, 3)), iterations=2)
    number = np.full(height.shape, -1, np.int64)
    number[near] = np.arange(int(near.sum()))
    touched = ndimage.binary_dilation(void)
    inner = touched.copy()
    inner[[0, -1], :] = False
    inner[:, [0, -1]] = False
    r, c = np.nonzero(inner)
    centre, ring = (
        number[r, c],
        [number[r + a, c + b] for a, b in ((-1, 0), (1, 0), (0, -1), (0, 1))],
    )
    count = int(near.sum())
    laplace = _rows(len(r), count, [(centre, -4.0)] + [(side, 1.0) for side in ring])
    weak: list[sparse.csr_array] = []
    for a, b in ((0, 1), (1, 0)):
        first = void[: rows - a, : columns - b] | void[a:, b:]
        r, c = np.nonzero(first)
        weak.append(_rows(len(r), count, [(number[r, c], -1e-3), (number[r + a, c + b], 1e-3)]))
    system = sparse.vstack([laplace, *weak]).tocsc()
    unknown = number[void]
    known = number[near & ~void]
    right = -system[:, known] @ height[near & ~void]
    left = system[:, unknown]
    return np.asarray(spsolve((left.T @ left).tocsc(), left.T @ right))


def _rows(
    rows: int, columns: int, terms: list[tuple[npt.NDArray[np.int64], float]]
) -> sparse.csr_array:
    """Sparse matrix with one term a row from each (column numbers, value)."""
    index = np.arange(rows)
    return sparse.csr_array(
        (
            np.concatenate([np.full(rows, value) for _, value in terms]),
            (np.concatenate([index] * len(terms)), np.concatenate([c for c, _ in terms])),
        ),
        shape=(rows, columns),
    )
