"""Writes a study's outputs into a folder, each file whole or not at all."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from noisemap.errors import CannotWriteError, Problem, StudyError
from noisemap.exposure.results import Findings
from noisemap.outputs.provenance import provenance_record, summary_text
from noisemap.scene.model import Scene
from noisemap.storage import write_bytes

if TYPE_CHECKING:
    from noisemap.zones.what_if import NoTable, WhatIf

FORMATS = ("csv", "xlsx", "gpkg", "map", "report", "pdf")
"""What a study may ask for; the summary, the provenance and the study stand beside any of them."""

TABLES_FOLDER = "tables"

Maker = Callable[[], bytes]


def write_outputs(
    folder: Path,
    scene: Scene,
    findings: Findings,
    provenance: Mapping[str, Any],
    resolved_study: str,
    formats: Sequence[str],
    created: datetime,
    what_if: WhatIf | NoTable | None = None,
) -> list[Path]:
    """Paths of the files written, in the order written.

    Every content is made before its file is touched.  A file that cannot be
    written, such as one held open by a spreadsheet, does not stop the others.

    Parameters
    ----------
    folder : Path
        Where to write; made if it is not there.
    scene, findings
        What was read and what was found.
    provenance : mapping
        Versions, input hashes, seed and the like, as plain data.
    resolved_study : str
        Study file with every default filled in, TOML.
    formats : sequence of str
        Any of `FORMATS`.
    created : datetime
        Moment to state in the files, with its time zone.
    what_if : WhatIf or NoTable, optional
        Table with which the map recomputes zones, or why it has none.

    Raises
    ------
    StudyError
        A format is not known.
    CannotWriteError
        One or more files could not be written; the others were.
    """
    check_formats(formats)
    written: list[Path] = []
    failed: list[str] = []
    made = contents(scene, findings, provenance, resolved_study, formats, created, what_if)
    for name, make in made:
        content = make()
        try:
            written.append(_write(folder, name, content))
        except CannotWriteError as error:
            failed.append(str(error))
    if failed:
        raise CannotWriteError("\n".join(failed))
    return written


def check_formats(formats: Sequence[str]) -> None:
    """Check that every format asked for is one that can be written.

    Raises
    ------
    StudyError
        A format is not known.
    """
    problems = [
        Problem("output", "formats", repr(name), ", ".join(FORMATS), "leave it out or correct it")
        for name in formats
        if name not in FORMATS
    ]
    if problems:
        raise StudyError("\n".join(map(str, problems)), problems)


def contents(
    scene: Scene,
    findings: Findings,
    provenance: Mapping[str, Any],
    resolved_study: str,
    formats: Sequence[str],
    created: datetime,
    what_if: WhatIf | NoTable | None = None,
) -> Iterator[tuple[str, Maker]]:
    """Names of the output files, each with what makes its bytes."""
    from noisemap.outputs.tables import all_tables, csv_text, xlsx_bytes

    record = provenance_record(scene, findings, provenance, created)
    yield "summary.txt", lambda: summary_text(findings).encode()
    yield "provenance.json", lambda: _json(record)
    yield "study.resolved.toml", resolved_study.encode
    if "csv" in formats:
        for table in all_tables(scene, findings):
            yield (
                f"{TABLES_FOLDER}/{table.name}.csv",
                lambda table=table: csv_text(table).encode(),  # type: ignore[misc]
            )
    if "xlsx" in formats:
        yield "tables.xlsx", lambda: xlsx_bytes(all_tables(scene, findings), created)
    if "gpkg" in formats:
        from noisemap.outputs.layers import geopackage_bytes

        yield "layers.gpkg", lambda: geopackage_bytes(scene, findings, created)
    if "map" in formats:
        from noisemap.outputs.map import map_html

        yield "map.html", lambda: map_html(scene, findings, what_if).encode()
    if "report" in formats:
        from noisemap.outputs.report import report_html

        yield "report.html", lambda: report_html(scene, findings, provenance, created).encode()
    if "pdf" in formats:
        from noisemap.outputs.pdf import report_pdf

        yield "report.pdf", lambda: report_pdf(scene, findings, provenance, created)


def _write(folder: Path, name: str, content: bytes) -> Path:
    target = folder / name
    inner = target.parent
    if inner != folder and inner.is_symlink():
        raise CannotWriteError(
            f"{inner}: is a link to another place; outputs follow no link, remove it"
        )
    if target.is_symlink():
        raise CannotWriteError(
            f"{target}: is a link to another place; outputs follow no link, remove it"
        )
    write_bytes(target, content)
    return target


def _json(value: Any) -> bytes:
    text = json.dumps(value, indent=2, sort_keys=True, allow_nan=False, ensure_ascii=False)
    return (text + "\n").encode()
