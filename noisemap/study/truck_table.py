"""The heavy trucks from a table of weights: CSV or XLSX, one row a class of weight."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from noisemap.errors import BadDataError
from noisemap.readers.coordinates import any_table
from noisemap.readers.tables import TextTable
from noisemap.states import RETARDER_KINDS
from noisemap.study.model import Study, TruckTable
from noisemap.units import POUND_KG

COLUMNS = ("name", "mass_kg", "mass_lb", "share", "model", "retarder", *RETARDER_KINDS)
LIGHTEST_KG, HEAVIEST_KG = 4_500.0, 120_000.0
SUM_TOLERANCE = 0.005


def with_trucks(study: Study, path: Path) -> Study:
    """The study with the heavy trucks of its table.

    Raises
    ------
    BadDataError
        When the table is at fault, or its shares do not sum to 1.
    """
    traffic = study.traffic
    rows = read_trucks(path, traffic.encoding, traffic.decimal)
    return study.model_copy(
        update={"truck": rows, "traffic": traffic.model_copy(update={"trucks": None})}
    )


def read_trucks(path: Path, encoding: str | None, decimal: str) -> list[TruckTable]:
    """Classes of heavy trucks of a table of weights.

    Columns: name, mass_kg or mass_lb, share [1], model, and either retarder (one word)
    or one column for each kind of retarder with its share in the row [1].

    Raises
    ------
    BadDataError
        When a column or a cell is at fault, or shares do not sum to 1.
    """
    table = any_table(path, "traffic", None, encoding, decimal)
    strange = [column for column in table.header if column not in COLUMNS]
    if strange:
        raise BadDataError(
            f"{table.name}: column {', '.join(map(repr, strange))} is not known "
            f"(allowed: {', '.join(COLUMNS)})"
        )
    mass = _masses(table)
    share = table.number("share", minimum=0.0, maximum=1.0)
    total = float(share.sum())
    if abs(total - 1.0) > SUM_TOLERANCE:
        raise BadDataError(f"{table.name}: share: the rows sum to {total:.3f}; they must sum to 1")
    share = share / total
    names = table.text("name")
    models = table.text("model", "15L")
    found: list[TruckTable] = []
    for row, parts in enumerate(_retarders(table)):
        for kind, part in parts.items():
            label = names[row] if len(parts) == 1 else f"{names[row]}, {kind.replace('_', ' ')}"
            found.append(
                _truck(
                    f"{table.name}:{table.lines[row]}",
                    {
                        "name": label,
                        "model": models[row] or "15L",
                        "mass_kg": float(mass[row]),
                        "share": float(share[row] * part),
                        "retarder": kind,
                    },
                )
            )
    double = sorted({one.name for one in found if [o.name for o in found].count(one.name) > 1})
    if double:
        raise BadDataError(f"{table.name}: names must differ; twice: {', '.join(double)}")
    return found


def _masses(table: TextTable) -> Any:
    """Masses [kg], from whichever of the two columns is there."""
    if table.has("mass_kg") == table.has("mass_lb"):
        raise BadDataError(f"{table.name}: give either mass_kg or mass_lb, one of the two")
    if table.has("mass_kg"):
        return table.number("mass_kg", minimum=LIGHTEST_KG, maximum=HEAVIEST_KG)
    pounds = table.number("mass_lb", minimum=LIGHTEST_KG / POUND_KG, maximum=HEAVIEST_KG / POUND_KG)
    return pounds * POUND_KG


def _retarders(table: TextTable) -> list[dict[str, float]]:
    """Share of each kind of retarder in every row [1]."""
    kinds = [kind for kind in RETARDER_KINDS if table.has(kind)]
    if table.has("retarder") and kinds:
        raise BadDataError(f"{table.name}: give either retarder or columns of shares, not both")
    if not kinds:
        words = table.choice("retarder", RETARDER_KINDS, "compression_release")
        return [{word: 1.0} for word in words]
    parts = {kind: table.number(kind, minimum=0.0, maximum=1.0, default=0.0) for kind in kinds}
    total = np.sum(list(parts.values()), axis=0)
    for line, value in zip(table.lines, total.tolist(), strict=True):
        if abs(value - 1.0) > SUM_TOLERANCE:
            raise BadDataError(
                f"{table.name}:{line}: the shares of {', '.join(kinds)} sum to {value:.3f}; "
                "they must sum to 1"
            )
    return [
        {kind: float(parts[kind][row] / total[row]) for kind in kinds if parts[kind][row] > 0.0}
        for row in range(len(table.rows))
    ]


def _truck(where: str, row: dict[str, object]) -> TruckTable:
    try:
        return TruckTable.model_validate(row)
    except ValueError as error:
        reason = "; ".join(line.strip() for line in str(error).splitlines()[1:3])
        raise BadDataError(f"{where}: {reason}") from error
