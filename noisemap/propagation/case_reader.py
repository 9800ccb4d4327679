"""Reading one JSON object of `noisemap path`: the checked path, or every fault of it."""

from __future__ import annotations

import difflib
import math
from collections.abc import Callable
from typing import Any

import numpy as np
import numpy.typing as npt

from noisemap.atmosphere import absorption_coefficient
from noisemap.bands import N_BANDS
from noisemap.errors import OutOfDomainError, Problem
from noisemap.propagation.attenuation import Path, Reflector
from noisemap.propagation.ground import GroundStrips
from noisemap.propagation.machine.cores import SAME_PLACE_M
from noisemap.propagation.reflection import mirror_point
from noisemap.propagation.screening import READINGS

FloatArray = npt.NDArray[np.float64]

REQUIRED = ("x", "ground", "hs", "hr", "G")
OPTIONAL = (
    "objects",
    "lateral_corners",
    "foliage_m",
    "industry_m",
    "housing_m",
    "reflectors",
    "clearance_m",
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
_SURFACE_KEYS = ("from", "to", "h", "rho")
_OWN_KEYS = ("x", "ground", "G", "objects", *OPTIONAL[2:5])  # of the path by way of a surface
_SHARED_KEYS = ("hs", "hr", "T", "RH", "p", "screening_reading", "clearance_m")
_LENGTH_M = 0.01  # by how much the profile may miss the length by way of the surface
_OBJECT_KEYS = {"screen": ("kind", "x", "h"), "block": ("kind", "x1", "x2", "h")}


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


class CaseReader:
    """Collects every fault of one case."""

    def __init__(self, where: str) -> None:
        self.where = where
        self.problems: list[Problem] = []
        self.power: FloatArray | None = None

    def _fault(self, field: str, value: str, allowed: str = "", cure: str = "") -> None:
        self.problems.append(Problem(self.where, field, value, allowed, cure))

    def path(self, case: Any) -> Path | None:
        """The checked path, or None when there were faults."""
        if not isinstance(case, dict):
            self._fault("case", _show(case), "a JSON object", f"write {', '.join(REQUIRED)}")
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
        clearance = self._one(case, "clearance_m", 0.0, 0.0, 100.0, "m")
        c0 = self._one(case, "C0", 0.0, 0.0, 20.0, "dB")
        self._power(case)
        reading = case.get("screening_reading", "literal")
        if reading not in READINGS:
            self._fault("screening_reading", _show(reading), ", ".join(READINGS))
        tops = self._objects(case, x, heights)
        reflectors = self._reflectors(case, dp)
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
            clearance=clearance,
            reflectors=tuple(reflectors),
        )

    def _keys(self, case: dict[str, Any]) -> None:
        known = REQUIRED + OPTIONAL
        for key in case:
            if key not in known:
                close = difflib.get_close_matches(str(key), known, n=1)
                cure = f"did you mean {close[0]!r}?" if close else f"keys: {', '.join(known)}"
                self._fault(_show(key), "unknown key", cure=cure)
        for key in REQUIRED:
            if key not in case:
                self._fault(key, "missing", cure=f"every path needs {', '.join(REQUIRED)}")

    def _one(
        self, case: dict[str, Any], name: str, default: float, low: float, high: float, unit: str
    ) -> float:
        value = case.get(name, default)
        number = _number(value)
        if number is None or not low <= number <= high:
            self._fault(name, _show(value), f"a number {low:g}..{high:g} {unit}".rstrip())
            return default
        return number

    def _height(self, case: dict[str, Any], name: str, what: str) -> float:
        if name not in case:
            return 1.0
        number = _number(case[name])
        if number is None or not 0.0 < number <= _HIGHEST_POINT_M:
            self._fault(
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
            self._fault(name, _show(value), "a list of numbers")
            return None
        numbers = [_number(item) for item in value]
        wrong = [i for i, n in enumerate(numbers) if n is None or not low <= n <= high]
        for i in wrong[:5]:
            self._fault(f"{name}[{i}]", _show(value[i]), f"a number {low:g}..{high:g} {unit}")
        if count and len(value) != count:
            self._fault(name, f"{len(value)} values", f"{count} values")
            return None
        return None if wrong else np.array(numbers, dtype=np.float64)

    def _profile(self, case: dict[str, Any]) -> FloatArray | None:
        x = self._numbers(case, "x", 0.0, _LONGEST_M, "m", 0)
        if x is None:
            return None
        if len(x) < 2:
            self._fault("x", "1 value", "2 or more", "give at least source and receiver")
            return None
        good = True
        if x[0] != 0.0:
            self._fault("x[0]", f"{x[0]:g}", "0", "distances are counted from the source")
            good = False
        falling = np.flatnonzero(np.diff(x) <= 0.0)
        if len(falling):
            i = int(falling[0])
            cure = "sort the profile from source to receiver and remove doubles"
            if x[-1] == x[0]:
                cure = "source and receiver are at the same place; move one of them"
            self._fault(f"x[{i + 1}]", f"{x[i + 1]:g} after {x[i]:g}", "rising distances", cure)
            good = False
        return x if good else None

    def _strips(self, case: dict[str, Any], dp: float | None) -> GroundStrips | None:
        rows = self._rows(case, "G", 3, "[from, to, factor]")
        if rows is None:
            return None
        before = len(self.problems)
        if not len(rows):
            self._fault("G", "[]", "[[from, to, factor], ...] covering the whole path")
        for i, (start, end, factor) in enumerate(rows):
            if not 0.0 <= factor <= 1.0:
                self._fault(f"G[{i}]", f"factor {factor:g}", "0..1", "0 is hard, 1 is porous")
            if end <= start:
                self._fault(f"G[{i}]", f"from {start:g} to {end:g}", "to after from")
        for i in range(1, len(rows)):
            end, start = rows[i - 1, 1], rows[i, 0]
            if start != end:
                what = "a gap" if start > end else "an overlap"
                self._fault(
                    f"G[{i}]",
                    f"{what} between {min(start, end):g} and {max(start, end):g} m",
                    f"to start at {end:g} m",
                    "let every strip start where the one before ends",
                )
        if len(rows) and rows[0, 0] != 0.0:
            self._fault("G[0]", f"starts at {rows[0, 0]:g} m", "0 m", "begin at the source")
        if len(rows) and dp is not None and rows[-1, 1] != dp:
            self._fault(
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
            self._fault(name, _show(value), f"a list of {form}")
            return None
        rows: list[list[float]] = []
        for i, item in enumerate(value):
            numbers = [_number(part) for part in item] if isinstance(item, list) else []
            kept = [n for n in numbers if n is not None]
            if len(kept) != width or len(numbers) != width:
                self._fault(f"{name}[{i}]", _show(item), f"{form}, finite numbers")
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
                self._fault(
                    f"lateral_corners[{i}]",
                    f"{along:g} m along the line",
                    f"above 0 and below {dp:g} m",
                    "give only corners between source and receiver",
                )
            if beside == 0.0:
                self._fault(
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
            self._fault(
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
                self._fault(name, _show(case[name]), "a finite number")
                continue
            alone = {**_AIR, name: number}
            try:
                absorption_coefficient(alone["T"], alone["RH"], alone["p"])
            except OutOfDomainError as error:
                self._fault(name, str(error))
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
            self._fault("objects", _show(value), "a list of objects")
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
            self._fault(
                name,
                _show(item),
                '{"kind": "screen", "x", "h"} or {"kind": "block", "x1", "x2", "h"}',
            )
            return []
        keys = _OBJECT_KEYS[kind]
        before = len(self.problems)
        for key in item:
            if key not in keys:
                self._fault(
                    f"{name}.{_show(key)}", "unknown key", cure=f"a {kind} has {', '.join(keys)}"
                )
        values: dict[str, float] = {}
        for key in keys[1:]:
            number = _number(item.get(key))
            if key not in item:
                self._fault(f"{name}.{key}", "missing", cure=f"a {kind} has {', '.join(keys)}")
            elif number is None:
                self._fault(f"{name}.{key}", _show(item[key]), "a finite number")
            else:
                values[key] = number
        if "h" in values and not 0.0 < values["h"] <= _HIGHEST_POINT_M:
            self._fault(
                f"{name}.h",
                f"{values['h']:g}",
                f"above 0 and up to {_HIGHEST_POINT_M:g} m",
                "write the height above local ground",
            )
        if len(self.problems) > before:
            return []
        places = [values[key] for key in keys[1:-1]]
        if kind == "block" and not places[0] < places[1]:
            self._fault(name, f"x1 {places[0]:g}, x2 {places[1]:g}", "x1 below x2")
        if dp is not None:
            self._between_the_ends(name, kind, places, dp)
        return [] if len(self.problems) > before else places

    def _between_the_ends(self, name: str, kind: str, places: list[float], dp: float) -> None:
        ends: list[tuple[str, Callable[[], bool]]] = [
            ("source", lambda: places[0] <= SAME_PLACE_M),
            ("receiver", lambda: places[-1] >= dp - SAME_PLACE_M),
        ]
        if places[-1] < 0.0 or places[0] > dp:
            self._fault(
                name,
                f"stands at {places[0]:g} m, off the path",
                f"above 0 and below {dp:g} m",
                "leave out what does not stand between source and receiver",
            )
            return
        for what, holds in ends:
            if holds():
                self._fault(
                    name,
                    f"the {what} stands inside this {kind}",
                    f"above 0 and below {dp:g} m",
                    f"move the {what} out of it, or leave the {kind} out",
                )

    def _reflectors(self, case: dict[str, Any], dp: float | None) -> list[Reflector]:
        value = case.get("reflectors", [])
        if not isinstance(value, list):
            self._fault("reflectors", _show(value), "a list of surfaces")
            return []
        found = []
        for i, item in enumerate(value):
            if not isinstance(item, dict):
                keys = ", ".join((*_SURFACE_KEYS, "x", "ground", "G"))
                self._fault(f"reflectors[{i}]", _show(item), f"an object with {keys}")
            elif dp is not None:
                own = CaseReader(f"{self.where}: reflectors[{i}]")
                reflector = own.reflector(item, case, dp)
                self.problems += own.problems
                found += [reflector] if reflector is not None else []
        return found

    def reflector(self, item: dict[str, Any], case: dict[str, Any], dp: float) -> Reflector | None:
        """One surface with the path by way of it, or None when there were faults."""
        known = (*_SURFACE_KEYS, *_OWN_KEYS)
        for key in item:
            if key not in known:
                self._fault(_show(key), "unknown key", cure=f"keys: {', '.join(known)}")
        for key in _SURFACE_KEYS:
            if key not in item:
                self._fault(key, "missing", cure=f"a surface has {', '.join(_SURFACE_KEYS)}")
        ends = [self._rows({key: [item.get(key)]}, key, 2, "[along, left]")
                for key in ("from", "to")]  # fmt: skip
        high = self._one(item, "h", 1.0, 0.01, _HIGHEST_POINT_M, "m")
        rho = self._one(item, "rho", 1.0, 0.0, 1.0, "")
        shared = {key: case[key] for key in _SHARED_KEYS if key in case}
        path = self.path({**shared, **{key: item[key] for key in _OWN_KEYS if key in item}})
        if path is None:
            return None
        assert ends[0] is not None
        assert ends[1] is not None
        start, end = ends[0][0], ends[1][0]
        long = float(np.hypot(*(end - start)))
        if long == 0.0:
            self._fault("to", _show(item["to"]), "another place than `from`")
            return None
        point = mirror_point(start, end, [0.0, 0.0], [dp, 0.0])
        if point is None:
            self._fault(
                "from, to", f"{_show(item['from'])}, {_show(item['to'])}",
                "a surface with source and receiver before the same side of it and the mirror "
                "point on it", "leave out what throws no sound to the receiver",
            )  # fmt: skip
            return None
        if abs(float(path.x[-1]) - point.length) > _LENGTH_M:
            self._fault(
                "x", f"ends at {path.x[-1]:g} m", f"{point.length:.3f} m",
                "give the profile from the source to the surface and on to the receiver",
            )  # fmt: skip
            return None
        foot = float(np.interp(point.at, path.x, path.ground))
        return Reflector(path, point.at / point.length, point.normal, long, high, foot, rho)
