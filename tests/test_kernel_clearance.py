"""The clearance rule: terrain that rises into the sight line by no more screens nothing."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from propagation_support import ALPHA, FloatArray, case, place, random_place, reference_path

from noisemap.errors import OutOfDomainError
from noisemap.levels import from_energy
from noisemap.propagation.attenuation import attenuation
from noisemap.propagation.case import path_result
from noisemap.propagation.kernel import Flag, Surface, propagate
from noisemap.study.method import terrain_rule
from noisemap.transfer.build import Air

SOURCE, RECEIVER = np.array([100.0, 300.0, 0.0]), np.array([400.0, 300.0, 4.0])


def loss(surface: Surface, **options: Any) -> FloatArray:
    block = propagate(surface, [RECEIVER], [SOURCE], [0.5], [0, 1], [0], ALPHA, **options)
    return np.asarray(-from_energy(block.t[0, 0].astype(float)))


def hump(above: float) -> Surface:
    """A ridge half-way, where the sight line is 2.25 m high."""
    height = np.zeros((60, 60))
    height[:, 25] = 2.25 + above
    return place(height, 0.0)


def test_a_hump_under_the_clearance_is_open_and_flagged() -> None:
    low = hump(0.2)
    flat = loss(place(factor=0.0))
    assert (loss(low) > flat + 4.7).all()
    np.testing.assert_allclose(loss(low, clearance=0.2 + 1e-9), flat, atol=1e-6)
    assert loss(low, clearance=0.19).tolist() == loss(low).tolist()
    block = propagate(low, [RECEIVER], [SOURCE], [0.5], [0, 1], [0], ALPHA, clearance=0.5)
    assert block.flags[0] & Flag.NEAR_GRAZING
    assert block.grazing_z[0, 0] < 0.0


def test_walls_screen_as_ever() -> None:
    def walled(surface: Surface) -> Surface:
        return place(surface.height, 0.0, edges=[(200.0, 0.0, 200.0, 590.0)], edge_height=[5.0],
                     edge_block=[-1])  # fmt: skip

    flat = place(factor=0.0)
    np.testing.assert_allclose(
        loss(walled(hump(0.2)), clearance=0.5), loss(walled(flat)), atol=1e-6
    )
    assert (loss(walled(hump(0.2))) != loss(walled(flat))).any()


def test_equal_to_the_reference_on_random_places() -> None:
    changed = 0
    for seed in range(150):
        surface, receiver, source = random_place(seed)
        block = propagate(surface, receiver[None], source[None], (0.5, 3.7), [0, 1], [0], ALPHA,
                          sides=False, clearance=3.0)  # fmt: skip
        for h, hs in enumerate((0.5, 3.7)):
            path = reference_path(surface, receiver, source, hs, clearance=3.0)
            level = -10.0 * np.log10(block.t[0, h].astype(float))
            assert np.abs(level - attenuation(path).a).max() < 1e-6, seed
            plain = attenuation(reference_path(surface, receiver, source, hs))
            changed += bool(np.abs(level - plain.a).max() > 1.0)
    assert changed >= 10


def test_in_noisemap_path() -> None:
    ridge = case(x=[0, 50, 100], ground=[0, 2.5, 0], G=[[0, 100, 0]])
    assert path_result(ridge)["top"]["n"] == 1
    open_path = path_result({**ridge, "clearance_m": 0.3})
    assert open_path["top"]["n"] == 0
    assert open_path["A"] == path_result(case(x=[0, 100], ground=[0, 0], G=[[0, 100, 0]]))["A"]
    assert path_result({**ridge, "clearance_m": 0.2})["top"]["n"] == 1
    assert "clearance_m: -1 is not allowed" in path_result({**ridge, "clearance_m": -1})["error"]


def test_the_range_is_kept_and_the_report_names_the_rule() -> None:
    with pytest.raises(OutOfDomainError, match="clearance"):
        loss(hump(0.2), clearance=-0.1)
    assert "All terrain that cuts the line of sight screens" in terrain_rule(
        Air(10.0, 70.0, 101.325)
    )
    said = terrain_rule(Air(10.0, 70.0, 101.325, clearance=0.5))
    assert said.startswith("Clearance rule: terrain that rises into the line of sight by 0.5 m")
