"""The `tapeline` command: run a campaign, check it, or make one of its steps by hand."""

from __future__ import annotations

import argparse
import importlib
import os
import shutil
import sys
from collections.abc import Sequence
from pathlib import Path

from tapeline import __version__
from tapeline.campaign.faults import CampaignFaults

SESSION_STEPS = {
    "calibrate": "find and measure the calibrator tones of a session",
    "sensitivity": "decide the sensitivities of a session",
    "verdicts": "judge a session's channels beside each other and take overrides into account",
    "tables": "subtract backgrounds and write a session's tables",
}
RUN_STEPS = {
    "pressure": "turn one recording into pascal and judge its channels",
    "spectra": "average the spectra of one recording",
}
CAMPAIGN_STEPS = {
    "catalogue": "write the tables of runs, positions, checks, calibration and quality",
    "compare": "compare conditions and rank what to work on",
    "manifest": "write down what made each table",
    "report": "write the page that circulates",
}

EXIT_FAILED, EXIT_FAULTS, EXIT_LEFT_OUT = 1, 2, 3
"""Exit statuses: a job failed; the campaign's files hold faults and nothing ran; done, but recordings were left out."""


def main(arguments: Sequence[str] | None = None) -> int:
    """Entry point; returns the exit status."""
    options = _parser().parse_args(arguments)
    try:
        return int(options.action(options))
    except CampaignFaults as faults:
        print(faults, file=sys.stderr)
        return EXIT_FAULTS
    except BrokenPipeError:
        return EXIT_FAILED


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="tapeline", description=__doc__)
    parser.add_argument("--version", action="version", version=f"tapeline {__version__}")
    commands = parser.add_subparsers(title="commands", required=True, metavar="COMMAND")
    run = commands.add_parser("run", help="compute all that is missing or out of date of a campaign")
    run.add_argument("campaign", type=Path, nargs="?", default=Path(), help="campaign folder (default: this one)")
    run.add_argument("--cores", default="all", help="cores to use (default: all)")
    run.add_argument("--strict", action="store_true", help="stop at the first faulty recording")
    run.add_argument("--dry-run", "-n", action="store_true", help="say what would be computed, compute nothing")
    run.add_argument("more", nargs="*", help="more arguments for the workflow manager, after --")
    run.set_defaults(action=_run)
    check = commands.add_parser("check", help="look for faults in a campaign's files, compute nothing")
    check.add_argument("campaign", type=Path, nargs="?", default=Path(), help="campaign folder (default: this one)")
    check.set_defaults(action=_check)
    summary = commands.add_parser("summary", help="print the main findings and where the results are")
    summary.add_argument("campaign", type=Path, nargs="?", default=Path(), help="campaign folder (default: this one)")
    summary.set_defaults(action=_summary)
    sheet = commands.add_parser("datasheet", help="print a sensor's electronic data sheet (IEEE 1451.4)")
    sheet.add_argument("files", type=Path, nargs="+", metavar="FILE", help="binary data sheets of 8 or 40 bytes")
    sheet.set_defaults(action=_datasheet)
    inspect = commands.add_parser("inspect", help="print what recordings hold, without a campaign")
    inspect.add_argument("files", type=Path, nargs="+", metavar="FILE", help="recordings that describe themselves")
    inspect.set_defaults(action=_inspect)
    _look_parser(commands)
    _history_parser(commands)
    for names, key in ((SESSION_STEPS, "session"), (RUN_STEPS, "run"), (CAMPAIGN_STEPS, None)):
        for name, text in names.items():
            step = commands.add_parser(name, help=f"step: {text}")
            if key:
                step.add_argument("key", metavar=key.upper(), help=f"the {key}'s name")
            step.add_argument("--campaign", type=Path, default=Path(), help="campaign folder (default: this one)")
            step.set_defaults(action=_step, step=name)
    return parser


