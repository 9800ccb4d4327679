"""ISO 9613-2:1996 for one case of `noisemap path`, written apart from the package.

Plain Python from the formulas and tables alone: no import of the package, no arrays,
no shared coefficient file.  COMPUTED by the same hands as the package, so agreement shows
arithmetic, not that the standard was read rightly.
"""

from __future__ import annotations

import itertools
import math
import random
from typing import Any

Case = dict[str, Any]
Point = tuple[float, float, bool]  # place, height, whether it is the top of an object

NOMINAL = (63, 125, 250, 500, 1000, 2000, 4000, 8000)
EXACT = tuple(1000.0 * 10.0 ** (0.3 * k) for k in range(-4, 4))
A_WEIGHTS = (-26.2, -16.1, -8.6, -3.2, 0.0, 1.2, 1.0, -1.1)
SHORT_TREES = (0, 0, 1, 1, 1, 1, 2, 3)
LONG_TREES = (0.02, 0.03, 0.04, 0.05, 0.06, 0.08, 0.09, 0.12)
SITES = (0.0, 0.015, 0.025, 0.025, 0.02, 0.02, 0.015, 0.015)


def absorption(celsius: float, humidity: float, pressure: float) -> list[float]:
    """ISO 9613-1 at the exact mid-bands [dB/m]."""
    t, t0, p = celsius + 273.15, 293.15, pressure / 101.325
    saturation = 10.0 ** (-6.8346 * (273.16 / t) ** 1.261 + 4.6151)
    h = humidity * saturation / p
    oxygen = p * (24.0 + 4.04e4 * h * (0.02 + h) / (0.391 + h))
    nitrogen = p * (t / t0) ** -0.5
    nitrogen *= 9.0 + 280.0 * h * math.exp(-4.170 * ((t / t0) ** (-1.0 / 3.0) - 1.0))
    found = []
    for f in EXACT:
        molecules = 0.01275 * math.exp(-2239.1 / t) / (oxygen + f * f / oxygen)
        molecules += 0.1068 * math.exp(-3352.0 / t) / (nitrogen + f * f / nitrogen)
        classic = 1.84e-11 / p * math.sqrt(t / t0)
        found.append(8.686 * f * f * (classic + (t / t0) ** -2.5 * molecules))
    return found


def mean_ground(strips: list[list[float]], low: float, high: float) -> float:
    if high <= low:
        return 0.0
    return sum(max(0.0, min(high, b) - max(low, a)) * g for a, b, g in strips) / (high - low)


def end_region(g: float, h: float, dp: float) -> list[float]:
    reach = 1.0 - math.exp(-dp / 50.0)
    far = 1.0 - math.exp(-2.8e-6 * dp * dp)
    a = 1.5 + 3.0 * math.exp(-0.12 * (h - 5.0) ** 2) * reach
    a += 5.7 * math.exp(-0.09 * h * h) * far
    b = 1.5 + 8.6 * math.exp(-0.09 * h * h) * reach
    c = 1.5 + 14.0 * math.exp(-0.46 * h * h) * reach
    d = 1.5 + 5.0 * math.exp(-0.9 * h * h) * reach
    return [-1.5, -1.5 + g * a, -1.5 + g * b, -1.5 + g * c, -1.5 + g * d, *[-1.5 * (1 - g)] * 3]


def ground(case: Case, dp: float) -> list[float]:
    hs, hr, strips = case["hs"], case["hr"], case["G"]
    at_source, at_receiver = min(30.0 * hs, dp), min(30.0 * hr, dp)
    q = max(0.0, 1.0 - 30.0 * (hs + hr) / dp)
    middle = mean_ground(strips, at_source, dp - at_receiver) if q > 0.0 else 0.0
    source = end_region(mean_ground(strips, 0.0, at_source), hs, dp)
    receiver = end_region(mean_ground(strips, dp - at_receiver, dp), hr, dp)
    between = [-3.0 * q, *[-3.0 * q * (1.0 - middle)] * 7]
    return [sum(parts) for parts in zip(source, receiver, between, strict=True)]


def height(case: Case, x: float) -> float:
    xs, zs = case["x"], case["ground"]
    for a, b, za, zb in zip(xs, xs[1:], zs, zs[1:], strict=False):
        if a <= x <= b:
            return float(za + (x - a) / (b - a) * (zb - za))
    raise ValueError(x)


