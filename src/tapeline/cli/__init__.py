"""The `tapeline` command: run a campaign, check it, or do one of its jobs by hand."""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Sequence

from tapeline import __version__
from tapeline.campaign.faults import CampaignFaults
from tapeline.cli import check, coverage, datasheet, diff, history, inspect, job, look, run, summary, verify
from tapeline.cli.statuses import EXIT_FAILED, EXIT_FAULTS
from tapeline.no_data_frames import keep_data_frames_out
from tapeline.stopping import Stopped, caught, raise_stopped
from tapeline.store.file_records import NotAsWrittenError
from tapeline.unwritable import tell

COMMANDS = (run, check, verify, summary, datasheet, inspect, look, history, diff, coverage)

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
    options = _parser().parse_args(own, argparse.Namespace(more=more))
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


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="tapeline", description=__doc__)
    parser.add_argument("--version", action="version", version=f"tapeline {__version__}")
    commands = parser.add_subparsers(title="commands", required=True, metavar="COMMAND")
    for command in COMMANDS:
        command.add_command(commands)
    job.add_commands(commands)
    return parser