def _history_parser(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    history = commands.add_parser(
        "history",
        help="draw each sensor's sensitivity over the sessions of several campaigns",
        description="Control charts of each sensor's sensitivity over all sessions of the campaigns given, from their "
        "finished tables; writes one figure a sensor and history.csv, and prints steps, trends and the shifts that all "
        "sensors have in common. A sensor name in two campaigns is taken as the same sensor.",
    )
    history.add_argument("campaigns", type=Path, nargs="+", metavar="CAMPAIGN", help="campaign folders with results")
    history.add_argument(
        "--to", type=Path, default=Path("history"), metavar="FOLDER", help="where to write (default: history)"
    )
    history.set_defaults(action=_history)


def _look_parser(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    look = commands.add_parser(
        "look",
        help="verdicts and levels of recordings just made, without the rest of the campaign",
        description="Looks at recordings in the test hall: overload, dropouts, hum, loose contacts and levels of every "
        "channel, within seconds. With --campaign the fittings and sensitivities of the session are used. Status 3: a "
        "channel is unusable.",
    )
    look.add_argument("recordings", type=Path, nargs="+", metavar="RECORDING", help="files just recorded")
    look.add_argument("--campaign", type=Path, help="campaign folder with the fittings and sensors")
    look.add_argument("--session", help="session of a recording that is in no row of the run table yet")
    look.add_argument("--format", help="name in the campaign's raw_formats, for recordings without a header")
    look.set_defaults(action=_look)


class NoDataFrames:
    """Lets the import of pandas fail, for jobs: the table library loads it at its first conversion where it can.

    That takes 50 MB and a third of a second, and no step has a use for it.
    """

    def find_spec(self, name: str, path: object = None, target: object = None) -> None:
        """Refuse one name, know no other; see importlib.abc.MetaPathFinder."""
        if name == "pandas":
            raise ModuleNotFoundError("no step uses pandas", name=name)


def _step(options: argparse.Namespace) -> int:
    """One job of the workflow, as its shell line calls it."""
    from tapeline.campaign.load import load_campaign
    from tapeline.campaign.plan import Plan

    plan = Plan(load_campaign(options.campaign, check=False))
    key = getattr(options, "key", None)
    if key is not None and key not in (plan.sessions if options.step in SESSION_STEPS else plan.recordings):
        known = ", ".join(plan.sessions if options.step in SESSION_STEPS else plan.recordings)
        print(f"tapeline {options.step}: {key!r} is not among the campaign's used: {known}", file=sys.stderr)
        return EXIT_FAULTS
    sys.meta_path.insert(0, NoDataFrames())
    module = importlib.import_module(f"tapeline.steps.{options.step}")
    try:
        module.run(plan, *(() if key is None else (key,)))
    except FileNotFoundError as error:
        print(f"tapeline {options.step}: {error.filename} is not there: make the step before first", file=sys.stderr)
        return EXIT_FAILED
    except Exception as error:
        if type(error).__name__ != "FaultyRecordingError":
            raise
        print(f"tapeline {options.step}: {error}", file=sys.stderr)
        return EXIT_LEFT_OUT
    return 0


def _check(options: argparse.Namespace) -> int:
    from tapeline.campaign.load import load_campaign
    from tapeline.campaign.plan import Plan
    from tapeline.recordings.opening import channel_count

    campaign = load_campaign(options.campaign, channel_count)
    for warning in campaign.warnings:
        print(f"warning: {warning}", file=sys.stderr)
    plan = Plan(campaign)
    print(f"campaign {campaign.settings.campaign}: no faults; {len(plan.recordings)} recordings to measure, ", end="")
    print(f"{len(plan.sessions)} sessions, {len(campaign.settings.comparisons)} comparisons")
    return 0


def _run(options: argparse.Namespace) -> int:
    _check(options)
    root = options.campaign.resolve()
    from tapeline import workflow

    if options.strict:
        os.environ["TAPELINE_STRICT"] = "1"
    try:
        status = workflow.run(root, cores=options.cores, dry_run=options.dry_run, more=options.more)
    except workflow.BusyError as busy:
        print(busy, file=sys.stderr)
        return EXIT_FAILED
    if status or options.dry_run:
        return EXIT_FAILED if status else 0
    return _summary(options)


def _summary(options: argparse.Namespace) -> int:
    from tapeline.campaign.load import load_campaign
    from tapeline.report.summary import left_out, summary_text

    campaign = load_campaign(options.campaign, check=False)
    if not (campaign.results / "tables" / "runs.parquet").is_file():
        print(f"no results in {campaign.results}: run `tapeline run` first", file=sys.stderr)
        return EXIT_FAILED
    print(summary_text(campaign))
    return EXIT_LEFT_OUT if left_out(campaign.results) else 0


def _datasheet(options: argparse.Namespace) -> int:
    from tapeline.calibration.data_sheet import DataSheetError, decode

    status = 0
    for path in options.files:
        try:
            lines = decode(path.read_bytes()).lines()
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


def _look(options: argparse.Namespace) -> int:
    from tapeline.campaign.load import load_campaign
    from tapeline.recordings.recording import RecordingError
    from tapeline.steps.look import LookError, look

    campaign = load_campaign(options.campaign, check=False) if options.campaign else None
    status = 0
    for number, path in enumerate(options.recordings):
        try:
            seen = look(path, campaign, options.session, options.format)
        except (RecordingError, LookError) as error:
            code = f"{error.code}: " if isinstance(error, RecordingError) else ""
            print(f"tapeline look: {code}{error}", file=sys.stderr)
            status = EXIT_FAULTS
            continue
        print("\n".join(([""] if number else []) + seen.lines()), flush=True)
        if seen.worst == "unusable":
            status = status or EXIT_LEFT_OUT
    return status


def _history(options: argparse.Namespace) -> int:
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
    print(f"\nfigures  {options.to} ({len(figures)} sensors)\ntable    {options.to / CSV_FILE}")
    return 0
