"""`tapeline check`: look for faults in a campaign's files, compute nothing."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from tapeline.campaign.faults import in_order


def add_command(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Declare the command with its arguments."""
    parser = commands.add_parser("check", help="look for faults in a campaign's files, compute nothing")
    parser.add_argument("campaign", type=Path, nargs="?", default=Path(), help="campaign folder (default: this one)")
    parser.set_defaults(action=check)


def check(options: argparse.Namespace) -> int:
    from tapeline.campaign.load import load_campaign
    from tapeline.campaign.plan import Plan
    from tapeline.cli.recording_warnings import recording_warnings
    from tapeline.recordings.opening import channel_count
    from tapeline.report.wording import counted

    campaign = load_campaign(options.campaign, channel_count)
    for warning in in_order([*campaign.warnings, *recording_warnings(campaign)]):
        print(f"warning: {warning}", file=sys.stderr)
    plan = Plan(campaign)
    counts = [
        f"{counted(len(plan.recordings), 'recording')} to measure",
        counted(len(plan.sessions), "session"),
        counted(len(campaign.settings.comparisons), "comparison"),
    ]
    print(f"campaign {campaign.settings.campaign}: no faults; {', '.join(counts)}")
    return 0
