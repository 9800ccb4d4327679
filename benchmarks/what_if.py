"""Size and repaint of the what-if at 5000 homes, in a headless browser.

    python benchmarks/what_if.py [--homes 5000] [--stretches 300] [--json FILE]

The made table of the tests in a whole map: levels that fall with distance along a straight
road behind smooth screens, two facades a home, four exhaust states, three trucks.  Times
are of one machine under one load: read the ratios, each to the time of decoding.
"""

from __future__ import annotations

import argparse
import json
import os
import statistics
import sys
import tempfile
from pathlib import Path
from unittest import mock

from playwright.sync_api import sync_playwright

from noisemap.outputs.map import map_html

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))
from outputs_fixture import make_findings, make_scene
from what_if_made import made_table

ROUNDS = 15

MEASURE = """async (rounds) => {
  const data = JSON.parse(document.getElementById("study-data").textContent).whatIf;
  const begin = performance.now(), table = await WhatIf.table(data);
  const decoded = performance.now() - begin, model = new WhatIf.Model(table);
  document.getElementById("try").click();
  while (!window.noisemapTrial) { await new Promise((done) => setTimeout(done, 50)); }
  const scenario = {zone: true, road: 0, hours: data.night, shares: null, flow: 1, emergency: 0,
                    binds: "compression_release", observance: 0.8, name: "tried"};
  const length = data.roads[0].length, times = [], painted = [];
  const frame = () => new Promise((done) => requestAnimationFrame(() => setTimeout(done, 0)));
  for (let i = 0; i < rounds; i++) {
    scenario.from = 0.02 * i * length;
    scenario.to = scenario.from + 0.4 * length;
    let start = performance.now();
    model.under(scenario);
    times.push(performance.now() - start);
    await frame();
    start = performance.now();
    window.noisemapTrial.set(scenario);
    await frame();
    await frame();
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
    made = made_table(wanted.homes, wanted.stretches)
    scene = make_scene(wanted.homes)
    with mock.patch("noisemap.outputs.map.what_if_data", return_value=made.data):
        page = map_html(scene, make_findings(scene), made)
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
        "size_mb": round(len(page.encode()) / 1e6, 2),
        "load": round(os.getloadavg()[0], 1),
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
