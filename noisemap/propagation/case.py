"""One JSON object of `noisemap path` to a result object, or to an error that lists every fault.

Keys of a case (lengths in metres, profile distances from the source in plan):

=================  ==================================================================
x, ground          profile: rising distances from 0, and ground heights there
hs, hr             heights of source and receiver above local ground
G                  [[from, to, factor], ...] covering 0..dp without gap or overlap
objects            {"kind": "screen", "x", "h"} or {"kind": "block", "x1", "x2", "h"}
lateral_corners    [[distance along the line, distance to the left], ...]
foliage_m          length of the curved path inside dense foliage
industry_m         length of the curved path through an industrial site
housing_m          length of the curved path through housing times the built share
T, RH, p           air: 10 degC, 70 %, 101.325 kPa
C0                 constant of the meteorological correction: 0 dB
LW                 eight octave-band sound power levels, 63 Hz to 8 kHz
screening_reading  "literal" (default) or "positive"
=================  ==================================================================
"""

from __future__ import annotations

import difflib
import math
from collections.abc import Callable
from typing import Any

import numpy as np
import numpy.typing as npt

from noisemap.atmosphere import absorption_coefficient
from noisemap.bands import N_BANDS
from noisemap.errors import BadDataError, OutOfDomainError, Problem
from noisemap.levels import a_weighted
from noisemap.propagation.attenuation import Attenuation, Path, Side, attenuation
from noisemap.propagation.ground import GroundStrips
from noisemap.propagation.machine.cores import SAME_PLACE_M
from noisemap.propagation.screening import READINGS, TopPath

FloatArray = npt.NDArray[np.float64]

REQUIRED = ("x", "ground", "hs", "hr", "G")
OPTIONAL = (
    "objects",
    "lateral_corners",
    "foliage_m",
    "industry_m",
    "housing_m",
    "T",
    "RH",
    "p",
    "C0",
    "LW",
    "screening_reading",
)

_LONGEST_M = 100_000.0
_HIGHEST_GROUND_M = 9_000.0
_LOWEST_GROUND_M = -500.0
_HIGHEST_POINT_M = 1_000.0
_LONGER_THAN_PATH = 1.05  # room for the curved path inside foliage, site or housing
_AIR = {"T": 10.0, "RH": 70.0, "p": 101.325}  # degC, %, kPa
_OBJECT_KEYS = {"screen": ("kind", "x", "h"), "block": ("kind", "x1", "x2", "h")}


def path_results(content: Any) -> list[dict[str, Any]]:
    """Results of one case or of a list of cases, in their order.

    Parameters
    ----------
    content : object
        A case or a list of cases as read from JSON.

    Returns
    -------
    list of dict
        One result or `{"error": ...}` for each case.

    Raises
    ------
    BadDataError
        If there is no case at all.

    References
    ----------
    iso9613-2 : 6 to 8 and annex A
    """
    cases = content if isinstance(content, list) else [content]
    if not cases:
        raise BadDataError("the list of paths is empty; give one object for each path")
    return [path_result(case, f"path {number}") for number, case in enumerate(cases, start=1)]


def path_result(case: Any, where: str = "path 1") -> dict[str, Any]:
    """Result of one case, or `{"error": ...}` with all its faults, one a line.

    Parameters
    ----------
    case : object
        A case as read from JSON.
    where : str
        How to name the case in messages.

    Returns
    -------
    dict
        d, dp [m]; Adiv, Cmet [dB]; Aatm, Agr, Dz, Abar, Amisc, A [dB] in the eight
        bands; LA [dB] if LW was given; top, left, right.

    References
    ----------
    iso9613-2 : 6 to 8 and annex A
    """
    reader = _Reader(where)
    path = reader.path(case)
    if path is None:
        return {"error": "\n".join(str(problem) for problem in reader.problems)}
    try:
        answer = attenuation(path)
    except OutOfDomainError as error:
        return {"error": f"{where}: {error}"}
    return _as_json(answer, reader.power)


def _as_json(answer: Attenuation, power: FloatArray | None) -> dict[str, Any]:
    result: dict[str, Any] = {
        "d": answer.d,
        "dp": answer.dp,
        "Adiv": answer.adiv,
        "Aatm": answer.aatm.tolist(),
        "Agr": answer.agr.tolist(),
        "Dz": answer.dz.tolist(),
        "Abar": answer.abar.tolist(),
        "Amisc": answer.amisc.tolist(),
        "A": answer.a.tolist(),
        "Cmet": answer.cmet,
    }
    if power is not None:
        level = float(a_weighted(power - answer.a))
        result["LA"] = level if math.isfinite(level) else None
    result["top"] = _top_as_json(answer.top)
    result["left"] = _side_as_json(answer.left)
    result["right"] = _side_as_json(answer.right)
    return result


