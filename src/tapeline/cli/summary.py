"""`tapeline summary`: print the main findings."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from tapeline.cli.statuses import EXIT_FAILED, EXIT_LEFT_OUT


def add_command(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Declare the command with its arguments."""
    parser = commands.add_parser("summary", help="print the main findings and where the results are")
    parser.add_argument("campaign", type=Path, nargs="?", default=Path(), help="campaign folder (default: this one)")
    parser.set_defaults(action=summary)


def summary(options: argparse.Namespace, *, partly: bool = False) -> int:
    """The findings; where they are not made yet, that is said: a fault unless the run was to make a part alone."""
    from tapeline.campaign.load import load_campaign
    from tapeline.report.summary import left_out, not_made, summary_text

    campaign = load_campaign(options.campaign, check=False)
    if missing := not_made(campaign.results):
        if partly:
            print(f"done as asked; no summary yet: {missing} is not made, `tapeline run` makes it")
            return EXIT_LEFT_OUT if left_out(campaign.results) else 0
        print(f"no summary: {missing} is not made, run `tapeline run` first", file=sys.stderr)
        return EXIT_FAILED
    print(summary_text(campaign))
    return EXIT_LEFT_OUT if left_out(campaign.results) else 0
