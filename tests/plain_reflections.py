"""Reflections of ISO 9613-2, 7.5, for one case of `noisemap path`, written apart from the package.

The receiver is mirrored in space, not the source in plan, and the angle of incidence is that
between two vectors.  Plain Python; no import of the package.
"""

from __future__ import annotations

import itertools
import math
import random
from typing import Any

from plain_iso9613 import A_WEIGHTS, NOMINAL, Case, height, random_case, solve

Vector = tuple[float, float, float]
LEAST_RHO, MOST = 0.2, 4


def dot(a: Vector, b: Vector) -> float:
    return sum(x * y for x, y in zip(a, b, strict=True))


def minus(a: Vector, b: Vector) -> Vector:
    return (a[0] - b[0], a[1] - b[1], a[2] - b[2])


def normal_of(surface: Case) -> Vector:
    """Unit vector across an upright surface."""
    (x1, y1), (x2, y2) = surface["from"], surface["to"]
    long = math.dist((x1, y1), (x2, y2))
    return ((y1 - y2) / long, (x2 - x1) / long, 0.0)


def image(surface: Case, source: Vector, receiver: Vector) -> Vector | None:
    """Where the surface shows the receiver to the source; None where it shows it nowhere."""
    n, foot = normal_of(surface), (*surface["from"], 0.0)
    before, behind = dot(minus(source, foot), n), dot(minus(receiver, foot), n)
    if before * behind <= 0.0:
        return None
    shown = (receiver[0] - 2.0 * behind * n[0], receiver[1] - 2.0 * behind * n[1], receiver[2])
    ray = minus(shown, source)
    t = before / (before + behind)
    hit = (source[0] + t * ray[0], source[1] + t * ray[1])
    ends = [math.dist(hit, surface[key]) for key in ("from", "to")]
    return shown if max(ends) <= math.dist(surface["from"], surface["to"]) else None


def unfolded_length(surface: Case, dp: float) -> float | None:
    """Length in plan by way of a surface, where it shows the receiver."""
    shown = image(surface, (0.0, 0.0, 0.0), (dp, 0.0, 0.0))
    return None if shown is None else math.hypot(shown[0], shown[1])


def large_enough(size: float, cosine: float, ds: float, dr: float, frequency: float) -> bool:
    """Equation 19, multiplied out."""
    wave = 340.0 / frequency
    return 2.0 * wave * ds * dr < (size * cosine) ** 2 * (ds + dr)


def by_way_of(
    surface: Case, case: Case, cosine: float, share: float, length: float
) -> dict[str, Any]:
    """One reflected path: share of it up to the surface, which is so long."""
    shared = {key: value for key, value in case.items() if key in SHARED}
    own = {key: surface[key] for key in OWN if key in surface}
    found = solve({**shared, **own, "C0": 0.0, "LW": [0.0] * 8})
    zs, zr = own["ground"][0] + case["hs"], own["ground"][-1] + case["hr"]
    at, z = share * found["dp"], zs + share * (zr - zs)
    foot = surface["foot"] if "foot" in surface else height(surface, at)
    on_surface = foot <= z <= foot + surface["h"]
    size, d = min(length, surface["h"]), found["d"]
    loss: list[float | None] = [None] * 8
    if on_surface and surface["rho"] >= LEAST_RHO:
        absorbed = 10.0 * math.log10(1.0 / surface["rho"])
        for band, f in enumerate(NOMINAL):
            if large_enough(size, cosine, share * d, (1.0 - share) * d, f):
                loss[band] = found["A"][band] + absorbed
    return {"d": d, "at": at, "z": z, "on_surface": on_surface, "A": loss}


SHARED = ("hs", "hr", "T", "RH", "p", "screening_reading")
OWN = ("x", "ground", "G", "objects", "foliage_m", "industry_m", "housing_m")


def energy(loss: list[float | None]) -> list[float]:
    return [0.0 if value is None else 10.0 ** (-value / 10.0) for value in loss]


def with_strongest(direct: list[float], found: list[dict[str, Any]]) -> list[float]:
    """Loss of the direct path and of the four strongest reflections, which are marked."""
    ranked = sorted(found, key=lambda one: -sum(energy(one["A"])))
    for place, one in enumerate(ranked):
        one["counted"] = place < MOST and any(value is not None for value in one["A"])
    ways = [energy(list(direct)), *(energy(one["A"]) for one in found if one["counted"])]
    return [-10.0 * math.log10(sum(way[band] for way in ways)) for band in range(8)]


def solve_all(case: Case) -> dict[str, Any]:
    """The terms that `noisemap path` gives for a case with surfaces that reflect."""
    answer = solve({key: value for key, value in case.items() if key != "reflectors"})
    found = []
    for surface in case["reflectors"]:
        dp = case["x"][-1]
        zs = surface["ground"][0] + case["hs"]
        zr = surface["ground"][-1] + case["hr"]
        source = (0.0, 0.0, zs)
        shown = image(surface, source, (dp, 0.0, zr))
        assert shown is not None
        ray, n, foot = minus(shown, source), normal_of(surface), (*surface["from"], zs)
        share = dot(minus(foot, source), n) / dot(ray, n)
        cosine = abs(dot(ray, n)) / math.sqrt(dot(ray, ray))
        long = math.dist(surface["from"], surface["to"])
        found.append(by_way_of(surface, case, cosine, share, long))
    answer["A"] = with_strongest(answer["A"], found)
    bands = zip(case["LW"], answer["A"], A_WEIGHTS, strict=True)
    answer["LA"] = 10.0 * math.log10(sum(10.0 ** ((lw - a + w) / 10.0) for lw, a, w in bands))
    answer["reflected"] = found
    return answer


def random_surface(r: random.Random, dp: float, index: int) -> Case | None:
    """A surface near the path that shows the receiver to the source, with its own profile."""
    middle = (r.uniform(-0.3, 1.3) * dp, r.choice([-1, 1]) * r.uniform(2.0, 60.0))
    turn, half = r.uniform(-1.2, 1.2), r.uniform(1.0, 0.6 * dp)
    step = (half * math.cos(turn), half * math.sin(turn))
    surface: Case = {
        "from": [round(middle[0] - step[0], 2), round(middle[1] - step[1], 2)],
        "to": [round(middle[0] + step[0], 2), round(middle[1] + step[1], 2)],
        "h": round(10.0 ** r.uniform(-0.2, 1.5), 2),
        "rho": r.choice([1.0, 0.8, 0.4, 0.1, round(r.uniform(0.2, 1.0), 2)]),
    }
    long = unfolded_length(surface, dp)
    if long is None:
        return None
    other = random_case(7919 * index + r.randint(0, 10_000_000))
    scale = long / other["x"][-1]
    surface["x"] = [x * scale for x in other["x"]]
    surface["ground"] = other["ground"]
    surface["G"] = [[a * scale, b * scale, g] for a, b, g in other["G"]]
    surface["objects"] = [
        {key: value * scale if key.startswith("x") else value for key, value in item.items()}
        for item in other["objects"]
    ]
    for key in ("foliage_m", "industry_m", "housing_m"):
        if key in other:
            surface[key] = min(other[key], 0.9 * long)
    return surface


def random_street(seed: int) -> Case:
    """A random case with up to seven surfaces."""
    case, r = random_case(seed), random.Random(seed + 17)
    dp = case["x"][-1]
    drawn = (random_surface(r, dp, index) for index in itertools.count(1))
    wanted = r.randint(1, 7)
    case["reflectors"] = list(itertools.islice((one for one in drawn if one is not None), wanted))
    return case
