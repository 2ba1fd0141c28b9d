"""The `tapeline` command: run a campaign, check it, or do one of its jobs by hand."""

from __future__ import annotations

import argparse
import os
import sys
import textwrap
from collections.abc import Sequence
from types import ModuleType
from typing import cast

from tapeline import __version__
from tapeline.campaign.faults import CampaignFaults
from tapeline.cli import (
    check,
    check_results,
    compare_results,
    completion,
    coverage,
    datasheet,
    explain,
    export,
    inspect,
    job,
    look,
    new,
    run,
    sensors,
    summary,
)
from tapeline.cli.command_parser import CommandParser
from tapeline.cli.statuses import EXIT_FAILED, EXIT_FAULTS
from tapeline.no_data_frames import keep_data_frames_out
from tapeline.stopping import Stopped, caught, raise_stopped
from tapeline.store.file_records import NotAsWrittenError
from tapeline.unwritable import tell

COMMANDS: dict[str, tuple[ModuleType, ...]] = {
    "Before and while measuring": (new, check, coverage, inspect, look, datasheet),
    "A campaign's results": (run, summary, explain, check_results, compare_results, sensors, export),
    "The command line": (completion,),
}
"""The commands for people, by the heading they stand below in the help."""

HELP_WIDTH = 100

JOBS_HELP = """Jobs of the workflow
  `tapeline run` does these where they are due, through `tapeline step`. Each is a command too, for doing it by hand:
{jobs}
  `tapeline report --format pdf` also prints the report on paper.

`tapeline COMMAND --help` says what a command is for, with an example."""

ONE_THREAD = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS")
"""The workflow spreads jobs over the cores: threads of the linear algebra would only stand in each other's way, and
sums in another order give other bytes. What the environment sets already is left as it is."""


def main(arguments: Sequence[str] | None = None) -> int:
    """Entry point; returns the exit status."""
    keep_data_frames_out()
    for name in ONE_THREAD:
        os.environ.setdefault(name, "1")
    given = list(sys.argv[1:] if arguments is None else arguments)
    # Not left to the parser, which takes what follows -- for its own where options stand before it.
    own, more = _parted(given) if given[:1] == ["run"] else (given, [])
    options = command_parser().parsed(own, argparse.Namespace(more=more))
    try:
        with caught(raise_stopped):
            return int(options.action(options))
    except Stopped as stopped:
        tell(f"tapeline {given[0]}: {stopped}")
        return stopped.status
    except CampaignFaults as faults:
        print(faults, file=sys.stderr)
        return EXIT_FAULTS
    except NotAsWrittenError as error:
        print(f"tapeline {given[0]}: {error}: `tapeline run` makes it again", file=sys.stderr)
        return EXIT_FAILED
    except BrokenPipeError:
        return EXIT_FAILED


def _parted(given: list[str]) -> tuple[list[str], list[str]]:
    """What stands before the first "--" and what stands behind it."""
    at = given.index("--") if "--" in given else len(given)
    return given[:at], given[at + 1 :]


def command_parser() -> CommandParser:
    """The parser of all commands; its help tells those for people from the jobs of the workflow."""
    parser = CommandParser(
        prog="tapeline",
        usage="tapeline COMMAND [ARGUMENTS]",
        description="From surface-microphone recordings to calibrated, comparable levels. A campaign is a folder:\n"
        "commands take it as their last argument, by default the folder where you stand.",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="version", version=f"tapeline {__version__}")
    commands = cast(
        "argparse._SubParsersAction[argparse.ArgumentParser]",
        parser.add_subparsers(prog=parser.prog, required=True, metavar="COMMAND", help=argparse.SUPPRESS),
    )
    for modules in COMMANDS.values():
        for module in modules:
            module.add_command(commands)
    parser.epilog = _epilog(job.add_commands(commands))
    return parser


def _epilog(jobs: Sequence[str]) -> str:
    """The commands below their headings, then the jobs of the workflow in a sentence."""
    width = max(len(module.NAME) for modules in COMMANDS.values() for module in modules)
    lines = []
    for heading, modules in COMMANDS.items():
        lines += [heading, *(f"  {module.NAME:<{width}}  {module.HELP}" for module in modules), ""]
    named = textwrap.fill(", ".join(jobs), HELP_WIDTH, initial_indent="    ", subsequent_indent="    ")
    return "\n".join([*lines, JOBS_HELP.format(jobs=named)])
