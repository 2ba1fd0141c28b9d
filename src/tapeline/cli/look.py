"""`tapeline look`: verdicts and levels of recordings just made."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from tapeline.cli.argument_types import not_negative
from tapeline.cli.statuses import EXIT_FAULTS, EXIT_LEFT_OUT

NAME = "look"
HELP = "verdicts and levels of recordings just made, beside their repeats"


def add_command(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Declare the command with its arguments."""
    parser = commands.add_parser(
        NAME,
        help=HELP,
        description="Looks at recordings in the test hall: overload, dropouts, hum, loose contacts and levels of every "
        "channel, within seconds. With --campaign the fittings and sensitivities of the session are used. Status 3: a "
        "channel is unusable.",
        epilog="Example: tapeline look new.wav --campaign my-campaign --session may",
    )
    parser.add_argument("recordings", type=Path, nargs="+", metavar="RECORDING", help="files just recorded")
    parser.add_argument("--campaign", type=Path, help="campaign folder with the fittings and sensors")
    parser.add_argument("--session", help="session of a recording that is in no row of the run table yet")
    parser.add_argument("--condition", help="condition of such a recording, to compare it with its repeats")
    parser.add_argument("--speed-kmh", type=not_negative, metavar="SPEED", help="set speed of such a recording")
    parser.add_argument("--yaw-deg", type=float, default=0.0, metavar="YAW", help="set yaw of it (default: 0)")
    parser.add_argument("--format", help="name in the campaign's raw_formats, for recordings without a header")
    parser.set_defaults(action=_look)


def _look(options: argparse.Namespace) -> int:
    from tapeline.campaign.load import load_campaign
    from tapeline.cli.look_repeats import Asked
    from tapeline.cli.recording_look import LookError, look
    from tapeline.recordings.recording import RecordingError

    speed_mps = None if options.speed_kmh is None else options.speed_kmh / 3.6
    asked = Asked(options.condition, speed_mps, options.yaw_deg)
    campaign = load_campaign(options.campaign, check=False) if options.campaign else None
    status = 0
    for number, path in enumerate(options.recordings):
        try:
            seen = look(path, campaign, options.session, options.format, asked)
        except (RecordingError, LookError) as error:
            code = f"{error.code}: " if isinstance(error, RecordingError) else ""
            print(f"tapeline look: {code}{error}", file=sys.stderr)
            status = EXIT_FAULTS
            continue
        print("\n".join(([""] if number else []) + seen.lines()), flush=True)
        if seen.worst == "unusable":
            status = status or EXIT_LEFT_OUT
    return status
