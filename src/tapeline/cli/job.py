"""The commands that do one job of the workflow, as its shell lines call them."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from tapeline.cli.argument_types import from_one
from tapeline.cli.no_data_frames import NoDataFrames
from tapeline.cli.statuses import EXIT_FAILED, EXIT_FAULTS, EXIT_LEFT_OUT
from tapeline.store.file_records import NotAsWrittenError, doubt_written
from tapeline.unwritable import CLOSED, FULL, sentence, tell


def add_commands(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """A command for each job of the workflow."""
    from tapeline.jobs import JOBS

    for job in JOBS.values():
        parser = commands.add_parser(job.name, help=f"job: {job.does}")
        if job.per != "campaign":
            kind = job.per.removeprefix("measured ")
            parser.add_argument("key", metavar=kind.upper(), help=f"the {kind}'s name")
        parser.add_argument("--campaign", type=Path, default=Path(), help="campaign folder (default: this one)")
        if job.most_threads > 1:
            parser.add_argument(
                "--threads", type=from_one, default=1, help="cores to spread the work over (default: 1)"
            )
        parser.set_defaults(action=one_job, job=job.name)
        if job.name == "report":
            _paper_arguments(parser)


def one_job(options: argparse.Namespace) -> int:
    """One job of the workflow, as its shell line calls it."""
    from tapeline.at_work import job_at_work
    from tapeline.campaign.load import load_campaign
    from tapeline.campaign.plan import Plan
    from tapeline.jobs import JOBS

    # The report prints the warnings that checking the campaign's files gives.
    plan = Plan(load_campaign(options.campaign, check=options.job == "report"))
    job, key = JOBS[options.job], getattr(options, "key", "")
    if key not in job.keys(plan):
        known = ", ".join(job.keys(plan))
        print(f"tapeline {options.job}: {key!r} is not among the campaign's used: {known}", file=sys.stderr)
        return EXIT_FAULTS
    sys.meta_path.insert(0, NoDataFrames())
    try:
        with job_at_work(plan.campaign.root, " ".join(filter(None, (options.job, key)))):
            job.run(plan, key, threads=getattr(options, "threads", 1))
    except FileNotFoundError as error:
        print(
            f"tapeline {options.job}: {error.filename or error} is not there: do the job before it first",
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
        tell(f"tapeline {options.job}: {sentence(error, plan.results)}", on_terminal=True)
        return EXIT_FAILED
    except Exception as error:
        if type(error).__name__ != "FaultyRecordingError":
            raise
        print(f"tapeline {options.job}: {error}", file=sys.stderr)
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
