"""Writes what weighing found, each file whole or not at all, and the answer for the terminal."""

from __future__ import annotations

import json
import textwrap
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import Any

from noisemap.errors import CannotWriteError
from noisemap.exposure.results import Findings
from noisemap.outputs.cautions import GOVERNING_RULES, INVENTED, NO_BAN_ON_CONTROL, SCREENING_BRAKES
from noisemap.outputs.provenance import SCREEN_WIDTH
from noisemap.outputs.tables import csv_text
from noisemap.outputs.weigh_layers import weigh_geopackage
from noisemap.outputs.weigh_pages import weigh_html, weigh_pdf
from noisemap.outputs.weigh_report import weigh_blocks
from noisemap.outputs.weigh_tables import weigh_record, weigh_tables
from noisemap.outputs.weigh_words import answer_sentences, search_sentences
from noisemap.outputs.wording import plain
from noisemap.outputs.write import TABLES_FOLDER
from noisemap.scene.model import Scene
from noisemap.storage import write_bytes
from noisemap.zones.weighed import Weighed


def write_weighed(
    folder: Path,
    scene: Scene,
    findings: Findings,
    weighed: Weighed,
    provenance: Mapping[str, Any],
    created: datetime,
) -> list[Path]:
    """Paths of the pages, the record, the layers and the tables, in the order written.

    Raises
    ------
    CannotWriteError
        One or more files could not be written; the others were.
    """
    title = f"{plain(findings.study_name)}: zones weighed"
    blocks = weigh_blocks(scene, findings, weighed, provenance, created)
    record = weigh_record(scene, weighed, findings)
    record["provenance"] = {**dict(provenance), "created": created.isoformat()}
    text = json.dumps(record, indent=1, sort_keys=True, allow_nan=False, ensure_ascii=False)
    contents = {
        "weigh.html": weigh_html(blocks, title, findings.units).encode(),
        "weigh.pdf": weigh_pdf(blocks, title, findings.units, created),
        "weigh.json": (text + "\n").encode(),
        "weigh.gpkg": weigh_geopackage(scene, findings, weighed, created),
    }
    for table in weigh_tables(scene, weighed, findings.units):
        contents[f"{TABLES_FOLDER}/{table.name}.csv"] = csv_text(table).encode()
    written, failed = [], []
    for name, content in contents.items():
        target = folder / name
        if target.is_symlink() or target.parent.is_symlink():
            failed.append(
                f"{target}: is a link to another place; outputs follow no link, remove it"
            )
            continue
        try:
            write_bytes(target, content)
        except CannotWriteError as error:
            failed.append(str(error))
            continue
        written.append(target)
    if failed:
        raise CannotWriteError("\n".join(failed))
    return written


def answer_text(weighed: Weighed, findings: Findings, scene: Scene) -> str:
    """The answer on one screen, cautions last."""
    parts = [plain(findings.study_name), " ".join(answer_sentences(weighed, findings))]
    parts += search_sentences(weighed, scene)
    parts += ([INVENTED] if findings.invented else []) + [
        NO_BAN_ON_CONTROL,
        SCREENING_BRAKES,
        GOVERNING_RULES,
    ]
    return "\n\n".join(textwrap.fill(plain(part, 2000), SCREEN_WIDTH) for part in parts) + "\n"