def screen(z: float, kmet: float, edges: int, e: float) -> list[float]:
    found = []
    for f in NOMINAL:
        wave = 340.0 / f
        c3 = 1.0
        if edges > 1:
            c3 = (1.0 + (5.0 * wave / e) ** 2) / (1.0 / 3.0 + (5.0 * wave / e) ** 2)
        bracket = 3.0 + 20.0 / wave * c3 * z * kmet
        cap = 20.0 if edges < 2 else 25.0
        found.append(0.0 if bracket <= 1.0 else min(10.0 * math.log10(bracket), cap))
    return found


def highest(points: list[Point]) -> list[Point]:
    """One point at each place: the highest, an object at a tie."""
    kept: list[Point] = []
    for point in sorted(points):
        if kept and point[0] - kept[-1][0] < 1e-9:
            kept[-1] = max(kept[-1], point, key=lambda one: one[1:])
        else:
            kept.append(point)
    return kept


def hull(points: list[Point]) -> list[Point]:
    """Upper hull; terrain on a leg is dropped, an object that touches it counts."""
    kept: list[Point] = []
    for point in points:
        while len(kept) >= 2:
            a, b = kept[-2:]
            before = (b[1] - a[1]) / (b[0] - a[0])
            after = (point[1] - b[1]) / (point[0] - b[0])
            if before < after - 1e-12 or (not b[2] and before <= after + 1e-12):
                kept.pop()
            else:
                break
        kept.append(point)
    return kept


def legs_of(points: list[Point]) -> list[float]:
    return [math.dist(a[:2], b[:2]) for a, b in itertools.pairwise(points)]


def over_the_top(case: Case, dp: float) -> dict[str, Any]:
    start: Point = (0.0, case["ground"][0] + case["hs"], True)
    stop: Point = (dp, case["ground"][-1] + case["hr"], True)
    d = math.dist(start[:2], stop[:2])
    points: list[Point] = [
        (x, z, False) for x, z in zip(case["x"][1:-1], case["ground"][1:-1], strict=True)
    ]
    for item in case.get("objects", []):
        places = [item["x"]] if item["kind"] == "screen" else [item["x1"], item["x2"]]
        top = height(case, sum(places) / len(places)) + item["h"]
        points += [(x, top, True) for x in places]
    points = highest(points)
    band = hull([start, *points, stop])
    legs = legs_of(band)
    n = len(band) - 2
    if n:
        z, e = sum(legs) - d, sum(legs[1:-1])
        kmet = 1.0
        if z > 1e-12:
            kmet = math.exp(-math.sqrt(legs[0] * legs[-1] * d / (2.0 * z)) / 2000.0)
        return {"n": n, "z": z, "Dz": screen(z, kmet, n, e), "blocked": z > 0.0}
    below = [d - math.dist(start[:2], p[:2]) - math.dist(p[:2], stop[:2]) for p in points if p[2]]
    if below:
        return {"n": 1, "z": max(below), "Dz": screen(max(below), 1.0, 1, 0.0), "blocked": False}
    return {"n": 0, "z": None, "Dz": [0.0] * 8, "blocked": False}


def around(case: Case, dp: float, rise: float, sign: float) -> dict[str, Any] | None:
    corners: list[Point] = [
        (x, sign * y, True) for x, y in case.get("lateral_corners", []) if sign * y > 0.0
    ]
    if not corners:
        return None
    band = hull([(0.0, 0.0, True), *highest(corners), (dp, 0.0, True)])
    legs = legs_of(band)
    z = math.hypot(sum(legs), rise) - math.hypot(dp, rise)
    return {"z": z, "Dz": screen(z, 1.0, len(band) - 2, sum(legs[1:-1]))}


def trees(length: float) -> list[float]:
    if length < 10.0:
        return [0.0] * 8
    if length <= 20.0:
        return [float(value) for value in SHORT_TREES]
    return [value * min(length, 200.0) for value in LONG_TREES]


