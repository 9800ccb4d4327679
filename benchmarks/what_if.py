"""Size and repaint of the what-if at 5000 homes, in a headless browser.

    python benchmarks/what_if.py [--homes 5000] [--stretches 300] [--json FILE]

A synthetic table: levels that fall with distance along a straight road, two facades a
home, four exhaust states, three trucks.  Times are of one machine under one load: read
the ratios, each to the time of decoding the block.
"""

from __future__ import annotations

import argparse
import json
import statistics
import tempfile
from pathlib import Path

import numpy as np
from playwright.sync_api import sync_playwright

from noisemap.outputs.map_data import data_text
from noisemap.outputs.offline import app_script
from noisemap.outputs.what_if_data import Block, centi, half_decibels
from noisemap.zones.what_if_rows import attenuation_codes, gain_codes

TRUCKS, STATES, ROUNDS = 3, 4, 15


def table(homes: int, stretches: int) -> dict:
    """A table as `what_if_data` makes it, of a straight road of 30 m stretches."""
    rng = np.random.default_rng(5)
    rows = 2 * homes
    at = rng.uniform(0.0, 30.0 * stretches, rows)
    away = rng.uniform(30.0, 900.0, rows)
    middle = 30.0 * np.arange(stretches) + 15.0
    distance = np.hypot(at[:, None] - middle, away[:, None])
    screen = rng.uniform(0.0, 15.0, (rows, 1)) + rng.normal(0.0, 1.0, (rows, stretches))
    band = np.arange(8)[:, None, None]
    loss = 11.0 + 20.0 * np.log10(distance) + screen + 0.0004 * 2.0**band * distance
    t = 10.0 ** (-0.1 * loss)
    block = Block()
    block.add("attenuation", attenuation_codes(t)[None])
    block.add("running", attenuation_codes(t[4]))
    block.add("gain", gain_codes(np.zeros((rows, stretches))))
    block.add("home", (np.arange(rows) // 2).astype(np.float32))
    block.add("people", np.tile([2.5, 0.0], homes).astype(np.float32))
    block.add("ofHome", np.ones(rows, dtype=np.uint8))
    hours = np.full((rows, 24), 1e4)
    block.add("light", half_decibels(hours))
    block.add("heavy", half_decibels(hours))
    level = 105.0 + np.array([-12.0, -10.0, -4.0, 0.0])
    shape = (STATES, TRUCKS, stretches, 1, 8)
    peak = np.broadcast_to(
        level[:, None, None, None, None] + np.arange(TRUCKS)[:, None, None, None], shape
    )
    block.add("peak0", centi(peak))
    block.add("energy0", centi(peak[:, 1] + 3.0))
    block.add("power0", centi(np.full((TRUCKS, stretches), 100.0)))
    quiet = 10.0 * np.log10((t[4] * 10.0**10.3).sum(axis=1))
    block.add("quiet0", centi(quiet))
    block.add("floor0", centi(np.tile(100.0 + 10.0 * np.log10(t[4].max(axis=1)), (TRUCKS, 1))))
    length = 30.0 * stretches
    return {
        "version": 1,
        "units": "metric",
        "homes": homes,
        "codes": {"step": 0.5, "gainFrom": -40.0, "nothing": 255},
        "passes": {"level": 70, "spread": 3.0, "meanShift": 0.115, "led": 0.5},
        "states": ["after_treatment", "muffled", "worn", "straight"],
        "night": [22, 23, 0, 1, 2, 3, 4, 5, 6],
        "columns": {
            "road": [0] * stretches,
            "from": (middle - 15.0).tolist(),
            "to": (middle + 15.0).tolist(),
        },
        "ways": [
            {
                "road": 0,
                "direction": 1,
                "trucks": list(range(TRUCKS)),
                "share": [0.4, 0.3, 0.3],
                "perHour": [[count] * 24 for count in (3.0, 2.5, 0.4, 0.2)],
                "columns": list(range(stretches)),
            }
        ],
        "criteria": [
            {
                "label": "line",
                "limit": 45.0,
                "reached": False,
                "total": False,
                "weights": [1 / 24] * 24,
            }
        ],
        "background": None,
        "limits": {"planning": 190.0, "hard": 260.0},
        "length": length,
        "arrays": block.places,
        "block": block.text(),
    }


MEASURE = """async (rounds) => {
  const data = JSON.parse(document.getElementById("data").textContent);
  const begin = performance.now();
  const table = await WhatIf.table(data);
  const decoded = performance.now() - begin;
  const model = new WhatIf.Model(table), canvas = document.getElementById("c").getContext("2d");
  const scenario = {zone: true, road: 0, from: 0, to: 0, hours: data.night, shares: null, flow: 1,
                    binds: "compression_release", observance: 0.8, emergency: 0};
  const times = [], painted = [];
  for (let i = 0; i < rounds; i++) {
    scenario.from = 0.02 * i * data.length;
    scenario.to = scenario.from + 0.4 * data.length;
    const start = performance.now();
    const found = model.under(scenario);
    times.push(performance.now() - start);
    canvas.clearRect(0, 0, 900, 600);
    found.homes.passes.forEach((value, home) => {
      canvas.fillStyle = value > 1 ? "#123" : "#9ab";
      canvas.beginPath();
      canvas.arc(home % 900, home % 600, 4, 0, 7);
      canvas.fill();
      canvas.stroke();
    });
    await new Promise((done) => requestAnimationFrame(() => setTimeout(done, 0)));
    painted.push(performance.now() - start);
  }
  return {decoded, times, painted};
}"""


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--homes", type=int, default=5000)
    parser.add_argument("--stretches", type=int, default=300)
    parser.add_argument("--json", type=Path)
    wanted = parser.parse_args()
    data = table(wanted.homes, wanted.stretches)
    text = data_text(data)
    page = (
        '<meta charset="utf-8"><canvas id="c" width="900" height="600"></canvas>'
        f'<script type="application/json" id="data">{text}</script>'
        f"<script>{app_script().rsplit('// The map' + chr(39) + 's own script', 1)[0]}</script>"
    )
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as driver:
        file = Path(folder) / "page.html"
        file.write_text(page, encoding="utf-8")
        browser = driver.chromium.launch(
            executable_path="/usr/bin/chromium", args=["--no-sandbox", "--disable-gpu"]
        )
        view = browser.new_page()
        view.goto(file.as_uri())
        found = view.evaluate(MEASURE, ROUNDS)
        browser.close()
    middle = {key: statistics.median(found[key]) for key in ("times", "painted")}
    result = {
        "homes": wanted.homes,
        "stretches": wanted.stretches,
        "size_mb": round(len(text.encode()) / 1e6, 2),
        "decode_s": round(found["decoded"] / 1e3, 2),
        "recompute_ms": round(middle["times"], 1),
        "painted_ms": round(middle["painted"], 1),
        "recompute_over_decode": round(middle["times"] / found["decoded"], 4),
        "painted_over_decode": round(middle["painted"] / found["decoded"], 4),
    }
    print(json.dumps(result, indent=2))
    if wanted.json:
        wanted.json.write_text(json.dumps(result, indent=2) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
