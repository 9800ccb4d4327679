"""Text tables: every fault names its line, column and cure."""

from __future__ import annotations

import contextlib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from noisemap.errors import BadDataError, NoisemapError
from noisemap.readers.tables import TextTable, read_table


def table(tmp_path: Path, text: str | bytes, **options: object) -> TextTable:
    path = tmp_path / "t.csv"
    path.write_bytes(text if isinstance(text, bytes) else text.encode("utf-8"))
    return read_table(path, **options)  # type: ignore[arg-type]


@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
def test_delimiters_and_byte_order_mark(tmp_path: Path, delimiter: str) -> None:
    rows = [("road", "hour", "count"), ("SR 1", "7", "12.5"), ("00123", "8", "")]
    text = "﻿" + "\r\n".join(delimiter.join(row) for row in rows)
    found = table(tmp_path, text)
    assert found.header == ("road", "hour", "count")
    assert found.text("road") == ("SR 1", "00123")
    assert found.number("count", default=0.0).tolist() == [12.5, 0.0]


def test_quotes_blank_lines_and_line_numbers(tmp_path: Path) -> None:
    found = table(tmp_path, 'name,n\n"a, b",1\n\n"two\nlines",x\n')
    assert found.text("name") == ("a, b", "two\nlines")
    with pytest.raises(BadDataError, match=r"t\.csv:5: n: 'x' is not a number"):
        found.number("n")


def test_text_stays_text(tmp_path: Path) -> None:
    assert table(tmp_path, "id\nNA\nnull\n1e5\n").text("id") == ("NA", "null", "1e5")


@pytest.mark.parametrize(
    ("cell", "sentence"),
    [
        ("nan", r"t\.csv:2: n: nan is not allowed \(allowed: 0\.\.100\)"),
        ("inf", r"t\.csv:2: n: inf is not allowed"),
        ("-1", r"t\.csv:2: n: -1 is not allowed \(allowed: 0\.\.100\)"),
        ("many", r"t\.csv:2: n: 'many' is not a number"),
        ("", r"t\.csv:2: n: empty; write a number"),
    ],
)
def test_number_faults(tmp_path: Path, cell: str, sentence: str) -> None:
    with pytest.raises(BadDataError, match=sentence):
        table(tmp_path, f"a,n\nx,{cell}\n").number("n", minimum=0.0, maximum=100.0)


def test_decimal_comma(tmp_path: Path) -> None:
    with pytest.raises(BadDataError, match=r"t\.csv:2: n: 45,5 has a decimal comma; write 45\.5"):
        table(tmp_path, "a;n\nx;45,5\n").number("n")
    with pytest.raises(
        BadDataError,
        match=r"3 cells, the header has 2; correct the row \(a decimal comma reads as two",
    ):
        table(tmp_path, "a,n\nx,45,5\n")


def test_decimal_comma_where_the_study_says_so(tmp_path: Path) -> None:
    (tmp_path / "t.csv").write_text("a;n\nx;45,5\ny;7\n")
    assert read_table(tmp_path / "t.csv", decimal=",").number("n").tolist() == [45.5, 7.0]
    (tmp_path / "t.csv").write_text("a;n\nx;1.045,5\n")
    with pytest.raises(BadDataError, match=r"t\.csv:2: n: '1\.045,5' is not a number"):
        read_table(tmp_path / "t.csv", decimal=",").number("n")


def test_number_with_underscore_is_none(tmp_path: Path) -> None:
    with pytest.raises(BadDataError, match="'1_0' is not a number"):
        table(tmp_path, "n\n1_0\n").number("n")


def test_encodings(tmp_path: Path) -> None:
    path = tmp_path / "t.csv"
    path.write_bytes("straße\n1\n".encode("utf-16"))
    found = read_table(path)
    assert found.header == ("straße",)
    assert found.said == ("t.csv: read as UTF-16, as its first bytes say",)
    path.write_bytes("straße\n1\n".encode("latin-1"))
    with pytest.raises(BadDataError, match=r"name its encoding in the study, e\.g\. encoding ="):
        read_table(path)
    assert read_table(path, encoding="latin-1").header == ("straße",)
    with pytest.raises(BadDataError, match="'klingon' is not allowed"):
        read_table(path, encoding="klingon")
    with pytest.raises(BadDataError, match="'hex' is not a text encoding"):
        read_table(path, encoding="hex")


def test_choice(tmp_path: Path) -> None:
    found = table(tmp_path, "state\nworn\nnew\n")
    with pytest.raises(
        BadDataError, match=r"t\.csv:3: state: 'new' is not allowed \(allowed: worn"
    ):
        found.choice("state", ("worn", "straight"))
    assert found.choice("other", ("x",), "x") == ("x", "x")


def test_columns(tmp_path: Path) -> None:
    with pytest.raises(BadDataError, match=r"t\.csv:1: no column hour; the file has: a, b"):
        table(tmp_path, "a,b\n1,2\n", required=("a", "hour"))
    with pytest.raises(BadDataError, match=r"column 'b' is not known \(allowed: a\)"):
        table(tmp_path, "a,b\n1,2\n", known=("a",))
    with pytest.raises(BadDataError, match="column 'a' stands twice"):
        table(tmp_path, "a,a\n1,2\n")
    found = table(tmp_path, "a\n1\n")
    assert found.number("b", default=3.0).tolist() == [3.0]
    with pytest.raises(BadDataError, match="no column 'b'"):
        found.text("b")


@pytest.mark.parametrize(
    ("content", "sentence"),
    [
        ("straße\n1\n".encode("latin-1"), "not UTF-8 text"),
        (b"\xff\xfea", "not utf-16 text"),
        (b"a,b\n1,\x00\n", "zero bytes"),
        (b"a,b\n", "no row below the header"),
        (b"\n\n", "no row below the header"),
        (b'a,b\n"1,2\n', "not a CSV row"),
        (b"", "the file is empty"),
    ],
)
def test_broken_text(tmp_path: Path, content: bytes, sentence: str) -> None:
    with pytest.raises(BadDataError, match=sentence):
        table(tmp_path, content)


@given(st.binary(max_size=300))
def test_any_bytes_give_a_table_or_a_sentence(
    tmp_path_factory: pytest.TempPathFactory, content: bytes
) -> None:
    path = tmp_path_factory.mktemp("fuzz") / "t.csv"
    path.write_bytes(content)
    with contextlib.suppress(NoisemapError):  # any other error fails the test
        found = read_table(path)
        assert all(len(row) == len(found.header) for row in found.rows)
        found.number(found.header[0])


def test_every_fault_of_a_column_is_told_and_counted(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    rows = "".join(f"{n},x\n" if n % 2 else f"?{n},up\n" for n in range(30))
    path.write_text(f"n,way\n{rows}")
    table = read_table(path)
    with pytest.raises(BadDataError) as error:
        table.number("n")
    lines = str(error.value).splitlines()
    assert len(lines) == 11
    assert lines[0] == "a.csv:2: n: '?0' is not a number"
    assert lines[9] == "a.csv:20: n: '?18' is not a number"
    assert lines[10] == "a.csv: 5 more faults of this kind"
    with pytest.raises(BadDataError, match="5 more faults of this kind"):
        table.choice("way", ("up", "down"))
