"""The page of conventions: each has its choice, its reason and tests that are there."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

HERE = Path(__file__).parent
PAGE = (HERE.parent / "docs" / "conventions.md").read_text(encoding="utf-8")
ROWS = {
    cells[0]: cells
    for line in PAGE.splitlines()
    if re.match(r"\| C\d+ \|", line)
    for cells in [[cell.strip() for cell in line.strip("|").split("|")]]
}
FILES = dict(re.findall(r"\b([A-Z]) = `(test_\w+\.py)`", PAGE))


def test_all_22_stand_on_the_page() -> None:
    assert list(ROWS) == [f"C{number}" for number in range(1, 23)]
    assert set(FILES) == set("TPKSRA")


@pytest.mark.parametrize("name", list(ROWS))
def test_a_convention_has_choice_reason_and_a_test(name: str) -> None:
    _, question, choice, reason, tests = ROWS[name]
    assert min(map(len, (question, choice, reason))) > 1
    named = re.findall(r"`(test_\w+)`", tests)
    paths = [int(one) for one in re.findall(r"\b(\d+)\b", re.sub(r"`[^`]*`", "", tests))]
    assert named or paths
    assert all(1 <= one <= 20 for one in paths)
    there = "".join((HERE / file).read_text(encoding="utf-8") for file in FILES.values())
    for test in named:
        assert f"def {test}(" in there or (HERE / f"{test}.py").is_file(), test


def test_every_file_that_the_page_names_is_there() -> None:
    for file in re.findall(r"`(test_\w+\.py)`", PAGE):
        assert (HERE / file).is_file() or (HERE / "tests" / file).is_file(), file
