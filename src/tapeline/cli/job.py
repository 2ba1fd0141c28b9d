"""The commands that do one job of the workflow, as its shell lines call them."""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tapeline.campaign.faults import did_you_mean, listed, quoted
from tapeline.cli.command_parser import campaign_argument
from tapeline.cli.statuses import EXIT_FAILED, EXIT_FAULTS, EXIT_LEFT_OUT
from tapeline.quality.reasons import REASONS
from tapeline.step_events import tell_run
from tapeline.store.file_records import NotAsWrittenError, doubt_written
from tapeline.unwritable import CLOSED, FULL, sentence, tell

if TYPE_CHECKING:
    from tapeline.campaign.plan import Plan


def add_commands(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> tuple[str, ...]:
    """A command for each job of the workflow, and one for its steps; the names of the former."""
    from tapeline.jobs import JOBS
    from tapeline.jobs.steps import STEPS

    for job in JOBS.values():
        one = "" if job.per == "campaign" else f" of one {job.per}"
        key = {"campaign": "", "run": " a05"}.get(job.per, " april")
        # What has no such words is not completed by shells.
        shown: dict[str, Any] = (
            {"help": "write the report's page again, or print it on paper"} if job.name == "report" else {}
        )
        parser = commands.add_parser(
            job.name,
            **shown,
            description=f"Does one job{one} by hand, whether or not it is due: {job.does}. `tapeline run` does it "
            "where it is due.",
            epilog=f"Example: tapeline {job.name}{key} my-campaign",
        )
        if job.per != "campaign":
            kind = job.per.removeprefix("measured ")
            parser.add_argument("key", metavar=kind.upper(), help=f"the {kind}'s name")
        campaign_argument(parser)
        parser.set_defaults(action=one_job, job=job.name)
        if job.name == "report":
            _paper_arguments(parser)
    parser = commands.add_parser(
        "step",
        description="Does a step of the workflow: of some jobs those that are due, in one process. Steps: "
        + "; ".join(f"{one.name}: {one.does}" for one in STEPS.values())
        + ".",
        epilog="Example: tapeline step tables april --campaign my-campaign",
    )
    parser.add_argument("step", metavar="STEP", choices=tuple(STEPS), help=", ".join(STEPS))
    parser.add_argument("key", metavar="NAME", nargs="?", default="", help="a session's name, or of spectra a batch's")
    # No argument: it would be taken for the name.
    parser.add_argument("--campaign", type=Path, default=Path(), help="campaign folder (default: this one)")
    parser.set_defaults(action=one_step)
    return tuple(JOBS)


def one_job(options: argparse.Namespace) -> int:
    """One job of the workflow, whether or not it is due."""
    from tapeline.jobs import JOBS
    from tapeline.jobs.due_tasks import do
    from tapeline.jobs.tasks import task_of

    plan, job, key = _plan(options, options.job), JOBS[options.job], getattr(options, "key", "")
    doing = _Doing(options.job, options.job, key, f"{options.job} {key}".rstrip())

    def work() -> None:
        do(plan, task_of(plan, job, key))
        doing.task_done(job.name, key, was_due=True)

    return _done(doing, plan, job.keys(plan), work)


def one_step(options: argparse.Namespace) -> int:
    """One step of the workflow, as its shell line calls it."""
    from tapeline.jobs.due_tasks import do_step
    from tapeline.jobs.steps import STEPS

    plan, step = _plan(options, options.step), STEPS[options.step]
    doing = _Doing(f"step {step.name}", step.name, options.key)

    def work() -> None:
        names = [task.name for task in step.tasks(plan, options.key)]
        doing.at = names[0] if names else ""
        for number, (task, was_due) in enumerate(do_step(plan, step, options.key), 1):
            said = "done" if was_due else "its results fit, nothing to do"
            print(f"{task.name}: {said}", flush=True)
            doing.task_done(task.job.name, task.key, was_due=was_due)
            doing.at = names[number] if number < len(names) else ""

    return _done(doing, plan, tuple(step.keys(plan)), work)


class _Doing:
    """What a process does: as it was called, the step and its key, and the task that it is `at`."""

    def __init__(self, called: str, step: str, key: str, at: str = "") -> None:
        self.called, self.step, self.key, self.at = called, step, key, at
        self._since = time.monotonic()

    @property
    def name(self) -> str:
        return f"{self.called} {self.key}".rstrip()

    def tell(self, event: str, **values: object) -> bool:
        """Tell the run, where one listens, what becomes of the step."""
        return tell_run(event, step=self.step, key=self.key, **values)

    def task_done(self, job: str, key: str, *, was_due: bool) -> None:
        seconds, self._since = time.monotonic() - self._since, time.monotonic()
        self.tell("task", job=job, job_key=key, due=was_due, seconds=round(seconds, 3))

    def failed(self, reason: str) -> bool:
        """Tell the run why the step failed; whether one listens."""
        return self.tell("failed", task=self.at, reason=reason)


def _plan(options: argparse.Namespace, name: str) -> Plan:
    from tapeline.campaign.load import load_campaign
    from tapeline.campaign.plan import Plan

    # The report prints the warnings that checking the campaign's files gives.
    return Plan(load_campaign(options.campaign, check=name in ("report", "findings")))


def _done(doing: _Doing, plan: Plan, known: Sequence[str], work: Callable[[], None]) -> int:
    """The exit status of some work on a campaign; the run that started it is told of the end, and of a failure why."""
    if doing.key not in known:
        print(f"tapeline {doing.called}: {_unknown(doing.key, known)}", file=sys.stderr)
        return EXIT_FAULTS
    doing.tell("started")
    status = _worked(doing, plan, work)
    doing.tell("ended", status=status)
    return status


def _unknown(key: str, known: Sequence[str]) -> str:
    if not key:
        return f"found no name, expected one of {listed(known, 8)}"
    hint = did_you_mean(key, known)
    return f"found {quoted(key)}, expected one of {listed(known, 8)}" + (f"; {hint}" if hint else "")


def _worked(doing: _Doing, plan: Plan, work: Callable[[], None]) -> int:
    from tapeline.at_work import job_at_work

    try:
        with job_at_work(plan.campaign.root, doing.name):
            work()
    except FileNotFoundError as error:
        reason = f"{error.filename or error} is not there: run `tapeline run`, which makes what this needs"
        doing.failed(reason)
        print(f"tapeline {doing.called}: {reason}", file=sys.stderr)
        return EXIT_FAILED
    except NotAsWrittenError as error:
        # Else the next run would take its unchanged times for proof.
        doubt_written(error.path)
        doing.failed(f"{error}: `tapeline run` makes it again")
        raise
    except OSError as error:
        reason = sentence(error, plan.results)
        if error.errno not in FULL | CLOSED:
            doing.failed(reason)
            raise
        heard = doing.failed(reason)
        tell(f"tapeline {doing.called}: {reason}", on_terminal=not heard)
        return EXIT_FAILED
    except Exception as error:
        if type(error).__name__ != "FaultyRecordingError":
            doing.failed(f"an error in tapeline itself ({type(error).__name__}: {error}): report it with the log")
            raise
        code = getattr(error.__cause__, "code", "")
        mend = f"{REASONS[code].action}, or run" if code in REASONS else "run"
        reason = f"{error}, expected a whole recording; {mend} without --strict to leave it out"
        doing.failed(reason)
        print(f"tapeline {doing.called}: {reason}", file=sys.stderr)
        return EXIT_LEFT_OUT
    return 0


def _paper_arguments(report: argparse.ArgumentParser) -> None:
    from tapeline.report.paper import PAPERS

    report.epilog = "Example: tapeline report my-campaign --format pdf --paper Letter"
    report.description = (
        "Writes report.html and the figures from the finished tables; with --format pdf also report.pdf, printed by "
        "the Chromium of this machine from the report.html that is there (made before where it is missing or older "
        "than the tables). The PDF holds the time of printing: its bytes differ."
    )
    report.add_argument("--format", choices=("html", "pdf"), default="html", help="what to write (default: html)")
    report.add_argument("--paper", choices=PAPERS, help="paper of the PDF (default: A4)")
    report.add_argument("--browser", metavar="PATH", help="Chromium to print with (default: the one on PATH)")
    report.set_defaults(action=_report)


def _report(options: argparse.Namespace) -> int:
    """The job, and its page on paper where that is asked for."""
    if options.format == "html":
        if options.paper or options.browser:
            print("tapeline report: --paper and --browser are for --format pdf", file=sys.stderr)
            return EXIT_FAULTS
        return one_job(options)
    from tapeline.campaign.load import load_campaign
    from tapeline.report.paper import NoBrowserError, PrintingError, found_browser, print_page

    results = load_campaign(options.campaign, check=False).results
    page, manifest, destination = (results / name for name in ("report.html", "manifest.json", "report.pdf"))
    try:
        browser = found_browser(options.browser)
        newest = manifest.stat().st_mtime if manifest.is_file() else float("inf")
        status = 0 if page.is_file() and page.stat().st_mtime >= newest else one_job(options)
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
