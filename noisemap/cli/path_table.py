"""The readable form of what `noisemap path` computes."""

from __future__ import annotations

from typing import Any

from noisemap.bands import COLUMNS

_WIDTH = 9
_ROWS = (
    ("Aatm", "air"),
    ("Agr", "ground"),
    ("Dz", "screen effect"),
    ("Abar", "barrier, top"),
    ("Amisc", "foliage, site, housing"),
    ("A", "all paths"),
)


def path_lines(number: int, case: Any, result: dict[str, Any]) -> list[str]:
    """Lines of one path: a table of terms by octave band, or its faults."""
    if "error" in result:
        return [f"path {number}: not computed", *(f"  {t}" for t in result["error"].split("\n"))]
    reading = case.get("screening_reading", "literal")
    formula = "Abar = Dz - Agr" if reading == "literal" else "Abar = Dz - max(Agr, 0)"
    lines = [
        f"path {number}: d {result['d']:.2f} m, dp {result['dp']:.2f} m",
        f"ISO 9613-2:1996, {reading} reading {formula}",
        _row("dB", "", COLUMNS),
        _row("Adiv", "spreading", [f"{result['Adiv']:.2f}"] * len(COLUMNS)),
    ]
    lines += [_row(key, name, [f"{v:.2f}" for v in result[key]]) for key, name in _ROWS]
    for side in ("left", "right"):
        if result[side] is not None:
            values = [f"{v:.2f}" for v in result[side]["Dz"]]
            lines.append(_row("Dz", f"{side}, z {result[side]['z']:.3f} m", values))
    for found in result.get("reflected", []):
        values = ["-" if v is None else f"{v:.2f}" for v in found["A"]]
        how = f"reflected, d {found['d']:.1f} m" if found["counted"] else "reflects nothing"
        lines.append(_row("A", how, values))
    lines.append(_top_line(result["top"]))
    lines.append(f"Cmet {result['Cmet']:.2f} dB, not in A")
    if "LA" in result:
        level = result["LA"]
        shown = "below any level" if level is None else f"{level:.2f} dB(A)"
        lines.append(f"LA {shown}, downwind, without Cmet")
    return lines + [f"Note: {words}" for words in result.get("flags", ())]


def _row(key: str, name: str, values: Any) -> str:
    return f"{key:<6}{name:<24}" + "".join(f"{value:>{_WIDTH}}" for value in values)


def _top_line(top: dict[str, Any]) -> str:
    if not top["n"]:
        return "top: nothing screens"
    edges = ", ".join(f"({x:.2f}, {z:.2f})" for x, z in top["edges"])
    plural = "edge" if top["n"] == 1 else "edges"
    return (
        f"top: {top['n']} {plural} at {edges}; z {top['z']:.4f} m, "
        f"Kmet {top['Kmet']:.4f}, e {top['e']:.2f} m"
    )


def closing_lines(cases: list[Any]) -> list[str]:
    """What the figures hold for and what they leave out."""
    lines = [
        "Method: ISO 9613-2:1996, general ground method (7.3.1), moderate downwind; absorption "
        "by ISO 9613-1.",
        "Reflections: of first order, from the surfaces given as reflectors, the four strongest.",
        "Not covered: the 2024 edition, wind and temperature other than the downwind case.",
        "Stated accuracy of the method: 3 dB up to 1000 m and 30 m mean height; nothing is "
        "stated beyond.",
    ]
    if any(isinstance(case, dict) and "T" not in case for case in cases):
        lines.append("Air, where not given: 10 °C, 70 %, 101.325 kPa.")
    return lines
