"""`tapeline compare-results`: say which results moved between two results folders."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from tapeline.cli.argument_types import file_to_write, from_one, not_negative
from tapeline.cli.statuses import EXIT_FAULTS, EXIT_MOVED, not_written, print_found

NAME = "compare-results"
HELP = "which results moved between two results folders, by how much and why"


def add_command(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Declare the command with its arguments."""
    parser = commands.add_parser(
        NAME,
        help=HELP,
        description="Compares the tables of two results folders row by row, by their keys, and what their manifests "
        f"say of settings, inputs and versions. Status {EXIT_MOVED}: something moved; 0: nothing did; "
        f"{EXIT_FAULTS}: they cannot be compared.",
        epilog="Example: tapeline compare-results earlier-results my-campaign --within 0.05",
    )
    parser.add_argument("old", type=Path, metavar="OLD", help="earlier results folder, or campaign folder with results")
    parser.add_argument("new", type=Path, metavar="NEW", help="results folder, or campaign folder with results")
    parser.add_argument(
        "--within",
        type=not_negative,
        default=0.0,
        metavar="DB",
        help="changes of levels up to this many dB do not count, nor do p-values and degrees of freedom; other numbers "
        "may move by the share that an amplitude moves by in so many dB (default 0: every change counts)",
    )
    parser.add_argument(
        "--within-share",
        type=not_negative,
        metavar="SHARE",
        help="numbers that are no levels (exponents, frequencies, times) may move by this share of themselves instead, "
        "0.02 for 2 %%; counts, ranks and words may not move",
    )
    parser.add_argument("--rows", type=from_one, default=10, help="most lines a table (default: 10)")
    parser.add_argument("--csv", type=file_to_write, metavar="FILE", help="write every changed cell to this file")
    parser.set_defaults(action=_compare_results)


def _compare_results(options: argparse.Namespace) -> int:
    from contextlib import nullcontext

    from tapeline.changes.causes import differences
    from tapeline.changes.changes_text import changes_text
    from tapeline.changes.comparing import compare_results
    from tapeline.changes.results_folder import CannotCompareError, open_results
    from tapeline.changes.scales import Tolerance
    from tapeline.changes.table_changes import writing_changes

    tolerance = Tolerance(options.within, options.within_share)
    try:
        old, new = open_results(options.old), open_results(options.new)
        with writing_changes(options.csv) if options.csv else nullcontext() as sink:
            tables = compare_results(old, new, tolerance, sink)
    except CannotCompareError as error:
        print(f"tapeline {NAME}: {error}", file=sys.stderr)
        return EXIT_FAULTS
    except OSError as error:
        return not_written(NAME, options.csv, error)
    print_found(changes_text(old, new, differences(old.manifest, new.manifest), tables, tolerance, options.rows))
    return EXIT_MOVED if any(table.moved for table in tables) else 0
