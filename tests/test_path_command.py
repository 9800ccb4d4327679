"""The command `noisemap path`: output, exit codes, standard input."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result
from propagation_support import case

from noisemap.cli.path import path_command
from noisemap.errors import BadDataError, MissingInputError
from noisemap.propagation.case import path_results

GOOD = case(LW=[93] * 8, objects=[{"kind": "screen", "x": 10, "h": 3}])


def invoke(content: Any, *options: str) -> Result:
    text = content if isinstance(content, str) else json.dumps(content)
    return CliRunner().invoke(path_command, ["-", *options], input=text)


def test_json_is_a_list_in_the_order_of_the_input() -> None:
    cases = [GOOD, case(hr=2), GOOD]
    result = invoke(cases, "--json")
    assert result.exit_code == 0, result.output
    assert json.loads(result.stdout) == json.loads(json.dumps(path_results(cases)))


def test_one_object_gives_a_list_of_one(tmp_path: Path) -> None:
    file = tmp_path / "case.json"
    file.write_text("\ufeff" + json.dumps(GOOD), encoding="utf-8")
    result = CliRunner().invoke(path_command, [str(file), "--json"])
    assert len(json.loads(result.stdout)) == 1


def test_table_shows_terms_edition_and_reading() -> None:
    result = invoke([GOOD, {**GOOD, "screening_reading": "positive"}])
    assert result.exit_code == 0
    for text in (
        "path 1: d 100.06 m, dp 100.00 m",
        "ISO 9613-2:1996, literal reading Abar = Dz - Agr",
        "ISO 9613-2:1996, positive reading Abar = Dz - max(Agr, 0)",
        "top: 1 edge at (10.00, 3.00); z 0.2521 m, Kmet 0.8069, e 0.00 m",
        "LA 34.83 dB(A)",
        "Reflections: of first order, from the surfaces given as reflectors",
        "Not covered: the 2024 edition",
        "10 °C, 70 %, 101.325 kPa",
    ):
        assert text in result.stdout
    (line,) = [line for line in result.stdout.splitlines()[:8] if line.startswith("Abar")]
    assert line.split()[-8:] == ["8.74", "6.67", "4.76", "5.64", "11.52", "15.80", "18.56", "21.44"]


def test_flags_stand_under_their_path() -> None:
    result = invoke([GOOD, case(x=[0, 1200])])
    first, second = result.stdout.split("path 2:")
    assert "Note:" not in first
    assert "\nNote: beyond 1000 m: no stated accuracy\n" in second


@pytest.mark.parametrize("options", [(), ("--json",)])
def test_a_bad_path_is_told_in_place_and_at_the_end(options: tuple[str, ...]) -> None:
    result = invoke([GOOD, case(hs=-1), GOOD], *options)
    assert isinstance(result.exception, BadDataError)
    assert result.exception.exit_code == 65
    assert "1 of 3 paths could not be computed (path 2)" in str(result.exception)
    if options:
        answers = json.loads(result.stdout)
        assert ["error" in answer for answer in answers] == [False, True, False]
        assert "hs: -1" in answers[1]["error"]
    else:
        assert "path 2: not computed" in result.stdout
        assert "path 3: d " in result.stdout


def test_exit_code_of_the_whole_program(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    from noisemap.cli.main import run

    file = tmp_path / "case.json"
    file.write_text(json.dumps([case(hs=-1)]), encoding="utf-8")
    assert run(["path", str(file), "--json"]) == 65
    captured = capsys.readouterr()
    assert "error" in json.loads(captured.out)[0]
    assert captured.err.startswith("noisemap: 1 of 1 paths")
    assert run(["path", str(tmp_path / "none.json")]) == 66


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("{", "is not JSON"),
        ("", "is not JSON"),
        ('{"x": 1, "x": 2}', "the key 'x' stands twice"),
        ("[" * 100_000, "nested too deeply"),
        ("[]", "empty"),
    ],
)
def test_text_that_is_no_case(text: str, message: str) -> None:
    result = invoke(text)
    assert isinstance(result.exception, BadDataError)
    assert message in str(result.exception)


def test_nan_in_json_is_a_fault_of_its_field() -> None:
    result = invoke(
        '{"x": [0, 100], "ground": [0, NaN], "hs": 1, "hr": 1, "G": [[0,100,0]]}', "--json"
    )
    assert "ground[1]: nan" in json.loads(result.stdout)[0]["error"]


def test_bytes_that_are_no_text(tmp_path: Path) -> None:
    file = tmp_path / "case.json"
    file.write_bytes(b"\xff\xfe{}")
    result = CliRunner().invoke(path_command, [str(file)])
    assert isinstance(result.exception, BadDataError)
    assert "not UTF-8 text (byte 0)" in str(result.exception)


@pytest.mark.parametrize("name", ["none.json", "."])
def test_missing_file(tmp_path: Path, name: str) -> None:
    result = CliRunner().invoke(path_command, [str(tmp_path / name)])
    assert isinstance(result.exception, MissingInputError)


def test_help_shows_the_form_of_a_case() -> None:
    result = CliRunner().invoke(path_command, ["--help"])
    assert '"kind": "screen"' in result.stdout
    assert "screening_reading" in result.stdout
