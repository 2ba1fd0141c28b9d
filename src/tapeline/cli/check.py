"""`tapeline check`: look for faults in a campaign's files, compute nothing."""

from __future__ import annotations

import argparse
from dataclasses import asdict

from tapeline.campaign.faults import in_order
from tapeline.cli.command_parser import campaign_argument
from tapeline.cli.run_lines import RunLines, TextLines

NAME = "check"
HELP = "look for faults in a campaign's files, compute nothing"


def add_command(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Declare the command with its arguments."""
    parser = commands.add_parser(
        NAME,
        help=HELP,
        description="Reads the settings, tables, charts and headers of recordings. Says every fault at once, with "
        "file, line and column, each gap (???) with what belongs there, and what a run would leave out. Status 2: "
        "there are faults or gaps; 0: none.",
        epilog="Example: tapeline check my-campaign",
    )
    campaign_argument(parser)
    parser.set_defaults(action=_check)


def _check(options: argparse.Namespace) -> int:
    check(options, TextLines())
    return 0


def check(options: argparse.Namespace, lines: RunLines) -> None:
    """Say how much there is to compute, and warnings; raises CampaignFaults where the files hold faults."""
    from tapeline.campaign.load import load_campaign
    from tapeline.campaign.plan import Plan
    from tapeline.cli.recording_warnings import recording_warnings
    from tapeline.recordings.opening import channel_count
    from tapeline.report.wording import counted

    campaign = load_campaign(options.campaign, channel_count)
    for warning in in_order([*campaign.warnings, *recording_warnings(campaign)]):
        lines.say("warning", f"warning: {warning}", **asdict(warning))
    plan = Plan(campaign)
    name, comparisons = campaign.settings.campaign, campaign.settings.comparisons
    counts = [
        f"{counted(len(plan.recordings), 'recording')} to measure",
        counted(len(plan.sessions), "session"),
        counted(len(comparisons), "comparison"),
    ]
    values = {"recordings": len(plan.recordings), "sessions": len(plan.sessions), "comparisons": len(comparisons)}
    said = f"campaign {name}: no faults; {', '.join(counts)}"
    lines.say("checked", said, result=True, campaign=name, **values)
