"""`tapeline export`: finished results as wide files for spreadsheets."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from tapeline.cli.command_parser import campaign_argument
from tapeline.cli.readable_path import readable
from tapeline.cli.statuses import EXIT_FAULTS, print_found

NAME = "export"
HELP = "levels by condition, differences and gains as CSV files for spreadsheets"
POINT, COMMA = "point", "comma"


def add_command(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Declare the command with its arguments."""
    parser = commands.add_parser(
        NAME,
        help=HELP,
        description="Writes levels.csv (a column a condition and speed), differences.csv and gains.csv from finished "
        "results. A bound is text in a column of its own, as in '<= 61.2'; what is not usable is an empty cell. "
        f"Status {EXIT_FAULTS}: there are no results that can be read.",
        epilog="Example: tapeline export my-campaign --to spreadsheets",
    )
    campaign_argument(parser, "campaign folder or results folder (default: this one)")
    parser.add_argument(
        "--to", type=Path, default=Path("spreadsheets"), metavar="FOLDER", help="where to write (default: spreadsheets)"
    )
    parser.add_argument(
        "--decimal",
        choices=(POINT, COMMA),
        default=POINT,
        help="what stands before the decimals; with a comma, semicolons separate the cells (default: point)",
    )
    parser.set_defaults(action=_export)


def _export(options: argparse.Namespace) -> int:
    from tapeline.analysis.results_folders import ResultsError, open_folders
    from tapeline.analysis.spreadsheets import write_spreadsheets

    try:
        folders = open_folders(options.campaign)
        written = write_spreadsheets(folders, options.to, decimal_comma=options.decimal == COMMA)
    except ResultsError as error:
        print(f"tapeline {NAME}: {error}", file=sys.stderr)
        return EXIT_FAULTS
    except OSError as error:
        said = error.strerror or str(error)
        print(
            f"tapeline {NAME}: {options.to}: cannot be written ({said}); name another folder with --to", file=sys.stderr
        )
        return EXIT_FAULTS
    print_found("\n".join(f"{readable(path)}  {rows} rows" for path, rows in written))
    return 0
