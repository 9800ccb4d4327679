"""Entry point: commands are loaded only when they are called, errors end in a sentence."""

from __future__ import annotations

import difflib
import importlib
import json
import os
import signal
import sys
import threading
import traceback
from typing import Any, NoReturn

import click

from noisemap import __version__
from noisemap.cli.words import steady
from noisemap.errors import NoisemapError

COMMANDS = {
    "demo": ("noisemap.cli.study", "Run the main job on the invented demo town."),
    "new": ("noisemap.cli.study", "Write a commented study to start from."),
    "check": ("noisemap.cli.study", "Read everything and list what is wrong; compute nothing."),
    "run": ("noisemap.cli.study", "Compute levels, zones and brakes; write map, report, tables."),
    "serve": ("noisemap.cli.serve", "The same in a browser: a page for this machine alone."),
    "weigh": ("noisemap.cli.weigh", "Search and compare zones and their alternatives."),
    "route": ("noisemap.cli.route", "Lawful, quiet ways through the study's roads."),
    "descend": ("noisemap.cli.descend", "How one descent can be driven more quietly."),
    "fleet-trips": ("noisemap.cli.fleet_trips", "Burden of many trips, and which to move."),
    "inspect": ("noisemap.cli.inspect", "Judge roadside readings: verdicts, sheets, evidence."),
    "recording": ("noisemap.cli.recording", "Find braking events in a calibrated recording."),
    "sites": ("noisemap.cli.sites", "Where a lawful roadside measurement fits, ranked."),
    "calibrate": ("noisemap.cli.calibrate", "Measured levels against a study's; changes nothing."),
    "fleet": ("noisemap.cli.fleet", "Shares of exhaust states from many roadside readings."),
    "source": ("noisemap.cli.source", "Level and spectrum of a chosen truck and exhaust."),
    "listen": ("noisemap.cli.listen", "A pass made audible, as an illustration."),
    "verify": ("noisemap.cli.verify", "Whether results still stand on their inputs."),
    "path": ("noisemap.cli.path", "Explain the attenuation of single paths, term by term."),
}

INTERRUPTED = 130
FAULT = 70


class LazyGroup(click.Group):
    """A group that lists its commands without importing them."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002
        """Names in the order in which a user meets them."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import the module that holds the command."""
        if cmd_name not in COMMANDS:
            close = difflib.get_close_matches(cmd_name, COMMANDS, n=1)
            hint = f"did you mean {close[0]!r}?" if close else f"commands: {', '.join(COMMANDS)}"
            ctx.fail(f"no command {cmd_name!r}; {hint}")
        module = importlib.import_module(COMMANDS[cmd_name][0])
        command = getattr(module, f"{cmd_name.replace('-', '_')}_command")
        assert isinstance(command, click.Command)
        return command

    def format_commands(
        self,
        ctx: click.Context,  # noqa: ARG002
        formatter: click.HelpFormatter,
    ) -> None:
        """The list in `--help`, from the table above."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, text) for name, (_, text) in COMMANDS.items()])


@click.command(
    cls=LazyGroup,
    context_settings={"help_option_names": ["-h", "--help"]},
    epilog="Screening figures only: local codes, the road authority's sign standard and a "
    "licensed engineer's judgement govern. Nothing here is driving advice.",
)
@click.version_option(__version__, prog_name="noisemap")
def cli() -> None:
    """Where would a retarder restriction help, whom, by how much, and what do the brakes do."""


def main(arguments: list[str] | None = None) -> NoReturn:
    """Run the command line and leave with its exit code."""
    sys.exit(run(arguments))


def run(arguments: list[str] | None = None) -> int:
    """Run the command line; returns the exit code."""
    if threading.current_thread() is threading.main_thread():
        signal.signal(signal.SIGTERM, signal.default_int_handler)
    try:
        outcome: Any = cli.main(args=arguments, prog_name="noisemap", standalone_mode=False)
        return outcome if isinstance(outcome, int) else 0
    except click.exceptions.Abort:
        return _say("interrupted; run the same command again to go on", INTERRUPTED)
    except click.ClickException as error:
        error.show()
        return error.exit_code
    except NoisemapError as error:
        given = sys.argv[1:] if arguments is None else arguments
        if "--json" in given and given[0] not in ("check", "path"):
            click.echo(json.dumps({"error": str(error), "exit_code": error.exit_code}))
        return _say(str(error), error.exit_code)
    except KeyboardInterrupt:
        return _say("interrupted; run the same command again to go on", INTERRUPTED)
    except BrokenPipeError:
        sys.stderr.close()
        return 0
    except MemoryError:
        return _say("out of memory; lower run.max_distance_m or the number of homes", FAULT)
    except Exception as error:
        if os.environ.get("NOISEMAP_DEBUG"):
            traceback.print_exc()
        return _say(
            f"a fault of noisemap itself: {type(error).__name__}: {error}\n"
            "set NOISEMAP_DEBUG=1 and run again to see where; please report it",
            FAULT,
        )


def _say(text: str, code: int) -> int:
    click.echo(f"noisemap: {steady(text)}", err=True)
    return code
