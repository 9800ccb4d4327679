"""Source heights that share a path: none changes what another comes to, however they are listed."""

from __future__ import annotations

import numpy as np
import pytest
from propagation_support import ALPHA, random_place

from noisemap.propagation.kernel import PathBlock, propagate

HEIGHTS = (0.5, 3.7, 1.2, 14.0)


def paths(seed: int, heights: tuple[float, ...]) -> PathBlock:
    surface, receiver, source = random_place(seed)
    return propagate(surface, [receiver], [source], heights, [0, 1], [0], ALPHA, sides=False)


@pytest.mark.parametrize("seed", range(60))
def test_each_height_comes_to_what_it_comes_to_alone(seed: int) -> None:
    """The band over the terrain is stretched once, from the lowest source, for all heights."""
    together = paths(seed, HEIGHTS)
    backwards = paths(seed, HEIGHTS[::-1])
    for h, height in enumerate(HEIGHTS):
        alone = paths(seed, (height,))
        for found, place in ((together, h), (backwards, len(HEIGHTS) - 1 - h)):
            np.testing.assert_allclose(found.t[0, place], alone.t[0, 0], rtol=3e-7)
            np.testing.assert_allclose(
                found.grazing_z[0, place], alone.grazing_z[0, 0], rtol=3e-6, atol=1e-9
            )


def test_some_of_these_places_screen_the_low_source_alone() -> None:
    seen = [paths(seed, HEIGHTS).grazing_z[0] > 0.0 for seed in range(60)]
    assert any(low and not high for low, _, _, high in seen)
    assert any(low and high for low, _, _, high in seen)