def _top_as_json(top: TopPath) -> dict[str, Any]:
    edges = [list(edge) for edge in zip(top.edge_x.tolist(), top.edge_z.tolist(), strict=True)]
    z = top.z if top.n else None
    return {"n": top.n, "z": z, "Kmet": top.kmet, "e": top.e, "edges": edges}


def _side_as_json(side: Side | None) -> dict[str, Any] | None:
    return None if side is None else {"z": side.z, "Dz": side.dz.tolist()}


def _show(value: Any) -> str:
    """A short, one-line form of an untrusted value."""
    text = " ".join(repr(value).split())
    return text if len(text) <= 60 else text[:57] + "..."


def _number(value: Any) -> float | None:
    """A finite number, or None for anything else (true and false are no numbers)."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    try:
        number = float(value)
    except OverflowError:
        return None
    return number if math.isfinite(number) else None


class _Reader:
    """Collects every fault of one case."""

    def __init__(self, where: str) -> None:
        self.where = where
        self.problems: list[Problem] = []
        self.power: FloatArray | None = None

    def fault(self, field: str, value: str, allowed: str = "", cure: str = "") -> None:
        self.problems.append(Problem(self.where, field, value, allowed, cure))

    def path(self, case: Any) -> Path | None:
        """The checked path, or None when there were faults."""
        if not isinstance(case, dict):
            self.fault("case", _show(case), "a JSON object", f"write {', '.join(REQUIRED)}")
            return None
        self._keys(case)
        x = self._profile(case)
        heights = self._numbers(
            case, "ground", _LOWEST_GROUND_M, _HIGHEST_GROUND_M, "m", len(x) if x is not None else 0
        )
        hs = self._height(case, "hs", "source")
        hr = self._height(case, "hr", "receiver")
        dp = float(x[-1]) if x is not None else None
        strips = self._strips(case, dp) if "G" in case else None
        corners = self._corners(case, dp)
        lengths = [self._length(case, name, dp) for name in OPTIONAL[2:5]]
        alpha = self._absorption(case)
        c0 = self._one(case, "C0", 0.0, 0.0, 20.0, "dB")
        self._power(case)
        reading = case.get("screening_reading", "literal")
        if reading not in READINGS:
            self.fault("screening_reading", _show(reading), ", ".join(READINGS))
        tops = self._objects(case, x, heights)
        if self.problems:
            return None
        assert x is not None
        assert heights is not None
        assert strips is not None
        assert alpha is not None
        return Path(
            x=x,
            ground=heights,
            hs=hs,
            hr=hr,
            strips=strips,
            absorption=alpha,
            object_x=tops[:, 0],
            object_top=tops[:, 1],
            corners=corners,
            foliage_m=lengths[0],
            site_m=lengths[1],
            housing_m=lengths[2],
            c0=c0,
            reading=reading,
        )

    def _keys(self, case: dict[str, Any]) -> None:
        known = REQUIRED + OPTIONAL
        for key in case:
            if key not in known:
                close = difflib.get_close_matches(str(key), known, n=1)
                cure = f"did you mean {close[0]!r}?" if close else f"keys: {', '.join(known)}"
                self.fault(_show(key), "unknown key", cure=cure)
        for key in REQUIRED:
            if key not in case:
                self.fault(key, "missing", cure=f"every path needs {', '.join(REQUIRED)}")

    def _one(
        self, case: dict[str, Any], name: str, default: float, low: float, high: float, unit: str
    ) -> float:
        value = case.get(name, default)
        number = _number(value)
        if number is None or not low <= number <= high:
            self.fault(name, _show(value), f"a number {low:g}..{high:g} {unit}")
            return default
        return number

    def _height(self, case: dict[str, Any], name: str, what: str) -> float:
        if name not in case:
            return 1.0
        number = _number(case[name])
        if number is None or not 0.0 < number <= _HIGHEST_POINT_M:
            self.fault(
                name,
                _show(case[name]),
                f"a number above 0 and up to {_HIGHEST_POINT_M:g} m",
                f"the {what} must stand above its ground; write its height above local ground",
            )
            return 1.0
        return number

    def _numbers(
        self, case: dict[str, Any], name: str, low: float, high: float, unit: str, count: int
    ) -> FloatArray | None:
        """A list of numbers in a range, of a given length (0 leaves the length open)."""
        if name not in case:
            return None
        value = case[name]
        if not isinstance(value, list) or not value:
            self.fault(name, _show(value), "a list of numbers")
            return None
        numbers = [_number(item) for item in value]
        wrong = [i for i, n in enumerate(numbers) if n is None or not low <= n <= high]
        for i in wrong[:5]:
            self.fault(f"{name}[{i}]", _show(value[i]), f"a number {low:g}..{high:g} {unit}")
        if count and len(value) != count:
            self.fault(name, f"{len(value)} values", f"{count} values")
            return None
        return None if wrong else np.array(numbers, dtype=np.float64)

    def _profile(self, case: dict[str, Any]) -> FloatArray | None:
        x = self._numbers(case, "x", 0.0, _LONGEST_M, "m", 0)
        if x is None:
            return None
        if len(x) < 2:
            self.fault("x", "1 value", "2 or more", "give at least source and receiver")
            return None
        good = True
        if x[0] != 0.0:
            self.fault("x[0]", f"{x[0]:g}", "0", "distances are counted from the source")
            good = False
        falling = np.flatnonzero(np.diff(x) <= 0.0)
        if len(falling):
            i = int(falling[0])
            cure = "sort the profile from source to receiver and remove doubles"
            if x[-1] == x[0]:
                cure = "source and receiver are at the same place; move one of them"
            self.fault(f"x[{i + 1}]", f"{x[i + 1]:g} after {x[i]:g}", "rising distances", cure)
            good = False
        return x if good else None

    def _strips(self, case: dict[str, Any], dp: float | None) -> GroundStrips | None:
        rows = self._rows(case, "G", 3, "[from, to, factor]")
        if rows is None:
            return None
        before = len(self.problems)
        if not len(rows):
            self.fault("G", "[]", "[[from, to, factor], ...] covering the whole path")
        for i, (start, end, factor) in enumerate(rows):
            if not 0.0 <= factor <= 1.0:
                self.fault(f"G[{i}]", f"factor {factor:g}", "0..1", "0 is hard, 1 is porous")
            if end <= start:
                self.fault(f"G[{i}]", f"from {start:g} to {end:g}", "to after from")
        for i in range(1, len(rows)):
            end, start = rows[i - 1, 1], rows[i, 0]
            if start != end:
                what = "a gap" if start > end else "an overlap"
                self.fault(
                    f"G[{i}]",
                    f"{what} between {min(start, end):g} and {max(start, end):g} m",
                    f"to start at {end:g} m",
                    "let every strip start where the one before ends",
                )
        if len(rows) and rows[0, 0] != 0.0:
            self.fault("G[0]", f"starts at {rows[0, 0]:g} m", "0 m", "begin at the source")
        if len(rows) and dp is not None and rows[-1, 1] != dp:
            self.fault(
                f"G[{len(rows) - 1}]",
                f"ends at {rows[-1, 1]:g} m",
                f"{dp:g} m",
                "end at the receiver",
            )
        if len(self.problems) > before:
            return None
        return GroundStrips(rows[:, 0], rows[:, 1], rows[:, 2])

    def _rows(self, case: dict[str, Any], name: str, width: int, form: str) -> FloatArray | None:
        """A list of equally long lists of finite numbers."""
        value = case.get(name, [])
        if not isinstance(value, list):
            self.fault(name, _show(value), f"a list of {form}")
            return None
        rows: list[list[float]] = []
        for i, item in enumerate(value):
            numbers = [_number(part) for part in item] if isinstance(item, list) else []
            kept = [n for n in numbers if n is not None]
            if len(kept) != width or len(numbers) != width:
                self.fault(f"{name}[{i}]", _show(item), f"{form}, finite numbers")
            else:
                rows.append(kept)
        if len(rows) < len(value):
            return None
        return np.array(rows, dtype=np.float64).reshape(-1, width)

    def _corners(self, case: dict[str, Any], dp: float | None) -> FloatArray:
        rows = self._rows(case, "lateral_corners", 2, "[along, left]")
        if rows is None:
            return np.zeros((0, 2))
        for i, (along, beside) in enumerate(rows):
            if dp is not None and not 0.0 < along < dp:
                self.fault(
                    f"lateral_corners[{i}]",
                    f"{along:g} m along the line",
                    f"above 0 and below {dp:g} m",
                    "give only corners between source and receiver",
                )
            if beside == 0.0:
                self.fault(
                    f"lateral_corners[{i}]",
                    "0 m beside the line",
                    "above 0 to the left, below 0 to the right",
                    "a corner on the line is on no side; move it",
                )
        return rows

    def _length(self, case: dict[str, Any], name: str, dp: float | None) -> float:
        longest = _LONGEST_M if dp is None else _LONGER_THAN_PATH * dp
        value = case.get(name, 0.0)
        number = _number(value)
        if number is None or not 0.0 <= number <= longest:
            self.fault(
                name, _show(value), f"a number 0..{longest:g} m", "it cannot exceed the path"
            )
            return 0.0
        return number

    def _absorption(self, case: dict[str, Any]) -> FloatArray | None:
        air = dict(_AIR)
        before = len(self.problems)
        for name, default in _AIR.items():
            number = _number(case.get(name, default))
            if number is None:
                self.fault(name, _show(case[name]), "a finite number")
                continue
            alone = {**_AIR, name: number}
            try:
                absorption_coefficient(alone["T"], alone["RH"], alone["p"])
            except OutOfDomainError as error:
                self.fault(name, str(error))
            air[name] = number
        if len(self.problems) > before:
            return None
        return absorption_coefficient(air["T"], air["RH"], air["p"])

    def _power(self, case: dict[str, Any]) -> None:
        if "LW" in case:
            self.power = self._numbers(case, "LW", -100.0, 300.0, "dB", N_BANDS)

    def _objects(
        self, case: dict[str, Any], x: FloatArray | None, heights: FloatArray | None
    ) -> FloatArray:
        """Tops as rows of place and absolute height, sorted."""
        value = case.get("objects", [])
        if not isinstance(value, list):
            self.fault("objects", _show(value), "a list of objects")
            return np.zeros((0, 2))
        tops: list[tuple[float, float]] = []
        for i, item in enumerate(value):
            places = self._object(f"objects[{i}]", item, None if x is None else float(x[-1]))
            if places and x is not None and heights is not None and len(x) == len(heights):
                top = float(np.interp(np.mean(places), x, heights)) + float(item["h"])
                tops += [(place, top) for place in places]
        tops.sort()
        return np.array(tops, dtype=np.float64).reshape(-1, 2)

    def _object(self, name: str, item: Any, dp: float | None) -> list[float]:
        """Places of the tops of one object; empty when it is wrong."""
        kind = item.get("kind") if isinstance(item, dict) else None
        if not isinstance(kind, str) or kind not in _OBJECT_KEYS:
            self.fault(
                name,
                _show(item),
                '{"kind": "screen", "x", "h"} or {"kind": "block", "x1", "x2", "h"}',
            )
            return []
        keys = _OBJECT_KEYS[kind]
        before = len(self.problems)
        for key in item:
            if key not in keys:
                self.fault(
                    f"{name}.{_show(key)}", "unknown key", cure=f"a {kind} has {', '.join(keys)}"
                )
        values: dict[str, float] = {}
        for key in keys[1:]:
            number = _number(item.get(key))
            if key not in item:
                self.fault(f"{name}.{key}", "missing", cure=f"a {kind} has {', '.join(keys)}")
            elif number is None:
                self.fault(f"{name}.{key}", _show(item[key]), "a finite number")
            else:
                values[key] = number
        if "h" in values and not 0.0 < values["h"] <= _HIGHEST_POINT_M:
            self.fault(
                f"{name}.h",
                f"{values['h']:g}",
                f"above 0 and up to {_HIGHEST_POINT_M:g} m",
                "write the height above local ground",
            )
        if len(self.problems) > before:
            return []
        places = [values[key] for key in keys[1:-1]]
        if kind == "block" and not places[0] < places[1]:
            self.fault(name, f"x1 {places[0]:g}, x2 {places[1]:g}", "x1 below x2")
        if dp is not None:
            self._between_the_ends(name, kind, places, dp)
        return [] if len(self.problems) > before else places

    def _between_the_ends(self, name: str, kind: str, places: list[float], dp: float) -> None:
        ends: list[tuple[str, Callable[[], bool]]] = [
            ("source", lambda: places[0] <= SAME_PLACE_M),
            ("receiver", lambda: places[-1] >= dp - SAME_PLACE_M),
        ]
        if places[-1] < 0.0 or places[0] > dp:
            self.fault(
                name,
                f"stands at {places[0]:g} m, off the path",
                f"above 0 and below {dp:g} m",
                "leave out what does not stand between source and receiver",
            )
            return
        for what, holds in ends:
            if holds():
                self.fault(
                    name,
                    f"the {what} stands inside this {kind}",
                    f"above 0 and below {dp:g} m",
                    f"move the {what} out of it, or leave the {kind} out",
                )
