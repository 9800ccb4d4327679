"""Measured against predicted levels: table, plot, sentences, and a correction to be named."""

from __future__ import annotations

import io
import json
from collections.abc import Iterator
from typing import Any

from noisemap.inspection.calibration import Calibration
from noisemap.outputs.tables import Cell, Table
from noisemap.outputs.wording import plain

TITLES = {
    "traffic": "level of all modelled traffic in the hours measured",
    "braking_maximum": "fast maximum of braking passes",
}
"""What is compared, by quantity."""

CAUTIONS: tuple[str, ...] = (
    "Nothing here changes a study. A correction counts only where a study's [source] states it, "
    "with its basis; every report of that study then says so.",
    "A correction moves the exhausts of braking trucks alone; it follows from maxima of braking "
    "passes alone. A bias of the traffic's level is told and has no key in a study.",
    "The prediction is for weather that favours propagation; measure downwind or by a calm night.",
    "The residual-noise rule of ISO 1996-2:2007 is recalled, not read.",
)


def calibration_table(found: Calibration) -> Table:
    """Points with what was measured, what is left of it, and what was predicted."""
    headers = (
        "point", "measured [dB(A)]", "residual [dB(A)]", "rule", "less residual [dB(A)]",
        "predicted [dB(A)]", "predicted over measured [dB]", "counts",
    )  # fmt: skip
    rows: tuple[tuple[Cell, ...], ...] = tuple(
        (
            plain(point.name),
            round(point.measured, 1),
            round(point.residual, 1),
            point.rule,
            round(point.corrected, 1),
            round(point.predicted, 1),
            round(point.difference, 1),
            "yes" if point.counts else "no, upper bound",
        )
        for point in found.points
    )
    return Table("calibration", headers, rows)


def calibration_plot(found: Calibration) -> bytes:
    """PNG of predicted against measured levels, with the line of no difference."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(5.0, 5.0), dpi=120, layout="constrained")
    axes = figure.add_subplot()
    for counts, colour, mark, words in (
        (True, "#23538f", "o", "measured less residual"),
        (False, "#a8690a", "v", "upper bound"),
    ):
        points = [point for point in found.points if point.counts is counts]
        if points:
            across, up = [p.corrected for p in points], [p.predicted for p in points]
            axes.scatter(across, up, c=colour, marker=mark, label=words)
    levels = [value for p in found.points for value in (p.corrected, p.predicted)]
    ends = [min(levels) - 2.0, max(levels) + 2.0]
    axes.plot(ends, ends, color="#5f5f5f", linewidth=1.0, label="no difference")
    axes.set(xlabel="measured [dB(A)]", ylabel="predicted [dB(A)]", xlim=ends, ylim=ends)
    axes.set_aspect("equal")
    axes.legend()
    stream = io.BytesIO()
    FigureCanvasAgg(figure).print_png(stream, metadata={"Software": None})
    return stream.getvalue()


def calibration_lines(found: Calibration) -> Iterator[str]:
    """Bias and spread in plain sentences."""
    counted = sum(point.counts for point in found.points)
    if found.bias is None or found.bias_low is None or found.bias_high is None:
        yield f"{counted} points count; no bias is stated from so few"
    else:
        yield (
            f"{counted} points: predictions minus measurements {found.bias:+.1f} dB (90 % interval "
            f"{found.bias_low:+.1f} to {found.bias_high:+.1f}), spread {found.spread:.1f} dB"
        )
        if found.correction is None:
            yield "the interval holds zero: no correction is proposed"
        else:
            yield (
                f"the interval leaves out zero: predictions would have to change by "
                f"{found.correction:+.1f} dB; nothing was changed"
            )
    if found.contradicted:
        names = ", ".join(plain(name) for name in found.contradicted)
        yield f"predicted above what was measured with its residual sound: {names}"


def calibration_json(found: Calibration) -> dict[str, Any]:
    """One quantity as plain data."""
    return {
        "points": [
            {
                "point": plain(point.name),
                "measured_dba": round(point.measured, 2),
                "residual_dba": round(point.residual, 2),
                "less_residual_dba": round(point.corrected, 2),
                "rule": point.rule,
                "predicted_dba": round(point.predicted, 2),
                "difference_db": round(point.difference, 2),
                "counts": point.counts,
            }
            for point in found.points
        ],
        "bias_db": _rounded(found.bias),
        "bias_low_db": _rounded(found.bias_low),
        "bias_high_db": _rounded(found.bias_high),
        "spread_db": _rounded(found.spread),
        "correction_db": _rounded(found.correction),
        "contradicted": [plain(name) for name in found.contradicted],
    }


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 2)


def correction_toml(offset: float, basis: str) -> str:
    """Piece of a study file that states a correction, for the user to put in."""
    return (
        "# Not in force by itself: put this table into the study's own, and read it once more.\n"
        "[source]\n"
        f"calibration_offset_db = {offset:.1f}\n"
        f"calibration_basis = {json.dumps(plain(basis, 400), ensure_ascii=False)}\n"
    )
