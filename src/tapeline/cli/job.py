"""The commands that do one job of the workflow, as its shell lines call them."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from tapeline.cli.argument_types import from_one
from tapeline.cli.statuses import EXIT_FAILED, EXIT_FAULTS, EXIT_LEFT_OUT
from tapeline.store.file_records import NotAsWrittenError, doubt_written
from tapeline.unwritable import CLOSED, FULL, sentence, tell

if TYPE_CHECKING:
    from tapeline.campaign.plan import Plan


def add_commands(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """A command for each job of the workflow, and one for its steps."""
    from tapeline.jobs import JOBS
    from tapeline.jobs.steps import STEPS

    for job in JOBS.values():
        parser = commands.add_parser(job.name, help=f"job: {job.does}")
        if job.per != "campaign":
            kind = job.per.removeprefix("measured ")
            parser.add_argument("key", metavar=kind.upper(), help=f"the {kind}'s name")
        parser.add_argument("--campaign", type=Path, default=Path(), help="campaign folder (default: this one)")
        if job.most_threads > 1:
            _threads_argument(parser)
        parser.set_defaults(action=one_job, job=job.name, threads=1)
        if job.name == "report":
            _paper_arguments(parser)
    parser = commands.add_parser("step", help="a step of the workflow: of some jobs those that are due")
    parser.add_argument(
        "step", choices=tuple(STEPS), help="; ".join(f"{one.name}: {one.does}" for one in STEPS.values())
    )
    parser.add_argument("key", nargs="?", default="", help="a session's name, or of spectra a batch's")
    parser.add_argument("--campaign", type=Path, default=Path(), help="campaign folder (default: this one)")
    _threads_argument(parser)
    parser.set_defaults(action=one_step)


def _threads_argument(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--threads", type=from_one, default=1, help="cores to spread the work over (default: 1)")


def one_job(options: argparse.Namespace) -> int:
    """One job of the workflow, whether or not it is due."""
    from tapeline.jobs import JOBS
    from tapeline.jobs.due_tasks import do
    from tapeline.jobs.tasks import task_of

    plan, job, key = _plan(options, options.job), JOBS[options.job], getattr(options, "key", "")
    return _done(options.job, plan, key, job.keys(plan), lambda: do(plan, task_of(plan, job, key), options.threads))


def one_step(options: argparse.Namespace) -> int:
    """One step of the workflow, as its shell line calls it."""
    from tapeline.jobs.due_tasks import do_step
    from tapeline.jobs.steps import STEPS

    plan, step = _plan(options, options.step), STEPS[options.step]

    def work() -> None:
        for task, was_due in do_step(plan, step, options.key, options.threads):
            said = "done" if was_due else "its results fit, nothing to do"
            print(f"{task.name}: {said}", flush=True)

    return _done(f"step {step.name}", plan, options.key, tuple(step.keys(plan)), work)


def _plan(options: argparse.Namespace, name: str) -> Plan:
    from tapeline.campaign.load import load_campaign
    from tapeline.campaign.plan import Plan

    # The report prints the warnings that checking the campaign's files gives.
    return Plan(load_campaign(options.campaign, check=name in ("report", "findings")))


def _done(name: str, plan: Plan, key: str, known: Sequence[str], work: Callable[[], None]) -> int:
    """The exit status of some work on a campaign."""
    from tapeline.at_work import job_at_work

    if key not in known:
        print(f"tapeline {name}: {key!r} is not among the campaign's used: {', '.join(known)}", file=sys.stderr)
        return EXIT_FAULTS
    try:
        with job_at_work(plan.campaign.root, f"{name} {key}".rstrip()):
            work()
    except FileNotFoundError as error:
        missing = error.filename or error
        print(f"tapeline {name}: {missing} is not there: do the job before it first", file=sys.stderr)
        return EXIT_FAILED
    except NotAsWrittenError as error:
        # Else the next run would take its unchanged times for proof.
        doubt_written(error.path)
        raise
    except OSError as error:
        if error.errno not in FULL | CLOSED:
            raise
        tell(f"tapeline {name}: {sentence(error, plan.results)}", on_terminal=True)
        return EXIT_FAILED
    except Exception as error:
        if type(error).__name__ != "FaultyRecordingError":
            raise
        print(f"tapeline {name}: {error}", file=sys.stderr)
        return EXIT_LEFT_OUT
    return 0


def _paper_arguments(report: argparse.ArgumentParser) -> None:
    from tapeline.report.paper import PAPERS

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
