"""The `tapeline` command: run a campaign, check it, or make one of its steps by hand."""

from __future__ import annotations

import argparse
import os
import re
import shutil
import sys
from collections.abc import Sequence
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING

from tapeline import __version__
from tapeline.campaign.faults import CampaignFaults, in_order
from tapeline.stopping import Stopped, caught, raise_stopped
from tapeline.store.file_records import NotAsWrittenError, doubt_written
from tapeline.unwritable import CLOSED, FULL, closed, sentence, tell, unwritable

if TYPE_CHECKING:
    from tapeline.jobs.stale_results import Misfit

ONE_THREAD = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS")
"""The workflow spreads jobs over the cores: threads of the linear algebra would only stand in each other's way, and
sums in another order give other bytes. What the environment sets already is left as it is."""

EXIT_FAILED, EXIT_FAULTS, EXIT_LEFT_OUT, EXIT_MOVED = 1, 2, 3, 4
"""Exit statuses: a job failed; the campaign's files hold faults and nothing ran; done, but recordings were left out;
results moved, or are not as they were written."""


def main(arguments: Sequence[str] | None = None) -> int:
    """Entry point; returns the exit status."""
    for name in ONE_THREAD:
        os.environ.setdefault(name, "1")
    given = list(sys.argv[1:] if arguments is None else arguments)
    # Not left to the parser, which takes what follows -- for its own where options stand before it.
    own, more = _parted(given) if given[:1] == ["run"] else (given, [])
    options = _parser().parse_args(own, argparse.Namespace(more=more))
    try:
        with caught(raise_stopped):
            return int(options.action(options))
    except Stopped as stopped:
        tell(f"tapeline {given[0]}: {stopped}")
        return stopped.status
    except CampaignFaults as faults:
        print(faults, file=sys.stderr)
        return EXIT_FAULTS
    except NotAsWrittenError as error:
        print(f"tapeline {given[0]}: {error}: `tapeline run` makes it again", file=sys.stderr)
        return EXIT_FAILED
    except BrokenPipeError:
        return EXIT_FAILED


def _parted(given: list[str]) -> tuple[list[str], list[str]]:
    """What stands before the first "--" and what stands behind it."""
    at = given.index("--") if "--" in given else len(given)
    return given[:at], given[at + 1 :]


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="tapeline", description=__doc__)
    parser.add_argument("--version", action="version", version=f"tapeline {__version__}")
    commands = parser.add_subparsers(title="commands", required=True, metavar="COMMAND")
    run = commands.add_parser(
        "run",
        help="compute all that is missing or out of date of a campaign",
        epilog="What follows -- goes to the workflow manager: tapeline run . --cores 1 -- --until compare",
    )
    run.add_argument("campaign", type=Path, nargs="?", default=Path(), help="campaign folder (default: this one)")
    run.add_argument("--cores", default="all", help="cores to use (default: all)")
    run.add_argument("--strict", action="store_true", help="stop at the first faulty recording")
    run.add_argument("--dry-run", "-n", action="store_true", help="say what would be computed, compute nothing")
    run.add_argument(
        "--check-recordings",
        action="store_true",
        help="read all recordings whole to see that they are those the results were made from, not only size and times",
    )
    run.set_defaults(action=_run)
    check = commands.add_parser("check", help="look for faults in a campaign's files, compute nothing")
    check.add_argument("campaign", type=Path, nargs="?", default=Path(), help="campaign folder (default: this one)")
    check.set_defaults(action=_check)
    verify = commands.add_parser(
        "verify",
        help="hold every file of results and every recording against what it was when it was written or read",
        description="Reads the whole content of all results, and of the recordings and sheets of a campaign, and says "
        f"what was changed or damaged and what to do. Status {EXIT_MOVED}: something does not fit; 0: all fits.",
    )
    verify.add_argument("folder", type=Path, metavar="DIR", help="campaign folder, or results folder alone")
    verify.set_defaults(action=_verify)
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
    _diff_parser(commands)
    _coverage_parser(commands)
    _job_parsers(commands)
    return parser


