"""Coverage-guided fuzzing of one reader, for as long as it is let.

    python tests/fuzz/fuzz_driver.py csv -max_total_time=300 -rss_limit_mb=4096 -timeout=20

Needs `pip install 'noisemap[fuzz]'`. The first word names a target of `fuzz_targets.py`; the
rest are options of libFuzzer. A finding is left as a file `crash-...` or `timeout-...`: move it
to `tests/corpus/TARGET/`, where the suite reads it from then on.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

# what reads files; compiled kernels cannot be instrumented
WATCHED = (
    "noisemap.readers",
    "noisemap.study",
    "noisemap.exposure.traffic",
    "noisemap.inspection.rows",
    "noisemap.descent.truck",
)


def main() -> None:
    """Instrument the readers and run one target."""
    import atheris

    here = Path(__file__).parent
    sys.path[:0] = [str(here), str(here.parent)]
    with atheris.instrument_imports(include=list(WATCHED)):
        import fuzz_targets

        name = sys.argv.pop(1)
        target = fuzz_targets.TARGETS[name]
        main_name, files = target.good()
        part = target.changed_name(main_name)
        fuzz_targets.outcome(target, main_name, files)

    seeds = Path(tempfile.mkdtemp(prefix=f"fuzz-{name}-"))
    (seeds / "good").write_bytes(files[part])
    kept = here.parent / "corpus" / name
    folders = [str(seeds), *([str(kept)] if kept.is_dir() else [])]

    def one(content: bytes) -> None:
        fuzz_targets.outcome(target, main_name, {**files, part: content})

    atheris.Setup([*sys.argv, *folders], one)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
