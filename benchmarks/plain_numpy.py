"""The map's paths over bare terrain as one would write them with numpy, a home at a time.

Less than the kernel does: only the first and the last edge of a screen are kept
(edges between them are skipped), and there are no objects, flags or grazing.
"""

from __future__ import annotations

import numpy as np
from propagation_support import ALPHA

from noisemap.propagation import terms
from noisemap.propagation.kernel import Surface


def transfers_of_home(
    surface: Surface, receiver: np.ndarray, sources: np.ndarray, heights: tuple[float, ...]
) -> np.ndarray:
    """10^(-A/10) of all paths to one receiver, shape (paths, heights, 8)."""
    hr = receiver[2]
    delta = receiver[:2] - sources[:, :2]
    dp = np.maximum(np.hypot(delta[:, 0], delta[:, 1]), 5.0)
    steps = np.ceil(dp / surface.cell).astype(int)
    share = np.minimum(np.arange(steps.max() + 1) / steps[:, None], 1.0)
    inner = (share > 0.0) & (share < 1.0)
    px = sources[:, :1] + share * delta[:, :1]
    py = sources[:, 1:2] + share * delta[:, 1:]
    ground = _bilinear(surface, px, py)
    along = share * dp[:, None]
    factor = _factors(surface, sources, delta, dp)
    out = np.empty((len(sources), len(heights), 8))
    foot = ground[:, -1] + hr
    for h, hs in enumerate(heights):
        zs = sources[:, 2] + hs
        d = np.hypot(dp, foot - zs)
        agr = _ground(factor, hs, hr, dp)
        dz = _screen(along, ground, inner, zs, foot, dp, d)
        total = 20.0 * np.log10(d)[:, None] + 11.0 + ALPHA * d[:, None] + agr
        total += np.where(dz > 0.0, np.maximum(dz - agr, 0.0), 0.0)
        out[:, h] = 10.0 ** (-0.1 * total)
    return out


def _bilinear(surface: Surface, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    u, v = (x - surface.x0) / surface.cell, (y - surface.y0) / surface.cell
    i, j = u.astype(int), v.astype(int)
    u, v = u - i, v - j
    z = surface.height
    low = z[j, i] + u * (z[j, i + 1] - z[j, i])
    high = z[j + 1, i] + u * (z[j + 1, i + 1] - z[j + 1, i])
    return np.asarray(low + v * (high - low))


def _factors(
    surface: Surface, sources: np.ndarray, delta: np.ndarray, dp: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Running mean of the ground factor over pieces of at most half a cell, and their number."""
    pieces = np.ceil(dp / (0.5 * surface.gcell)).astype(int)
    middle = np.minimum((np.arange(pieces.max()) + 0.5) / pieces[:, None], 1.0)
    column = ((sources[:, :1] + middle * delta[:, :1] - surface.gx0) / surface.gcell + 0.5).astype(
        int
    )
    row = ((sources[:, 1:2] + middle * delta[:, 1:] - surface.gy0) / surface.gcell + 0.5).astype(
        int
    )
    running = np.cumsum(surface.factor[row, column], axis=1, dtype=float)
    return np.concatenate([np.zeros((len(dp), 1)), running], axis=1), pieces


def _ground(
    factor: tuple[np.ndarray, np.ndarray], hs: float, hr: float, dp: np.ndarray
) -> np.ndarray:
    running, pieces = factor
    row = np.arange(len(dp))

    def to(place: np.ndarray) -> np.ndarray:
        at = place / dp * pieces
        i = np.minimum(at.astype(int), pieces - 1)
        return np.asarray(running[row, i] + (at - i) * (running[row, i + 1] - running[row, i]))

    def mean(low: np.ndarray, high: np.ndarray) -> np.ndarray:
        length = np.maximum((high - low) / dp * pieces, 1e-9)
        return np.asarray((to(high) - to(low)) / length)[:, None]

    near, far = np.minimum(30.0 * hs, dp), np.minimum(30.0 * hr, dp)
    q = np.maximum(1.0 - 30.0 * (hs + hr) / dp, 0.0)[:, None]
    gs, gr = mean(np.zeros_like(dp), near), mean(dp - far, dp)
    gm = np.where(q > 0.0, mean(near, np.maximum(dp - far, near)), 0.0)
    base, mixed, hump, decay, top, reach, tail, tail_decay, rate, middle, part = (
        terms.ground_table().T
    )
    spread = 1.0 - np.exp(-dp[:, None] / reach)
    late = 1.0 - np.exp(-rate * dp[:, None] ** 2)
    total = middle * q * (1.0 - part * gm)
    for g, height in ((gs, hs), (gr, hr)):
        shape = hump * np.exp(-decay * (height - top) ** 2) * spread
        shape = mixed + shape + tail * np.exp(-tail_decay * height**2) * late
        total = total + base + g * shape
    return np.asarray(total)


def _screen(
    along: np.ndarray,
    ground: np.ndarray,
    inner: np.ndarray,
    zs: np.ndarray,
    zr: np.ndarray,
    dp: np.ndarray,
    d: np.ndarray,
) -> np.ndarray:
    """Dz by the first and the last edge."""
    with np.errstate(divide="ignore", invalid="ignore"):
        up = np.where(inner, (ground - zs[:, None]) / along, -np.inf)
        back = np.where(inner, (ground - zr[:, None]) / (dp[:, None] - along), -np.inf)
    row = np.arange(len(dp))
    first, last = np.argmax(up, axis=1), back.shape[1] - 1 - np.argmax(back[:, ::-1], axis=1)
    blocked = up[row, first] > (zr - zs) / dp
    x1, z1, x2, z2 = along[row, first], ground[row, first], along[row, last], ground[row, last]
    dss, dsr = np.hypot(x1, z1 - zs), np.hypot(dp - x2, z2 - zr)
    e = np.hypot(x2 - x1, z2 - z1)
    z = np.maximum(dss + dsr + e - d, 1e-12)
    kmet = np.exp(-np.sqrt(dss * dsr * d / (2.0 * z)) / 2000.0)
    wave = terms.wavelengths()
    near = (5.0 * wave) ** 2
    e = e[:, None]
    c3 = np.where(e > 0.0, (e**2 + near) / (e**2 / 3.0 + near), 1.0)
    dz = 10.0 * np.log10(3.0 + 20.0 / wave * c3 * (z * kmet)[:, None])
    return np.where(blocked[:, None], np.minimum(dz, np.where(e > 0.0, 25.0, 20.0)), 0.0)
