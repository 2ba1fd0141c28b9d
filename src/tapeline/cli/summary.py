"""`tapeline summary`: print the main findings."""

from __future__ import annotations

import argparse
import shutil
import sys
from typing import TYPE_CHECKING

from tapeline.cli.command_parser import campaign_argument
from tapeline.cli.readable_path import readable
from tapeline.cli.run_lines import RunLines, TextLines
from tapeline.cli.statuses import EXIT_FAILED, EXIT_LEFT_OUT
from tapeline.text_columns import wrapped

if TYPE_CHECKING:
    from tapeline.campaign.model import Campaign

NAME = "summary"
HELP = "the main findings again, what needs attention, where the results are"

MOST_LINES = 8
WIDTH = 110
NO_FINDINGS = "  No findings: no comparison has runs of both its conditions at one operating point."


def add_command(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Declare the command with its arguments."""
    parser = commands.add_parser(
        NAME,
        help=HELP,
        description="Prints the main findings of finished results, what needs attention, and the paths of the results. "
        "Status 3: recordings were left out; 1: there are no results yet; 0: neither.",
        epilog="Example: tapeline summary my-campaign",
    )
    campaign_argument(parser)
    parser.set_defaults(action=_summary)


def _summary(options: argparse.Namespace) -> int:
    return summary(options, TextLines())


def summary(options: argparse.Namespace, lines: RunLines, *, partly: bool = False) -> int:
    """The findings; where they are not made yet, that is said: a fault unless the run was to make a part alone."""
    from tapeline.campaign.load import load_campaign
    from tapeline.report.summary import left_out, not_made

    campaign = load_campaign(options.campaign, check=False)
    runs = left_out(campaign.results)
    if missing := not_made(campaign.results):
        if not partly:
            lines.say("no-summary", f"no summary: {missing} is not made, run `tapeline run` first")
            return EXIT_FAILED
        said = f"done as asked; no summary yet: {missing} is not made, `tapeline run` makes it"
        lines.say("part-done", said, result=True)
    else:
        _say_found(campaign, lines)
    return EXIT_LEFT_OUT if runs else 0


def _say_found(campaign: Campaign, lines: RunLines) -> None:
    """The main findings, what needs attention, and the paths of the results."""
    from tapeline.cli.main_sentences import main_sentences
    from tapeline.report.attention import attention_lines
    from tapeline.report.finished_tables import read_finished
    from tapeline.report.wording import printable

    width = shutil.get_terminal_size((WIDTH, 24)).columns if sys.stdout.isatty() else WIDTH
    lines.say("findings", f"Main findings of {printable(campaign.settings.title)}", result=True)
    found = main_sentences(campaign)
    for sentence in found:
        lines.say("finding", "\n".join(wrapped(sentence, width)), result=True, sentence=sentence)
    if not found:
        lines.say("no-finding", NO_FINDINGS, result=True)
    amiss = [each for each in attention_lines(read_finished(campaign.results), campaign) if each.severity != "note"]
    lines.say("attention", "\nNeeds attention" if amiss else "\nNothing needs attention", result=True)
    for each in amiss[:MOST_LINES]:
        said = "\n".join(wrapped(f"{each.severity}: {each.where}: {each.found}; {each.action}", width))
        lines.say(
            "needs-attention", said, result=True, severity=each.severity, where=each.where, found=each.found,
            action=each.action,
        )  # fmt: skip
    if len(amiss) > MOST_LINES:
        lines.say("more-attention", f"  and {len(amiss) - MOST_LINES} more in the report", result=True)
    page, tables = campaign.results / "report.html", campaign.results / "tables"
    report = readable(page) if page.is_file() else "not made yet: `tapeline run` makes it"
    sheet = page.with_name("sheet.html")
    alone = f"\nsheet   {readable(sheet)}" if page.is_file() and sheet.is_file() else ""
    said = f"\nreport  {report}{alone}\ntables  {readable(tables)}"
    lines.say("results", said, result=True, report=str(page) if page.is_file() else None, tables=str(tables))
