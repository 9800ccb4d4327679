"""Compiled eight-band part of a path, in linear quantities.

For one path and band the plain sum of `attenuation` becomes

    T = 10^(-A/10) = 10^(-11/10) / d^2 * e^(-k alpha d) * F * e^(-k Afol)

with k = ln(10)/10 and F the joint factor of ground and screen.  With
g = 10^(-Agr/10) and s = max(10^(-cap/10), 1 / [3 + (C2/lambda) C3 z Kmet]):

    clear                F = g
    literal reading      F = min(g, s)             since Agr + max(Dz - Agr, 0) = max(Agr, Dz)
    positive reading     F = max(g, 1) min(min(g, 1), s)

so that no logarithm is taken.  A path around a side adds g s of its own to F.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from noisemap.propagation.machine.compiled import compiled, compiled_part
from noisemap.propagation.machine.cores import (
    END_BASE,
    END_MIXED,
    MIDDLE_BASE,
    MIDDLE_SHARE,
    edge_parts,
    end_region,
    foliage_band,
    hump_distance_factor,
    hump_height_factor,
    meteorological_factor,
    middle_region,
    middle_weight,
    screen_share,
    tail_distance_factor,
    tail_height_factor,
)
from noisemap.propagation.machine.even_profile import Screen
from noisemap.propagation.machine.job import FloatArray, IntArray, Line, Model
from noisemap.propagation.machine.sampling import region_factor

BANDS = 8
DB = math.log(10.0) / 10.0


class HeightFactors(NamedTuple):
    """Height parts of Table 3 [dB]: of the receiver (8,), of the source heights (k, 8).

    Beside them the attenuation of the receiver region, of the path at hand (8,) [dB].
    """

    hump_r: FloatArray
    tail_r: FloatArray
    hump_s: FloatArray
    tail_s: FloatArray
    far_ground: FloatArray


class Spectrum(NamedTuple):
    """Scratch for the exponentials: eight bands of the path, eight of the ground."""

    value: FloatArray
    whole: FloatArray
    bits: IntArray
    share: FloatArray  # (8,) what a screen lets through
    side: FloatArray  # (8,) what comes around the sides


class Shared(NamedTuple):
    """Ground quantities of a path that all source heights share."""

    hump: float  # distance factor of the humps of Table 3 [1]
    tail: float  # distance factor of the tail of Table 3 [1]
    reach_r: float  # length of the receiver region [m]


@compiled
def new_spectrum() -> Spectrum:
    """Empty scratch."""
    whole = np.empty(2 * BANDS)
    return Spectrum(
        np.empty(2 * BANDS), whole, whole.view(np.int64), np.empty(BANDS), np.empty(BANDS)
    )


@compiled
def new_factors(heights: int) -> HeightFactors:
    """Empty factors for a number of source heights."""
    return HeightFactors(
        np.empty(BANDS),
        np.empty(BANDS),
        np.empty((heights, BANDS)),
        np.empty((heights, BANDS)),
        np.empty(BANDS),
    )


@compiled_part
def fill_factors(
    hr: float, heights: FloatArray, table3: FloatArray, factors: HeightFactors
) -> None:
    """Fill the height parts of Table 3 for one receiver height and all source heights [dB]."""
    for band in range(BANDS):
        row = table3[:, band]
        factors.hump_r[band] = hump_height_factor(hr, row)
        factors.tail_r[band] = tail_height_factor(hr, row)
        for h in range(heights.shape[0]):
            factors.hump_s[h, band] = hump_height_factor(heights[h], row)
            factors.tail_s[h, band] = tail_height_factor(heights[h], row)


@compiled_part
def far_ground(
    model: Model, factors: HeightFactors, hr: float, line: Line, running: IntArray
) -> Shared:
    """Fill Ar of the eight bands (Table 3), which all source heights share [dB]."""
    reach_r = min(model.region_per_height * hr, line.dp)
    shared = Shared(
        hump_distance_factor(line.dp, model.reach),
        tail_distance_factor(line.dp, model.tail_rate),
        reach_r,
    )
    mean = region_factor(running, line, line.dp - reach_r, line.dp)
    table3, hump_r, tail_r = model.table3, factors.hump_r, factors.tail_r
    for band in range(BANDS):
        base, mixed = table3[END_BASE, band], table3[END_MIXED, band]
        factors.far_ground[band] = end_region(
            mean, base, mixed, hump_r[band], shared.hump, tail_r[band], shared.tail
        )
    return shared


@compiled_part
def ground_exponents(
    model: Model,
    factors: HeightFactors,
    h: int,
    hs: float,
    hr: float,
    line: Line,
    shared: Shared,
    running: IntArray,
    value: FloatArray,
) -> None:
    """Fill -k Agr of the eight bands into the second half of `value` (Table 3)."""
    dp = line.dp
    reach_s = min(model.region_per_height * hs, dp)
    source_mean = region_factor(running, line, 0.0, reach_s)
    q = middle_weight(dp, hs, hr, model.region_per_height)
    middle_mean = 0.0
    if q > 0.0:
        middle_mean = region_factor(running, line, reach_s, dp - shared.reach_r)
    table3 = model.table3
    hump, tail, far = shared.hump, shared.tail, factors.far_ground
    hump_s, tail_s = factors.hump_s, factors.tail_s
    for band in range(BANDS):
        base, mixed = table3[END_BASE, band], table3[END_MIXED, band]
        a_s = end_region(source_mean, base, mixed, hump_s[h, band], hump, tail_s[h, band], tail)
        a_m = middle_region(q, middle_mean, table3[MIDDLE_BASE, band], table3[MIDDLE_SHARE, band])
        value[BANDS + band] = -DB * (a_s + far[band] + a_m)


@compiled_part
def path_exponents(model: Model, d: float, foliage_m: float, value: FloatArray) -> None:
    """Fill -k (alpha d + Afol) of the eight bands into the first half of `value`."""
    alpha = model.alpha
    for band in range(BANDS):
        value[band] = -DB * alpha[band] * d
    if foliage_m > 0.0:
        rows = model.foliage_rows
        shortest, change, longest = model.foliage_lengths
        for band in range(BANDS):
            value[band] -= DB * foliage_band(
                foliage_m, rows[0, band], rows[1, band], shortest, change, longest
            )


@compiled_part
def screen_shares(model: Model, edges: int, weighted_z: float, e: float, share: FloatArray) -> None:
    """Fill 10^(-Dz/10), caps applied; infinite where Dz is 0 because nothing screens."""
    floor = model.floor_double if edges > 1 else model.floor_single
    between = e if edges > 1 else 0.0
    c2, reach = model.c2_by_wavelength, model.edge_reach
    for band in range(BANDS):
        above, below = edge_parts(between, reach[band])
        s = screen_share(weighted_z, above, below, model.c1, c2[band])
        share[band] = max(floor, s)


@compiled_part
def apply_screen(model: Model, screen: Screen, d: float, spectrum: Spectrum) -> None:
    """Turn g in the second half of `value` into F over the top."""
    kmet = meteorological_factor(screen.z, screen.dss, screen.dsr, d, model.kmet_length)
    value, share = spectrum.value, spectrum.share
    screen_shares(model, screen.edges, screen.z * kmet, screen.e, share)
    if model.positive:
        for band in range(BANDS):
            g = value[BANDS + band]
            value[BANDS + band] = max(g, 1.0) * min(min(g, 1.0), share[band])
    else:
        for band in range(BANDS):
            value[BANDS + band] = min(value[BANDS + band], share[band])
