"""The exponential function over a short array, in a form that compilers turn into vectors."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from noisemap.propagation.machine.compiled import compiled

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

_ROUNDING = 6755399441055744.0  # 1.5 * 2**52: adding it rounds to a whole number
_PER_LN2 = 1.4426950408889634
_LN2_HIGH = 0.6931471803691238  # leading bits of ln 2, so that whole * high is exact
_LN2_LOW = 1.9082149292705877e-10
_LOWEST = -700.0  # e**-700 is 1e-304
_HIGHEST = 700.0


@compiled
def exp_in_place(value: FloatArray, bits: IntArray, whole: FloatArray, count: int) -> None:
    """Replace the first `count` values by their exponentials.

    Arguments outside -700..700 are taken as the nearer limit.  `bits` is the
    memory of `whole` (`whole.view(int64)`) and both are scratch.  Relative error
    below 1e-15: e^x = 2^k e^r with k = round(x / ln 2) and a Taylor polynomial
    of degree 12 for |r| <= ln 2 / 2, its terms taken in pairs, which a processor
    can compute side by side; 2^k is written into the exponent bits.  A `count` that
    the compiler knows beforehand gives slower code: it unrolls instead of using vectors.
    """
    for i in range(count):
        x = value[i]
        x = _LOWEST if x < _LOWEST else x
        x = _HIGHEST if x > _HIGHEST else x
        shifted = x * _PER_LN2 + _ROUNDING
        k = shifted - _ROUNDING
        r = (x - k * _LN2_HIGH) - k * _LN2_LOW
        r2 = r * r
        r4 = r2 * r2
        low = (1.0 + r) + r2 * (0.5 + r * (1.0 / 6.0))
        mid = (1.0 / 24.0 + r * (1.0 / 120.0)) + r2 * (1.0 / 720.0 + r * (1.0 / 5040.0))
        high = 1.0 / 40320.0 + r * (1.0 / 362880.0)
        high += r2 * (1.0 / 3628800.0 + r * (1.0 / 39916800.0))
        high += r4 * (1.0 / 479001600.0)
        value[i] = (low + r4 * mid) + (r4 * r4) * high
        whole[i] = shifted
    for i in range(count):
        bits[i] = (bits[i] + 1023) << 52
    for i in range(count):
        value[i] *= whole[i]
