"""`tapeline coverage`: say which runs there are and what they suffice to compare."""

from __future__ import annotations

import argparse
import shutil
import sys

from tapeline.cli.argument_types import file_to_write
from tapeline.cli.command_parser import campaign_argument
from tapeline.cli.statuses import not_written, print_found

NAME = "coverage"
HELP = "which runs there are, what they suffice to compare, which are missing"


def add_command(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Declare the command with its arguments."""
    parser = commands.add_parser(
        NAME,
        help=HELP,
        description="Counts usable runs by condition, speed, yaw and position: of the run table before measuring, less "
        "what proved unusable once there are results. Says of each comparison which positions have repeats on both "
        "sides, and which runs would complete it.",
        epilog="Example: tapeline coverage my-campaign --csv cells.csv",
    )
    campaign_argument(parser)
    parser.add_argument(
        "--csv", type=file_to_write, metavar="FILE", help="write one row a condition, point and position"
    )
    parser.set_defaults(action=_coverage)


def _coverage(options: argparse.Namespace) -> int:
    from tapeline.campaign.coverage import coverage
    from tapeline.campaign.load import load_campaign
    from tapeline.report.coverage_text import WIDTH, coverage_text, write_coverage
    from tapeline.report.usable_runs import read_measured

    campaign = load_campaign(options.campaign)
    found = coverage(campaign, read_measured(campaign))
    if options.csv:
        try:
            write_coverage(found, options.csv)
        except OSError as error:
            return not_written("coverage", options.csv, error)
    width = shutil.get_terminal_size((WIDTH, 24)).columns if sys.stdout.isatty() else WIDTH
    print_found(coverage_text(found, width))
    return 0
