"""`tapeline datasheet`: print a sensor's electronic data sheet."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from tapeline.cli.statuses import EXIT_FAULTS

NAME = "datasheet"
HELP = "print a sensor's electronic data sheet (IEEE 1451.4)"


def add_command(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Declare the command with its arguments."""
    parser = commands.add_parser(
        NAME,
        help=HELP,
        description="Prints what a sensor's electronic data sheet (IEEE 1451.4) says, as far as its layout is public.",
        epilog="Example: tapeline datasheet sheets/s01.bin",
    )
    parser.add_argument("files", type=Path, nargs="+", metavar="FILE", help="binary data sheets of 8 or 40 bytes")
    parser.set_defaults(action=_datasheet)


def _datasheet(options: argparse.Namespace) -> int:
    from tapeline.calibration.data_sheet import DataSheetError, read_data_sheet

    status = 0
    for path in options.files:
        try:
            lines = read_data_sheet(path).lines()
        except FileNotFoundError:
            print(f"{path}: no such file", file=sys.stderr)
            status = EXIT_FAULTS
        except OSError as error:
            print(f"{path}: cannot be read: {error.strerror}", file=sys.stderr)
            status = EXIT_FAULTS
        except DataSheetError as error:
            print(f"{path}: {error}", file=sys.stderr)
            status = EXIT_FAULTS
        else:
            print("\n".join([str(path), *lines]))
    return status
