"""`tapeline inspect`: print what recordings hold, without a campaign."""

from __future__ import annotations

import argparse
import shutil
import sys
from pathlib import Path

from tapeline.cli.statuses import EXIT_FAULTS

NAME = "inspect"
HELP = "what the files of recordings hold, without a campaign: format, length, peak, rms, bits"


def add_command(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Declare the command with its arguments."""
    parser = commands.add_parser(
        NAME,
        help=HELP,
        description="Prints format, length, peak, rms and the bits really used of recordings that describe themselves. "
        "`tapeline look` judges their channels.",
        epilog="Example: tapeline inspect recordings/*.wav",
    )
    parser.add_argument("files", type=Path, nargs="+", metavar="FILE", help="recordings that describe themselves")
    parser.set_defaults(action=_inspect)


def _inspect(options: argparse.Namespace) -> int:
    from tapeline.recordings.inspection import inspection
    from tapeline.recordings.recording import RecordingError

    status, shown = 0, False
    for path in options.files:
        try:
            lines = inspection(path, shutil.get_terminal_size().columns)
        except RecordingError as error:
            place = "" if path.parent == Path() else f"{path.parent}/"
            print(f"tapeline inspect: {place}{error.sentence}", file=sys.stderr)
            status = EXIT_FAULTS
        else:
            print("\n".join(([""] if shown else []) + lines), flush=True)
            shown = True
    return status
