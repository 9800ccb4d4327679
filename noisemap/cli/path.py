"""`noisemap path`: the attenuation of single paths, term by term."""

from __future__ import annotations

import json
from typing import Any

import click

from noisemap.errors import BadDataError, MissingInputError

_EPILOG = """\b
Required keys of a path: x, ground, hs, hr, G.  Optional: objects,
lateral_corners, foliage_m, industry_m, housing_m, reflectors, clearance_m,
T, RH, p, C0, LW, screening_reading.  Example:
{"x": [0, 100], "ground": [0, 0], "hs": 0.5, "hr": 4, "G": [[0, 100, 0.5]],
 "objects": [{"kind": "screen", "x": 10, "h": 3}],
 "LW": [93, 93, 93, 93, 93, 93, 93, 93]}
A block is {"kind": "block", "x1": 20, "x2": 30, "h": 4}; lateral_corners are
[[metres along the line, metres to the left], ...].  A surface that reflects is
{"from": [-10, 30], "to": [60, 30], "h": 6, "rho": 0.8, "x": [0, 117],
 "ground": [0, 0], "G": [[0, 117, 0]]}: its ends as corners are written, its
height and reflection coefficient, and the profile of the path to it and on to
the receiver.
"""


@click.command("path", epilog=_EPILOG)
@click.argument("case_file", metavar="CASE.json")
@click.option("--json", "as_json", is_flag=True, help="Print a JSON list in the input's order.")
def path_command(case_file: str, as_json: bool) -> None:
    """Explain the attenuation of single paths, term by term.

    CASE.json holds one path or a list of paths; "-" reads standard input.
    """
    from noisemap.propagation.case import path_results

    content = _parse(_read(case_file), case_file)
    cases = content if isinstance(content, list) else [content]
    results = path_results(content)
    if as_json:
        click.echo(json.dumps(results, indent=1, allow_nan=False))
    else:
        from noisemap.cli.path_table import closing_lines, path_lines

        for number, (case, result) in enumerate(zip(cases, results, strict=True), start=1):
            click.echo("\n".join(path_lines(number, case, result)) + "\n")
        click.echo("\n".join(closing_lines(cases)))
    failed = [str(i) for i, result in enumerate(results, start=1) if "error" in result]
    if failed:
        raise BadDataError(
            f"{len(failed)} of {len(results)} paths could not be computed "
            f"(path {', '.join(failed[:20])}); each one's faults stand in its place above"
        )


def _read(case_file: str) -> bytes:
    try:
        with click.open_file(case_file, "rb") as stream:
            return bytes(stream.read())
    except OSError as error:
        raise MissingInputError(
            f"{case_file}: cannot be read ({error.strerror}); give a JSON file, or - for "
            "standard input"
        ) from error


def _parse(content: bytes, case_file: str) -> Any:
    try:
        return json.loads(content.decode("utf-8-sig"), object_pairs_hook=_no_doubles)
    except UnicodeDecodeError as error:
        raise BadDataError(f"{case_file}: is not UTF-8 text (byte {error.start})") from error
    except RecursionError as error:
        raise BadDataError(f"{case_file}: is nested too deeply for a list of paths") from error
    except ValueError as error:
        raise BadDataError(f"{case_file}: is not JSON: {error}") from error


def _no_doubles(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    keys = [key for key, _ in pairs]
    doubles = sorted({key for key in keys if keys.count(key) > 1})
    if doubles:
        raise ValueError(f"the key {doubles[0][:40]!r} stands twice in one object; keep one")
    return dict(pairs)
