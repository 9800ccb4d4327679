"""A made table of the what-if: a straight road, smooth screening, as many homes as asked."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from noisemap.outputs.what_if_data import Block, centi, half_decibels
from noisemap.states import EXHAUST_STATES
from noisemap.zones.what_if_packing import from_first
from noisemap.zones.what_if_rows import Columns, piece_codes

LENGTH_M = 30.0
FACADES = 2
POWER_DB = (93.0, 95.0, 101.0, 105.0)
TILT_DB = (0.0, 1.0, 2.0, 4.0)
PASSES = (3.0, 2.5, 0.4, 0.2)
SHARE = (0.4, 0.3, 0.3)
NIGHT = [22, 23, 0, 1, 2, 3, 4, 5, 6]


@dataclass(frozen=True)
class Made:
    """The table for the page, and what it was made from."""

    data: dict[str, Any]
    attenuation: npt.NDArray[np.uint8]  # (row, shape, piece) as the engine codes it
    loss: npt.NDArray[np.float64]  # (row, shape, piece) before it was coded [dB]


def transfers(homes: int, stretches: int) -> npt.NDArray[np.float64]:
    """Transfers (row, stretch, band) of homes beside the road, with screens of some length."""
    rng = np.random.default_rng(5)
    at = np.sort(rng.uniform(0.0, LENGTH_M * stretches, homes)).repeat(FACADES)
    away = rng.uniform(30.0, 900.0, homes).repeat(FACADES)
    middle = LENGTH_M * (np.arange(stretches) + 0.5)
    distance = np.hypot(at[:, None] - middle, away[:, None])
    knots = np.linspace(0, stretches - 1, stretches // 6)
    rough = rng.uniform(0.0, 15.0, (homes * FACADES, len(knots)))
    screen = np.array([np.interp(np.arange(stretches), knots, one) for one in rough])
    band = np.arange(8)
    loss = 11.0 + 20.0 * np.log10(distance)[:, :, None]
    loss = loss + (0.5 + band / 8.0) * screen[:, :, None]
    loss = loss + 0.0004 * 2.0**band * distance[:, :, None]
    return np.asarray(10.0 ** (-0.1 * loss))


def made_table(homes: int, stretches: int) -> Made:
    """A table as `what_if_data` writes it."""
    trucks, states, rows = len(SHARE), len(EXHAUST_STATES), homes * FACADES
    tilt = np.array(TILT_DB)[:, None] + 0.5 * np.arange(trucks)
    spectra = 10.0 ** (-0.1 * (tilt.reshape(-1, 1) * np.abs(np.arange(8) - 3.5)))
    spectra /= spectra.sum(axis=1, keepdims=True)
    columns = Columns(
        stretch=np.arange(stretches),
        heights=(0,),
        speed=np.full(stretches, 20.0),
        running=np.ones((stretches, 8)),
        peak=np.ones(stretches),
        first=np.arange(stretches),
        energy=np.repeat(spectra[:, None, None], stretches, axis=1),
    )
    t = transfers(homes, stretches)
    gain = -8.0 + 2.0 * np.log10(t[:, :, 4] / t[:, :, 4].max())
    parts = [
        piece_codes(columns, t[begin : begin + 1000, :, None], gain[begin : begin + 1000])
        for begin in range(0, rows, 1000)
    ]
    attenuation, running, raised = (np.concatenate(one) for one in zip(*parts, strict=True))
    block = Block()
    block.add("attenuation", from_first(attenuation))
    block.add("running", running)
    block.add("gain", raised)
    block.add("home", (np.arange(rows) // FACADES).astype(np.float32))
    block.add("people", np.tile([2.5, 0.0], homes).astype(np.float32))
    block.add("ofHome", np.ones(rows, dtype=np.uint8))
    near = t[:, :, 4].sum(axis=1)
    by_hour = near[:, None] * 1e8 * np.linspace(1.5, 0.5, 24)
    block.add("light", half_decibels(by_hour))
    block.add("heavy", half_decibels(0.5 * by_hour))
    power = np.array(POWER_DB)[:, None, None] + np.arange(trucks)[:, None]
    peak = np.broadcast_to(power, (states, trucks, stretches))
    block.add("peak0", centi(peak))
    block.add("energy0", centi(peak + 3.0))
    block.add("power0", centi(np.full((trucks, stretches), 88.0)))
    block.add("quiet0", centi(91.0 + 10.0 * np.log10(near)))
    loudest = 80.0 + 10.0 * np.log10(t[:, :, 4].max(axis=1))
    block.add("floor0", centi(np.tile(loudest, (trucks, 1))))
    loss = -10.0 * np.log10((t @ spectra.T).swapaxes(1, 2))
    return Made(_data(block, homes, stretches), attenuation, loss)


def _data(block: Block, homes: int, stretches: int) -> dict[str, Any]:
    start, end = LENGTH_M * np.arange(stretches), LENGTH_M * np.arange(1, stretches + 1)
    trucks, length = len(SHARE), float(end[-1])
    return {
        "version": 1,
        "units": "metric",
        "homes": homes,
        "codes": {"step": 0.5, "gainFrom": -40.0, "nothing": 255},
        "passes": {"level": 70, "spread": 3.0, "meanShift": 0.115, "led": 0.5},
        "states": list(EXHAUST_STATES),
        "night": NIGHT,
        "pieces": {"from": start.tolist(), "to": end.tolist()},
        "ways": [
            {
                "road": 0,
                "direction": 1,
                "trucks": list(range(trucks)),
                "share": list(SHARE),
                "perHour": [[count] * 24 for count in PASSES],
                "shape": np.arange(len(PASSES) * trucks).reshape(-1, trucks).tolist(),
                "pieces": list(range(stretches)),
            }
        ],
        "roads": [
            {
                "key": "made",
                "name": "Made road",
                "length": length,
                "line": [[0.0, 300.0, 500.0], [length, 2000.0, 900.0]],
            }
        ],
        "leftOut": [],
        "trucks": [{"name": f"truck {n}", "mass": "", "share": SHARE[n]} for n in range(trucks)],
        "brakes": [
            {
                "ends": [0.0, length],
                "height": [0.0, -0.06 * length],
                "grids": [],
                "unequipped": [],
                "used": [],
                "linear": True,
            }
        ],
        "conditions": [],
        "conditionWords": {},
        "limits": {"planning": 190.0, "hard": 260.0},
        "worth": 1.0,
        "coarse": False,
        "criteria": [
            {"label": "hour", "limit": 67.0, "reached": False, "total": False, "weights": None},
            {
                "label": "night",
                "limit": 45.0,
                "reached": False,
                "total": False,
                "weights": [1.0 / len(NIGHT) if hour in NIGHT else 0.0 for hour in range(24)],
            },
        ],
        "background": None,
        "binds": {"compression_release": "all compression release brakes"},
        "note": "",
        "zones": [],
        "arrays": block.places,
        "block": block.text(),
    }
