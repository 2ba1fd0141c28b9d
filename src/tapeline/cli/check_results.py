"""`tapeline check-results`: hold results and recordings against what they were."""

from __future__ import annotations

import argparse
import sys

from tapeline.cli.command_parser import campaign_argument
from tapeline.cli.statuses import EXIT_FAULTS, EXIT_MOVED, print_found

NAME = "check-results"
HELP = "whether all results and recordings are as they were written and read"


def add_command(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Declare the command with its arguments."""
    parser = commands.add_parser(
        NAME,
        help=HELP,
        description="Reads the whole content of all results, and of the recordings and sheets of a campaign, and says "
        f"what was changed or damaged and what to do. Status {EXIT_MOVED}: something does not fit; 0: all fits.",
        epilog="Example: tapeline check-results my-campaign",
    )
    campaign_argument(parser, "campaign folder, or a results folder alone (default: this one)")
    parser.set_defaults(action=_check_results)


def _check_results(options: argparse.Namespace) -> int:
    from tapeline.cli.results_as_written import NoResultsError, hold_against_records
    from tapeline.report.wording import counted

    try:
        found = hold_against_records(options.campaign)
    except NoResultsError as error:
        print(f"tapeline {NAME}: {error}; run `tapeline run` on the campaign first", file=sys.stderr)
        return EXIT_FAULTS
    read = f", {counted(found.sources, 'recorded file')} as read" if found.sources else ""
    held = f"{options.campaign}: {counted(found.results, 'file')} of results as written{read}"
    if not found.faults:
        print_found(f"{held}; nothing is amiss")
        return 0
    print_found("\n".join([*found.faults, f"{held}; {counted(len(found.faults), 'fault')}", found.again]))
    return EXIT_MOVED
