"""`tapeline sensors`: each sensor's sensitivity over the sessions of several campaigns."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from tapeline.cli.statuses import EXIT_FAILED, EXIT_FAULTS

NAME = "sensors"
HELP = "each sensor's sensitivity over several campaigns: control charts, steps, trends"


def add_command(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Declare the command with its arguments."""
    parser = commands.add_parser(
        NAME,
        help=HELP,
        description="Control charts of each sensor's sensitivity over all sessions of the campaigns given, from their "
        "finished tables; writes one figure a sensor and history.csv, and prints steps, trends and the shifts that all "
        "sensors have in common. A sensor name in two campaigns is taken as the same sensor.",
        epilog="Example: tapeline sensors van-2025 van-2026 --to sensors",
    )
    parser.add_argument("campaigns", type=Path, nargs="+", metavar="CAMPAIGN", help="campaign folders with results")
    parser.add_argument(
        "--to", type=Path, default=Path("sensors"), metavar="FOLDER", help="where to write (default: sensors)"
    )
    parser.set_defaults(action=_sensors)


def _sensors(options: argparse.Namespace) -> int:
    from tapeline.report.sensor_checks import NoHistoryError, checks_in_time, read_campaigns

    try:
        campaigns, notes = read_campaigns(options.campaigns)
    except NoHistoryError as error:
        print(error, file=sys.stderr)
        return EXIT_FAULTS
    for note in notes:
        print(f"note: {note}", file=sys.stderr)
    from tapeline.report.figures_history import write_figures
    from tapeline.report.history_text import CSV_FILE, history_text, write_csv
    from tapeline.report.sensor_history import sensor_history
    from tapeline.report.wording import counted

    history = sensor_history(checks_in_time(campaigns))
    if not history.series:
        print("no sensors in the calibration tables of these campaigns: there is no history to draw", file=sys.stderr)
        return EXIT_FAULTS
    try:
        figures = write_figures(history, options.to)
        write_csv(history, options.to / CSV_FILE)
    except OSError as error:
        print(f"{options.to}: cannot be written ({error.strerror}); name another folder with --to", file=sys.stderr)
        return EXIT_FAILED
    print(history_text(history))
    print(f"\nfigures  {options.to} ({counted(len(figures), 'sensor')})\ntable    {options.to / CSV_FILE}")
    return 0
