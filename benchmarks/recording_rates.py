"""How often each class of sound is taken for a retarder: all rows of docs/inspection.md at once.

    python benchmarks/recording_rates.py [--sounds 40] [--first-seed 90000]

Writes docs/recording-rates.csv with the program's version and a digest of what decides the
words, and prints the table for the page.  All sounds are synthesised: those of
tests/test_inspection_synthesis.py, and passes of the package's own auralisation with the
typical truck of the emission table.
"""

from __future__ import annotations

import argparse
import csv
import hashlib
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

import numpy as np
import numpy.typing as npt
from scipy import signal
from scipy.stats import binomtest

ROOT = Path(__file__).parents[1]
sys.path.insert(0, str(ROOT / "tests"))

import test_inspection_synthesis as synth  # noqa: E402

import noisemap  # noqa: E402
from noisemap.inspection.events import full_scale_factor  # noqa: E402
from noisemap.inspection.recording import analyse  # noqa: E402
from noisemap.listening.render import RATE_HZ, pressure  # noqa: E402
from noisemap.listening.track import straight_pass  # noqa: E402
from noisemap.listening.voice import exhaust_voice  # noqa: E402
from noisemap.readers.recordings import open_recording  # noqa: E402
from noisemap.source.emission import emission_table, engines  # noqa: E402
from noisemap.states import ExhaustState  # noqa: E402

FloatArray = npt.NDArray[np.float64]
PAGE = ROOT / "docs" / "inspection.md"
RESULT = ROOT / "docs" / "recording-rates.csv"
DECIDING = (
    "background.py", "band_filters.py", "engine_speed.py", "events.py", "likelihood.py",
    "meter.py", "modulation.py", "recording.py", "recording.toml",
)  # fmt: skip
COLUMNS = (
    "class", "sounds", "likely", "possible_or_likely",
    "likely_low", "likely_high", "possible_low", "possible_high",
    "first_seed", "version", "emission_model", "digest",
)  # fmt: skip
ORDER = ("none", "unlikely", "possible", "likely")
QUIET_S = 4.0


def digest() -> str:
    """Digest of the modules and bounds that decide a word."""
    whole = hashlib.sha256()
    for name in DECIDING:
        whole.update((ROOT / "noisemap" / "inspection" / name).read_bytes())
    return whole.hexdigest()[:16]


def emission_model() -> str:
    """Version of the emission table behind the passes that are made audible."""
    return emission_table(engines()[0], "straight").model_version


def braking(rng: np.random.Generator, background_db: float, tyres_db: float) -> FloatArray:
    """A straight-stack truck at 15 m that switches its retarder on and off in the recording."""
    return synth.retarder(
        rng,
        rpm=rng.uniform(1250, 2100),
        cylinders=int(rng.choice([6, 4, 2])),
        speed=rng.uniform(10, 22),
        background_db=background_db,
        tyres_db=tyres_db,
    )


def made_audible(state: ExhaustState) -> Callable[[np.random.Generator], FloatArray]:
    """A whole pass with the retarder on throughout, 25 dB over a background."""

    def make(rng: np.random.Generator) -> FloatArray:
        speed = float(rng.uniform(12.0, 20.0))
        track = straight_pass(float(rng.uniform(7.5, 12.0)), speed, ear_m=1.5, seconds=10.0)
        voice = exhaust_voice(
            str(rng.choice(engines())), float(rng.uniform(1200, 2100)),
            int(rng.choice([6, 4, 2])), state, speed,
        )  # fmt: skip
        quiet = np.zeros(round(QUIET_S * RATE_HZ))
        sound = np.concatenate([quiet, pressure(voice, track, int(rng.integers(1 << 31))), quiet])
        sound = np.asarray(signal.resample_poly(sound, 2, 3))
        loudest = np.sqrt(np.max(signal.lfilter([1e-3], [1.0, 1e-3 - 1.0], sound**2)))
        level = 20.0 * np.log10(loudest / 2e-5) - 25.0
        return sound + synth.noise(rng, sound.size / synth.RATE, level)[: sound.size]

    return make


CLASSES: dict[str, Callable[[np.random.Generator], FloatArray]] = {
    "retarder, straight stack, 30 dB over the background, switched": lambda rng: braking(
        rng, 60.0, 72.0
    ),
    "retarder, straight stack, 10 dB over the background, switched": lambda rng: braking(
        rng, 80.0, 60.0
    ),
    "made by `listen`, straight, on throughout": made_audible("straight"),
    "made by `listen`, worn, on throughout": made_audible("worn"),
    "made by `listen`, muffled, on throughout": made_audible("muffled"),
    "made by `listen`, after-treatment, on throughout": made_audible("after_treatment"),
    **synth.CONFUSERS,
}


def interval(count: int, total: int) -> tuple[float, float]:
    """Wilson interval of a rate, 90 % [1].

    >>> [round(end, 3) for end in interval(0, 40)]
    [0.0, 0.063]
    """
    found = binomtest(count, total).proportion_ci(0.9, "wilson")
    return float(found.low), float(found.high)


def word(sound: FloatArray, folder: Path) -> str:
    """The strongest word of a sound's events."""
    path = synth.write(folder / "sound.wav", sound)
    found = analyse(open_recording(path), 0, full_scale_factor(synth.FULL_SCALE_DB))
    return max(["none", *(one.likelihood.word for one in found.events)], key=ORDER.index)


def measured(name: str, sounds: int, first_seed: int) -> dict[str, str]:
    """One row of the result."""
    with tempfile.TemporaryDirectory() as folder:
        words = [
            word(CLASSES[name](np.random.default_rng([first_seed, number])), Path(folder))
            for number in range(sounds)
        ]
    likely = words.count("likely")
    either = likely + words.count("possible")
    ends = [*interval(likely, sounds), *interval(either, sounds)]
    values = [name, sounds, likely, either, *(f"{end:.3f}" for end in ends)]
    values += [first_seed, noisemap.__version__, emission_model(), digest()]
    return dict(zip(COLUMNS, map(str, values), strict=True))


def page_rows(rows: list[dict[str, str]]) -> list[str]:
    """The rows of the table in docs/inspection.md."""

    def rate(row: dict[str, str], count: str, ends: str) -> str:
        low, high = (float(row[f"{ends}_{end}"]) for end in ("low", "high"))
        return f"{row[count]} of {row['sounds']} ({low:.2f} to {high:.2f})"

    return [
        f"| {row['class']} | {rate(row, 'likely', 'likely')} "
        f"| {rate(row, 'possible_or_likely', 'possible')} |"
        for row in rows
    ]


def main() -> None:
    """Measure every class and write the result."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--sounds", type=int, default=40)
    options.add_argument("--first-seed", type=int, default=90_000)
    chosen = options.parse_args()
    rows = []
    for place, name in enumerate(CLASSES):
        rows.append(measured(name, chosen.sounds, chosen.first_seed + place))
        print(page_rows(rows)[-1], flush=True)
    with RESULT.open("w", newline="", encoding="utf-8") as stream:
        writer = csv.DictWriter(stream, COLUMNS, lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)


if __name__ == "__main__":
    main()
