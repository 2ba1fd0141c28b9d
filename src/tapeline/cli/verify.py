"""`tapeline verify`: hold results and recordings against what they were."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from tapeline.cli.statuses import EXIT_FAULTS, EXIT_MOVED, print_found


def add_command(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Declare the command with its arguments."""
    parser = commands.add_parser(
        "verify",
        help="hold every file of results and every recording against what it was when it was written or read",
        description="Reads the whole content of all results, and of the recordings and sheets of a campaign, and says "
        f"what was changed or damaged and what to do. Status {EXIT_MOVED}: something does not fit; 0: all fits.",
    )
    parser.add_argument("folder", type=Path, metavar="DIR", help="campaign folder, or results folder alone")
    parser.set_defaults(action=_verify)


def _verify(options: argparse.Namespace) -> int:
    from tapeline.cli.verifying import NoResultsError, verify
    from tapeline.report.wording import counted

    try:
        found = verify(options.folder)
    except NoResultsError as error:
        print(f"tapeline verify: {error}; run `tapeline run` on the campaign first", file=sys.stderr)
        return EXIT_FAULTS
    read = f", {counted(found.sources, 'recorded file')} as read" if found.sources else ""
    held = f"{options.folder}: {counted(found.results, 'file')} of results as written{read}"
    if not found.faults:
        print_found(f"{held}; nothing is amiss")
        return 0
    print_found("\n".join([*found.faults, f"{held}; {counted(len(found.faults), 'fault')}", found.again]))
    return EXIT_MOVED
