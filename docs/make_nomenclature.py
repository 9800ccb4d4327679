"""Renew the table of parameters in docs/nomenclature.md from the docstrings of the physics."""

from __future__ import annotations

import re
import sys
from pathlib import Path

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE.parent / "tests"))

from docstring_reader import numeric_parameters  # noqa: E402

MARK = "<!-- the table below is made by docs/make_nomenclature.py -->"


def table() -> str:
    """Markdown table of every numeric parameter: name, unit, meaning, where it is used."""
    rows: dict[tuple[str, str], tuple[str, set[str]]] = {}
    for parameter in numeric_parameters():
        meaning, places = rows.setdefault(
            (parameter.name, parameter.unit), (parameter.meaning, set())
        )
        places.add(parameter.module)
    lines = ["| name | unit | meaning | used in |", "| --- | --- | --- | --- |"]
    for (name, unit), (meaning, places) in sorted(rows.items()):
        text = re.sub(r"\s+", " ", meaning).replace("|", "\\|")
        lines.append(f"| `{name}` | {unit} | {text} | {', '.join(sorted(places))} |")
    return "\n".join(lines) + "\n"


def main() -> None:
    """Write the table below its mark."""
    page = HERE / "nomenclature.md"
    head = page.read_text(encoding="utf-8").split(MARK)[0]
    page.write_text(f"{head}{MARK}\n\n{table()}", encoding="utf-8")


if __name__ == "__main__":
    main()