def solve(case: Case) -> dict[str, Any]:
    """The terms that `noisemap path` gives."""
    dp = case["x"][-1]
    rise = case["ground"][-1] + case["hr"] - case["ground"][0] - case["hs"]
    d = math.hypot(dp, rise)
    aatm = [a * d for a in absorption(case["T"], case["RH"], case["p"])]
    agr = ground(case, dp)
    built = min(10.0, 0.1 * case.get("housing_m", 0.0))
    houses = [0.0] * 8
    if built > 0.0:
        houses = [0.0 if g > built else built for g in agr]
        agr = [g if g > built else 0.0 for g in agr]
    wood = trees(case.get("foliage_m", 0.0))
    site = [min(10.0, value * case.get("industry_m", 0.0)) for value in SITES]
    amisc = [sum(parts) for parts in zip(wood, site, houses, strict=True)]
    top = over_the_top(case, dp)
    positive = case.get("screening_reading") == "positive"
    abar = [
        0.0 if dz <= 0.0 else max(dz - (max(g, 0.0) if positive else g), 0.0)
        for dz, g in zip(top["Dz"], agr, strict=True)
    ]
    adiv = 20.0 * math.log10(d) + 11.0
    shared = [adiv + sum(parts) for parts in zip(aatm, agr, amisc, strict=True)]
    ways = [[a + b for a, b in zip(shared, abar, strict=True)]]
    sides = [around(case, dp, rise, sign) if top["blocked"] else None for sign in (1.0, -1.0)]
    for side in sides:
        if side is not None:
            ways.append([a + b for a, b in zip(shared, side["Dz"], strict=True)])
    a = [-10.0 * math.log10(sum(10.0 ** (-way[i] / 10.0) for way in ways)) for i in range(8)]
    clear = 10.0 * (case["hs"] + case["hr"])
    bands = zip(case["LW"], a, A_WEIGHTS, strict=True)
    return {
        "d": d, "dp": dp, "Adiv": adiv, "Aatm": aatm, "Agr": agr, "Dz": top["Dz"], "Abar": abar,
        "Amisc": amisc, "A": a, "Cmet": 0.0 if dp <= clear else case["C0"] * (1.0 - clear / dp),
        "LA": 10.0 * math.log10(sum(10.0 ** ((lw - x + w) / 10.0) for lw, x, w in bands)),
        "top": top, "left": sides[0], "right": sides[1],
    }  # fmt: skip


def random_case(seed: int) -> Case:
    """A case with any of the terms: flat and rough ground, objects, corners, annex A."""
    r = random.Random(seed)
    kind = seed % 6
    dp = round(10.0 ** r.uniform(1.5, 3.2), 2)
    inner = {round(r.uniform(0.02, 0.98) * dp, 2) for _ in range(r.randint(1, 12))}
    x = [0.0, *(sorted(inner) if kind else []), dp]
    rough = r.choice([0.0, 1.0, 5.0, 20.0]) if kind else 0.0
    cuts = {round(r.uniform(0.01, 0.99) * dp, 2) for _ in range(r.randint(0, 4))}
    rims = [0.0, *sorted(cuts), dp]
    case: Case = {
        "x": x,
        "ground": [round(r.gauss(0.0, 1.0) * rough, 2) for _ in x],
        "hs": r.choice([0.5, 3.7, round(r.uniform(0.3, 8.0), 2)]),
        "hr": round(r.uniform(1.2, 12.0), 2),
        "G": [[a, b, r.choice([0, 1, round(r.random(), 3)])]
              for a, b in itertools.pairwise(rims)],
        "T": round(r.uniform(-5.0, 35.0), 1),
        "RH": round(r.uniform(15.0, 95.0), 1),
        "p": round(r.uniform(80.0, 103.0), 2),
        "C0": round(r.uniform(0.0, 4.0), 1),
        "LW": [round(r.uniform(80.0, 110.0), 1) for _ in NOMINAL],
        "objects": [],
    }  # fmt: skip
    for _ in range(r.randint(1, 3) if kind in (1, 3, 4, 5) else 0):
        h = round(r.choice([r.uniform(0.3, 3.0), r.uniform(2.0, 15.0)]), 2)
        if r.random() < 0.5:
            case["objects"].append({"kind": "screen", "x": round(r.uniform(0.05, 0.95) * dp, 2),
                                    "h": h})  # fmt: skip
        else:
            first = round(r.uniform(0.05, 0.8) * dp, 2)
            last = round(min(first + r.uniform(2.0, 20.0), 0.97 * dp), 2)
            case["objects"].append({"kind": "block", "x1": first, "x2": last, "h": h})
    if kind in (3, 4):
        case["lateral_corners"] = [
            [round(r.uniform(0.05, 0.95) * dp, 2), round(r.choice([-1, 1]) * r.uniform(1, 40), 2)]
            for _ in range(r.randint(1, 6))
        ]
    if r.random() < 0.4:
        case["foliage_m"] = min(round(10.0 ** r.uniform(0.5, 2.5), 1), dp)
    if r.random() < 0.3:
        case["industry_m"] = round(r.uniform(0.0, 0.9) * dp, 1)
    if r.random() < 0.3:
        case["housing_m"] = round(r.uniform(0.0, 0.5) * dp, 1)
    if r.random() < 0.25:
        case["screening_reading"] = "positive"
    return case
