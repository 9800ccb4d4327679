"""Readers meet spoiled files: a value or an error of ours, nothing else, whatever the bytes.

Bounded for the suite; `fuzz_driver.py` goes on for as long as it is let. What it found lies in
`tests/corpus` and is read again here. The seeds are fixed where CI is set; elsewhere a failure
prints how to repeat it.
"""

from __future__ import annotations

import os
import re
import struct
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from fuzz_targets import TARGETS, outcome
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from noisemap.errors import NoisemapError

CORPUS = Path(__file__).parents[1] / "corpus"
CASES = sorted(path for path in CORPUS.rglob("*") if path.is_file())

WORD = re.compile(rb"[\w.+-]+")
WORDS = [
    b"NaN", b"Infinity", b"-inf", b"1e400", b"-1e308", b"1e300", b"1e-320", b"-1", b"0", b"-0.0",
    b"null", b"true", b"[]", b"{}", b'""', b"''", b'"\\u0000"', b'"\\ud800"', b"[" * 3000,
    b'{"a":' * 3000, b"9" * 5000, b"a." * 3000, b"\xff\xfe", b"\0", b"<", b"=1+1", b"1979-05-27",
    b"\xe2\x80\xae", b"../../x", b"/vsicurl/http://x/y", b"EPSG:1", b"x" * 70_000, b"24:00", b"",
]  # fmt: skip
PIECES = [
    b"\0", b"\xff", b"\x7f", b"\x80", b"\xff\xff\xff\xff", b"\x7f\xff\xff\xff", b"\0\0\0\x80",
    *(struct.pack(order + "d", value) for order in "<>"
      for value in (float("nan"), float("inf"), 1e300, -1e-300, 4e9)),
    b"/vsicurl/http://x/y", b"\r\n", b'"', b"&a;",
]  # fmt: skip


@cache
def good(name: str) -> tuple[str, dict[str, bytes], str]:
    target = TARGETS[name]
    main, files = target.good()
    return main, files, target.changed_name(main)


@st.composite
def spoiled(draw: Callable[..., Any], name: str) -> bytes:
    """Bytes of the good file with some of them turned, cut out, put in or exchanged."""
    content = bytearray(good(name)[1][good(name)[2]])
    for _ in range(draw(st.integers(1, 4))):
        if not content:
            break
        place = draw(st.integers(0, len(content) - 1))
        kind = draw(st.sampled_from(("word", "turn", "put", "over", "drop", "cut")))
        if kind == "word" and TARGETS[name].text:
            found = list(WORD.finditer(content))
            if found:
                word = found[place % len(found)]
                content[word.start() : word.end()] = draw(st.sampled_from(WORDS))
        elif kind == "turn":
            content[place] ^= 1 << draw(st.integers(0, 7))
        elif kind == "put":
            content[place:place] = draw(st.sampled_from(PIECES))
        elif kind == "drop":
            del content[place : place + draw(st.integers(1, 64))]
        elif kind == "cut":
            del content[place:]
        else:
            piece = draw(st.sampled_from(PIECES))
            content[place : place + len(piece)] = piece
    return bytes(content)


@pytest.mark.parametrize("name", TARGETS)
def test_the_good_file_is_read(name: str) -> None:
    main, files, _ = good(name)
    assert not isinstance(outcome(TARGETS[name], main, files), NoisemapError)


@pytest.mark.parametrize("name", TARGETS)
def test_spoiled_files_end_in_a_value_or_a_sentence(name: str) -> None:
    main, files, part = good(name)
    print(f"{name}: seeds are {'fixed' if 'CI' in os.environ else 'drawn'}")

    @settings(
        max_examples=5 if name.startswith("hgt") else 25,
        deadline=None,
        derandomize="CI" in os.environ,
        database=None,
        print_blob=True,
        suppress_health_check=list(HealthCheck),
    )
    @given(content=spoiled(name))
    def every(content: bytes) -> None:
        outcome(TARGETS[name], main, {**files, part: content})

    every()


@pytest.mark.parametrize("path", CASES, ids=lambda path: f"{path.parent.name}/{path.name}")
def test_found_cases_stay_mended(path: Path) -> None:
    name = path.parent.name
    main, files, part = good(name)
    outcome(TARGETS[name], main, {**files, part: path.read_bytes()})