def _job_parsers(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """A command for each job of the workflow."""
    from tapeline.jobs import JOBS

    for job in JOBS.values():
        step = commands.add_parser(job.name, help=f"step: {job.does}")
        if job.per != "campaign":
            kind = job.per.removeprefix("measured ")
            step.add_argument("key", metavar=kind.upper(), help=f"the {kind}'s name")
        step.add_argument("--campaign", type=Path, default=Path(), help="campaign folder (default: this one)")
        step.set_defaults(action=_step, step=job.name)
        if job.name == "report":
            _paper_arguments(step)


def _paper_arguments(report: argparse.ArgumentParser) -> None:
    report.description = (
        "Writes report.html and the figures from the finished tables; with --format pdf also report.pdf, printed by "
        "the Chromium of this machine from the report.html that is there (made before where it is missing or older "
        "than the tables). The PDF holds the time of printing: its bytes differ."
    )
    report.add_argument("--format", choices=("html", "pdf"), default="html", help="what to write (default: html)")
    report.add_argument("--paper", choices=("A4", "Letter"), help="paper of the PDF (default: A4)")
    report.add_argument("--browser", metavar="PATH", help="Chromium to print with (default: the one on PATH)")
    report.set_defaults(action=_report)


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


def _diff_parser(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    diff = commands.add_parser(
        "diff",
        help="say which results moved between two results folders, by how much and why",
        description="Compares the tables of two results folders row by row, by their keys, and what their manifests "
        f"say of settings, inputs and versions. Status {EXIT_MOVED}: something moved; 0: nothing did; "
        f"{EXIT_FAULTS}: they cannot be compared.",
    )
    diff.add_argument("old", type=Path, metavar="OLD", help="results folder, or campaign folder with results")
    diff.add_argument("new", type=Path, metavar="NEW", help="results folder, or campaign folder with results")
    diff.add_argument(
        "--within",
        type=_not_negative,
        default=0.0,
        metavar="DB",
        help="changes of levels up to this many dB do not count, nor do p-values and degrees of freedom; other numbers "
        "may move by the share that an amplitude moves by in so many dB (default 0: every change counts)",
    )
    diff.add_argument(
        "--within-share",
        type=_not_negative,
        metavar="SHARE",
        help="numbers that are no levels (exponents, frequencies, times) may move by this share of themselves instead, "
        "0.02 for 2 %%; counts, ranks and words may not move",
    )
    diff.add_argument("--rows", type=_from_one, default=10, help="most lines a table (default: 10)")
    diff.add_argument("--csv", type=_file_to_write, metavar="FILE", help="write every changed cell to this file")
    diff.set_defaults(action=_diff)


def _coverage_parser(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    coverage = commands.add_parser(
        "coverage",
        help="say which runs there are by condition, operating point and position, and what they suffice to compare",
        description="Counts usable runs by condition, speed, yaw and position: of the run table before measuring, less "
        "what proved unusable once there are results. Says of each comparison which positions have repeats on both "
        "sides, and which runs would complete it.",
    )
    coverage.add_argument("campaign", type=Path, nargs="?", default=Path(), help="campaign folder (default: this one)")
    coverage.add_argument(
        "--csv", type=_file_to_write, metavar="FILE", help="write one row a condition, point and position"
    )
    coverage.set_defaults(action=_coverage)


def _not_negative(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = float("nan")
    if not 0.0 <= value < float("inf"):
        raise argparse.ArgumentTypeError(f"{text!r} found, a number from 0 expected, such as 0.05")
    return value


def _from_one(text: str) -> int:
    if not (text.isascii() and text.isdigit() and int(text)):
        raise argparse.ArgumentTypeError(f"{text!r} found, a whole number from 1 expected")
    return int(text)


def _file_to_write(text: str) -> Path:
    if not text:
        raise argparse.ArgumentTypeError("the name of a file expected, none found")
    if Path(text).is_dir():
        raise argparse.ArgumentTypeError(f"{text} is a folder, the name of a file expected, such as cells.csv")
    return Path(text)


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
    look.add_argument("--condition", help="condition of such a recording, to compare it with its repeats")
    look.add_argument("--speed-kmh", type=_not_negative, metavar="SPEED", help="set speed of such a recording")
    look.add_argument("--yaw-deg", type=float, default=0.0, metavar="YAW", help="set yaw of it (default: 0)")
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
    from tapeline.at_work import step_at_work
    from tapeline.campaign.load import load_campaign
    from tapeline.campaign.plan import Plan
    from tapeline.jobs import JOBS

    # The report prints the warnings that checking the campaign's files gives.
    plan = Plan(load_campaign(options.campaign, check=options.step == "report"))
    job, key = JOBS[options.step], getattr(options, "key", "")
    if key not in job.keys(plan):
        known = ", ".join(job.keys(plan))
        print(f"tapeline {options.step}: {key!r} is not among the campaign's used: {known}", file=sys.stderr)
        return EXIT_FAULTS
    sys.meta_path.insert(0, NoDataFrames())
    try:
        with step_at_work(plan.campaign.root, " ".join(filter(None, (options.step, key)))):
            job.run(plan, key)
    except FileNotFoundError as error:
        print(
            f"tapeline {options.step}: {error.filename or error} is not there: make the step before first",
            file=sys.stderr,
        )
        return EXIT_FAILED
    except NotAsWrittenError as error:
        # Else the next run would take its unchanged times for proof.
        doubt_written(error.path)
        raise
    except OSError as error:
        if error.errno not in FULL | CLOSED:
            raise
        tell(f"tapeline {options.step}: {sentence(error, plan.campaign.results)}", on_terminal=True)
        return EXIT_FAILED
    except Exception as error:
        if type(error).__name__ != "FaultyRecordingError":
            raise
        print(f"tapeline {options.step}: {error}", file=sys.stderr)
        return EXIT_LEFT_OUT
    return 0


def _report(options: argparse.Namespace) -> int:
    """The step, and its page on paper where that is asked for."""
    if options.format == "html":
        if options.paper or options.browser:
            print("tapeline report: --paper and --browser are for --format pdf", file=sys.stderr)
            return EXIT_FAULTS
        return _step(options)
    from tapeline.campaign.load import load_campaign
    from tapeline.report.paper import NoBrowserError, PrintingError, found_browser, print_page

    results = load_campaign(options.campaign, check=False).results
    page, manifest, destination = (results / name for name in ("report.html", "manifest.json", "report.pdf"))
    try:
        browser = found_browser(options.browser)
        newest = manifest.stat().st_mtime if manifest.is_file() else float("inf")
        status = 0 if page.is_file() and page.stat().st_mtime >= newest else _step(options)
        if status:
            return status
        print_page(page, destination, browser, options.paper or "A4")
    except NoBrowserError as error:
        print(f"tapeline report: {error}", file=sys.stderr)
        return EXIT_FAULTS if options.browser else EXIT_FAILED
    except PrintingError as error:
        print(f"tapeline report: {error}", file=sys.stderr)
        return EXIT_FAILED
    except OSError as error:
        print(f"tapeline report: {destination}: cannot be written ({error.strerror or error})", file=sys.stderr)
        return EXIT_FAILED
    print(f"report  {destination}")
    return 0


def _check(options: argparse.Namespace) -> int:
    from tapeline.campaign.load import load_campaign
    from tapeline.campaign.plan import Plan
    from tapeline.cli.recording_warnings import recording_warnings
    from tapeline.recordings.opening import channel_count
    from tapeline.report.wording import counted

    campaign = load_campaign(options.campaign, channel_count)
    for warning in in_order([*campaign.warnings, *recording_warnings(campaign)]):
        print(f"warning: {warning}", file=sys.stderr)
    plan = Plan(campaign)
    counts = [
        f"{counted(len(plan.recordings), 'recording')} to measure",
        counted(len(plan.sessions), "session"),
        counted(len(campaign.settings.comparisons), "comparison"),
    ]
    print(f"campaign {campaign.settings.campaign}: no faults; {', '.join(counts)}")
    return 0


def _run(options: argparse.Namespace) -> int:
    from tapeline.at_work import BusyError

    _check(options)
    if _told_unwritable(options):
        return EXIT_FAILED
    if options.strict:
        os.environ["TAPELINE_STRICT"] = "1"
    try:
        status = _managed(options, options.campaign.resolve())
    except BusyError as busy:
        print(f"tapeline run: {busy}", file=sys.stderr)
        return EXIT_FAILED
    if status:
        _told_unwritable(options)
        return EXIT_FAILED
    if options.dry_run:
        return 0
    # What the manager was told may have left some results as they were on purpose, or not made yet.
    if options.more:
        return _summary(options, partly=True)
    return EXIT_FAILED if _warned_of_others(options.campaign) else _summary(options)


def _told_unwritable(options: argparse.Namespace) -> bool:
    """Whether a folder that the run writes to takes nothing, which is said then."""
    found = _hindrance(options)
    if found:
        print(f"tapeline run: {found}", file=sys.stderr)
    return found is not None


def _hindrance(options: argparse.Namespace) -> str | None:
    """Why the run cannot work in the campaign's folder or write to one of its own; None where it can."""
    from tapeline.campaign.load import load_campaign
    from tapeline.campaign.plan import Plan
    from tapeline.jobs.tasks import folders, tasks

    place = options.campaign.resolve()
    if odd := [text for text in re.findall(r"\{([^{}]*)\}", str(place)) if not text.isidentifier()]:
        # The manager takes these for patterns with a name, and gives up on other signs in it.
        return f"{place}: the workflow manager cannot work in a folder called {{{odd[0]}}}: rename it"
    campaign = load_campaign(options.campaign, check=False)
    first = [campaign.root / ".snakemake", *([] if options.dry_run else [campaign.results])]
    found = next(filter(None, map(unwritable, first)), None)
    if not found and not options.dry_run:
        made = list(tasks(Plan(campaign)))
        files = (path for task in made for path in task.files if path.is_dir())
        taken = (f"{path}: is a folder, and a result is written there: move it away" for path in files)
        # One after the other, the upper ones first: what lies in a folder that nobody may enter cannot be looked at.
        found = next(filter(None, chain(map(closed, folders(campaign.results, made)), taken)), None)
    return found


def _managed(options: argparse.Namespace, root: Path) -> int:
    """The workflow manager's exit status; called again where it stopped because files went or proved damaged."""
    from tapeline.campaign.faults import listed
    from tapeline.campaign.load import load_campaign
    from tapeline.campaign.plan import Plan
    from tapeline.jobs.stale_results import misfits

    plan = Plan(load_campaign(options.campaign, check=False))
    there = frozenset(plan.all_source_files())
    found = misfits(plan, sources=options.check_recordings, keep=not options.dry_run)
    status = _made_again(options, root, found)
    # A manager that cannot write ends at once, with much to read and nothing to learn.
    if not status or options.dry_run or _hindrance(options):
        return status
    plan = Plan(load_campaign(options.campaign, check=False))
    known = {misfit.task for misfit in found}
    damaged = [misfit for misfit in misfits(plan) if misfit.task not in known and (misfit.changed or misfit.unknown)]
    gone = sorted(there - frozenset(plan.all_source_files()))
    if gone:
        verb = "went away or may no longer be read"
        print(f"tapeline run: {listed(gone, 4)} {verb}: the run goes on without", file=sys.stderr)
    return _made_again(options, root, damaged) if gone or damaged else status


def _made_again(options: argparse.Namespace, root: Path, found: Sequence[Misfit]) -> int:
    """The workflow manager's exit status, once it was said what does not fit and is made again."""
    from tapeline import workflow
    from tapeline.jobs.stale_results import forced, sentences

    for said in sentences(found):
        print(f"tapeline run: {said}", file=sys.stderr)
    return workflow.run(
        root, cores=options.cores, dry_run=options.dry_run, again=forced(found, options.campaign), more=options.more
    )


def _warned_of_others(folder: Path) -> bool:
    """Whether results that were just made are of other campaign files than those there are now, which is said then."""
    from tapeline.campaign.faults import listed
    from tapeline.campaign.load import load_campaign
    from tapeline.campaign.plan import Plan
    from tapeline.jobs.stale_results import made_otherwise

    others = made_otherwise(Plan(load_campaign(folder, check=False)))
    if others:
        print(
            f"tapeline run: {listed(others, 4)}: not made from the campaign's files as they are now, which changed "
            f"during the run: run `tapeline run {folder}` again",
            file=sys.stderr,
        )
    return bool(others)


def _verify(options: argparse.Namespace) -> int:
    from tapeline.cli.verifying import NoResultsError, verify
    from tapeline.report.wording import counted

    try:
        found = verify(options.folder)
    except NoResultsError as error:
        print(f"tapeline verify: {error}; run `tapeline run` on the campaign first", file=sys.stderr)
        return EXIT_FAULTS
    read = f", {counted(found.sources, 'recorded file')} as read" if found.sources else ""
    held = f"{options.folder}: {counted(found.results, 'file')} of results as written{read}"
    if not found.faults:
        _print_found(f"{held}; nothing is amiss")
        return 0
    _print_found("\n".join([*found.faults, f"{held}; {counted(len(found.faults), 'fault')}", found.again]))
    return EXIT_MOVED


def _summary(options: argparse.Namespace, *, partly: bool = False) -> int:
    """The findings; where they are not made yet, that is said: a fault unless the run was to make a part alone."""
    from tapeline.campaign.load import load_campaign
    from tapeline.report.summary import left_out, not_made, summary_text

    campaign = load_campaign(options.campaign, check=False)
    if missing := not_made(campaign.results):
        if partly:
            print(f"done as asked; no summary yet: {missing} is not made, `tapeline run` makes it")
            return EXIT_LEFT_OUT if left_out(campaign.results) else 0
        print(f"no summary: {missing} is not made, run `tapeline run` first", file=sys.stderr)
        return EXIT_FAILED
    print(summary_text(campaign))
    return EXIT_LEFT_OUT if left_out(campaign.results) else 0


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
    from tapeline.cli.look import LookError, look
    from tapeline.cli.look_repeats import Asked
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


def _diff(options: argparse.Namespace) -> int:
    from contextlib import nullcontext

    from tapeline.changes.causes import differences
    from tapeline.changes.changes_csv import writing_changes
    from tapeline.changes.changes_text import changes_text
    from tapeline.changes.comparing import compare_results
    from tapeline.changes.results_folder import CannotCompareError, open_results
    from tapeline.changes.scales import Tolerance

    sys.meta_path.insert(0, NoDataFrames())
    tolerance = Tolerance(options.within, options.within_share)
    try:
        old, new = open_results(options.old), open_results(options.new)
        with writing_changes(options.csv) if options.csv else nullcontext() as sink:
            tables = compare_results(old, new, tolerance, sink)
    except CannotCompareError as error:
        print(f"tapeline diff: {error}", file=sys.stderr)
        return EXIT_FAULTS
    except OSError as error:
        return _not_written("diff", options.csv, error)
    _print_found(changes_text(old, new, differences(old.manifest, new.manifest), tables, tolerance, options.rows))
    return EXIT_MOVED if any(table.moved for table in tables) else 0


def _coverage(options: argparse.Namespace) -> int:
    from tapeline.campaign.coverage import coverage
    from tapeline.campaign.load import load_campaign
    from tapeline.report.coverage_text import WIDTH, coverage_text, write_coverage
    from tapeline.report.usable_runs import read_measured

    campaign = load_campaign(options.campaign)
    sys.meta_path.insert(0, NoDataFrames())
    found = coverage(campaign, read_measured(campaign))
    if options.csv:
        try:
            write_coverage(found, options.csv)
        except OSError as error:
            return _not_written("coverage", options.csv, error)
    width = shutil.get_terminal_size((WIDTH, 24)).columns if sys.stdout.isatty() else WIDTH
    _print_found(coverage_text(found, width))
    return 0


def _not_written(command: str, path: Path, error: OSError) -> int:
    said = error.strerror or str(error)
    print(f"tapeline {command}: {path}: cannot be written ({said}); name another file with --csv", file=sys.stderr)
    return EXIT_FAULTS


def _print_found(text: str) -> None:
    """Print what was found; a reader who has seen enough and closed the pipe does not change the status."""
    try:
        print(text, flush=True)
    except BrokenPipeError:
        # What is still held back would raise once more when the interpreter ends.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
