"""`tapeline explain`: where a published level or difference comes from, step by step."""

from __future__ import annotations

import argparse
import json
import shutil
import sys

from tapeline.cli.command_parser import campaign_argument
from tapeline.cli.statuses import print_found

NAME = "explain"
HELP = "where a level or difference comes from: every factor from counts to the number"

WIDTH = 120


def add_command(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Declare the command with its arguments."""
    parser = commands.add_parser(
        NAME,
        help=HELP,
        description="Prints the chain of one published number, so that it can be redone by hand: of a run's level from "
        "counts through gain, sensitivity, response, spectra and background; of a comparison's difference from the "
        "levels of both sides to interval, p-value and finding; of a condition what it gains. What has no level is "
        "explained by its reason.",
        epilog="Example: tapeline explain whole-seam seam-right A my-campaign --speed 130 --session april",
    )
    parser.add_argument(
        "name", metavar="NAME", help="run such as a06, or name of a comparison or of a treated condition"
    )
    parser.add_argument("position", metavar="POSITION", help="position of the sensor")
    parser.add_argument("band", metavar="BAND", help="midband frequency such as 1600 or 1.6k, or A, C or Z: overall")
    campaign_argument(parser)
    parser.add_argument("--speed", metavar="SPEED", help="of a difference: nominal speed in the unit of the report")
    parser.add_argument("--yaw", metavar="DEGREES", help="of a difference: nominal yaw")
    parser.add_argument("--session", metavar="SESSION", help="of a difference: session, or both as 'april + may'")
    parser.add_argument("--json", action="store_true", help="print the same as JSON, numbers in full precision")
    parser.set_defaults(action=_explain)


def _explain(options: argparse.Namespace) -> int:
    from tapeline.campaign.load import load_campaign
    from tapeline.campaign.plan import Plan
    from tapeline.explain.asked_explanation import asked_explanation
    from tapeline.explain.difference_explanation import AskedView
    from tapeline.explain.explanation import NotExplainedError, as_plain
    from tapeline.explain.explanation_text import explanation_text

    plan = Plan(load_campaign(options.campaign, check=False))
    view = AskedView(options.speed, options.yaw, options.session)
    try:
        found = asked_explanation(plan, options.name, options.position, options.band, view)
    except NotExplainedError as error:
        print(f"tapeline explain: {error}", file=sys.stderr)
        return error.status
    if options.json:
        print_found(json.dumps(as_plain(found), indent=1, ensure_ascii=False, allow_nan=False))
    else:
        width = shutil.get_terminal_size((WIDTH, 24)).columns if sys.stdout.isatty() else WIDTH
        print_found(explanation_text(found, width))
    return 0
