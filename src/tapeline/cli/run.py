"""`tapeline run`: compute all that is missing or out of date of a campaign."""

from __future__ import annotations

import argparse
import os
import re
from collections import Counter
from collections.abc import Sequence, Set
from dataclasses import asdict
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING

from tapeline.campaign.faults import CampaignFaults
from tapeline.cli.argument_types import cores
from tapeline.cli.check import check
from tapeline.cli.command_parser import campaign_argument
from tapeline.cli.readable_path import readable
from tapeline.cli.run_lines import JsonLines, RunLines, TextLines
from tapeline.cli.statuses import EXIT_FAILED, EXIT_FAULTS
from tapeline.cli.summary import summary
from tapeline.stopping import Stopped
from tapeline.unwritable import closed, unwritable

if TYPE_CHECKING:
    from tapeline.campaign.plan import Plan
    from tapeline.cli.run_watch import RunWatch
    from tapeline.jobs.stale_results import Misfit
    from tapeline.jobs.tasks import Task

NAME = "run"
HELP = "compute all that is missing or out of date of a campaign"


def add_command(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Declare the command with its arguments."""
    parser = commands.add_parser(
        NAME,
        help=HELP,
        description="Computes what is missing or out of date. Says each run's verdict as it is there, faults at once, "
        "and the main findings at the end. What the steps and the workflow manager say is in logs/ of the results. "
        "Status 0: done; 1: a step failed; 2: the campaign's files hold faults; 3: done, recordings were left out.",
        epilog="Example: tapeline run my-campaign --cores 4. What follows -- goes to the workflow manager: "
        "tapeline run my-campaign -- --until tables",
    )
    campaign_argument(parser)
    parser.add_argument(
        "--cores", type=cores, default="all", metavar="NUMBER", help="cores to use, a number or all (default: all)"
    )
    parser.add_argument("--strict", action="store_true", help="stop at the first faulty recording")
    parser.add_argument("--dry-run", "-n", action="store_true", help="say what would be computed, compute nothing")
    parser.add_argument(
        "--check-recordings",
        action="store_true",
        help="read all recordings whole to see that they are those the results were made from, not only size and times",
    )
    parser.add_argument(
        "--json-log", action="store_true", help="print events for machines instead of lines: one JSON object a line"
    )
    parser.set_defaults(action=_run)


def _run(options: argparse.Namespace) -> int:
    lines = JsonLines() if options.json_log else TextLines()
    try:
        status = _done(options, lines)
    except CampaignFaults as faults:
        if not options.json_log:
            raise
        for fault in faults:
            lines.say("fault", str(fault), **asdict(fault))
        status = EXIT_FAULTS
    except Stopped as stopped:
        lines.say("ended", "", status=stopped.status)
        raise
    finally:
        lines.close()
    lines.say("ended", "", status=status)
    return status


def _done(options: argparse.Namespace, lines: RunLines) -> int:
    from tapeline.at_work import BusyError

    check(options, lines)
    if _told_unwritable(options, lines):
        return EXIT_FAILED
    if options.strict:
        os.environ["TAPELINE_STRICT"] = "1"
    if options.check_recordings:
        os.environ["TAPELINE_CHECK_RECORDINGS"] = "1"
    try:
        status = _managed(options, lines)
    except BusyError as busy:
        lines.say("busy", f"tapeline run: {busy}")
        return EXIT_FAILED
    if status:
        _told_unwritable(options, lines)
        return EXIT_FAILED
    if options.dry_run:
        return 0
    _tell_left_out(options, lines)
    # What the manager was told may have left some results as they were on purpose, or not made yet.
    return summary(options, lines, partly=bool(options.more))


def _tell_left_out(options: argparse.Namespace, lines: RunLines) -> None:
    from tapeline.campaign.load import load_campaign
    from tapeline.report.summary import left_out

    for run in left_out(load_campaign(options.campaign, check=False).results):
        lines.say("left-out", f"left out: run {run}, its recording has a fault; see the report", run=run)


def _told_unwritable(options: argparse.Namespace, lines: RunLines) -> bool:
    """Whether a folder that the run writes to takes nothing, which is said then."""
    found = _hindrance(options)
    if found:
        lines.say("unwritable", f"tapeline run: {found}")
    return found is not None


def _hindrance(options: argparse.Namespace) -> str | None:
    """Why the run cannot work in the campaign's folder or write to one of its own; None where it can."""
    from tapeline.campaign.load import load_campaign
    from tapeline.campaign.plan import Plan
    from tapeline.jobs.steps import folders
    from tapeline.jobs.tasks import tasks

    place = options.campaign.resolve()
    if odd := [text for text in re.findall(r"\{([^{}]*)\}", str(place)) if not text.isidentifier()]:
        # The manager takes these for patterns with a name, and gives up on other signs in it.
        return f"{place}: the workflow manager cannot work in a folder called {{{odd[0]}}}: rename it"
    campaign = load_campaign(options.campaign, check=False)
    first = [campaign.root / ".snakemake", *([] if options.dry_run else [campaign.results])]
    found = next(filter(None, map(unwritable, first)), None)
    if not found and not options.dry_run:
        plan = Plan(campaign)
        files = (path for task in tasks(plan) for path in task.files if path.is_dir())
        taken = (f"{path}: is a folder, and a result is written there: move it away" for path in files)
        # One after the other, the upper ones first: what lies in a folder that nobody may enter cannot be looked at.
        found = next(filter(None, chain(map(closed, folders(plan)), taken)), None)
    return found


def _managed(options: argparse.Namespace, lines: RunLines) -> int:
    """The workflow manager's exit status, 0 where there was nothing to do."""
    from tapeline.at_work import BusyError, jobs_at_work
    from tapeline.campaign.load import load_campaign
    from tapeline.campaign.plan import Plan
    from tapeline.jobs.stale_results import affected, due_tasks, misfits
    from tapeline.jobs.steps import done_digests, outdated, step_files

    plan = Plan(load_campaign(options.campaign))
    there = {*plan.all_source_files()}
    found = misfits(plan, done_digests(plan), sources=options.check_recordings, keep=not options.dry_run)
    due = due_tasks(plan, found)
    again, follow = outdated(plan, due), affected(plan, due)
    if options.dry_run:
        _tell(follow, lines)
    elif not (due or again or options.more) and all(map(Path.is_file, step_files(plan).values())):
        if left := jobs_at_work(plan.campaign.root):
            raise BusyError(f"{left[0]} still works on {plan.campaign.root.resolve()}: wait for it or stop it")
        lines.say("nothing-to-do", "nothing to do", result=True)
        return 0
    watch = _watch(options, lines, plan, follow)
    status = _made_again(options, watch, found, again)
    if not options.dry_run:
        if status:
            status = _tried_again(options, watch, there, found, status)
        elif not options.more:
            status = _completed(options, watch)
    watch.end(status)
    if options.dry_run and not status:
        lines.say("dry-run", "dry run: nothing was computed", result=True)
    return status


def _watch(options: argparse.Namespace, lines: RunLines, plan: Plan, follow: Sequence[Task]) -> RunWatch:
    """Who hears the run; in a dry run nothing is kept."""
    from tapeline.cli.run_watch import WORKFLOW_LOG, RunWatch
    from tapeline.report.wording import counted

    number = os.cpu_count() or 1 if options.cores == "all" else int(options.cores)
    # What a person asks of the manager itself is printed by it.
    takes_output = options.json_log or not options.more
    if options.dry_run:
        return RunWatch(plan, (), lines, cores=number, log=None, takes_output=takes_output)
    logs = plan.results / WORKFLOW_LOG.parent
    jobs = Counter(task.job.name for task in follow)
    read = f", {counted(jobs['spectra'], 'recording')} among them" if jobs["spectra"] else ""
    said = f"to do, at most: {counted(len(follow), 'job')}{read}; logs in {readable(logs)}"
    lines.say("planned", said, jobs=dict(jobs), logs=str(logs))
    return RunWatch(plan, follow, lines, cores=number, log=plan.results / WORKFLOW_LOG, takes_output=takes_output)


def _tried_again(
    options: argparse.Namespace, watch: RunWatch, there: Set[str], found: Sequence[Misfit], status: int
) -> int:
    """The manager's exit status, called again where it stopped because files went or proved damaged.

    `there` are the recordings that were there before, `found` the misfits that were known, `status` how it stopped.
    """
    from tapeline.campaign.faults import listed
    from tapeline.campaign.load import load_campaign
    from tapeline.campaign.plan import Plan
    from tapeline.jobs.stale_results import misfits
    from tapeline.jobs.steps import done_digests, outdated

    # A manager that cannot write ends at once, with much to read and nothing to learn.
    if _hindrance(options):
        return status
    plan, known = Plan(load_campaign(options.campaign)), {misfit.task for misfit in found}
    others = [misfit for misfit in misfits(plan, done_digests(plan)) if misfit.task not in known]
    damaged = [misfit for misfit in others if misfit.changed or misfit.unknown]
    gone = sorted(there - {*plan.all_source_files()})
    if gone:
        verb = "went away or may no longer be read"
        watch.lines.say("gone", f"tapeline run: {listed(gone, 4)} {verb}: the run goes on without", recordings=gone)
    if not (gone or damaged):
        return status
    return _made_again(options, watch, damaged, outdated(plan, [misfit.task for misfit in damaged]))


def _completed(options: argparse.Namespace, watch: RunWatch) -> int:
    """The exit status of a run that ended well: files that changed while it was planned are done once more, no more."""
    from tapeline.campaign.faults import listed
    from tapeline.campaign.load import load_campaign
    from tapeline.campaign.plan import Plan
    from tapeline.jobs.stale_results import misfits
    from tapeline.jobs.steps import done_digests, outdated

    plan = Plan(load_campaign(options.campaign))
    unfit = misfits(plan, done_digests(plan))
    left_over = _left_over(plan, unfit)
    status = _made_again(options, watch, unfit, outdated(plan, left_over)) if left_over else 0
    if not left_over or status:
        return status
    plan = Plan(load_campaign(options.campaign))
    left_over = _left_over(plan, misfits(plan, done_digests(plan)))
    if left_over:
        tasks = [task.name for task in left_over]
        said = f"tapeline run: {listed(tasks, 4)}: still to be done, run `tapeline run` again"
        watch.lines.say("left-over", said, tasks=tasks)
    return EXIT_FAILED if left_over else 0


def _left_over(plan: Plan, unfit: Sequence[Misfit]) -> list[Task]:
    """Tasks that are due after a run, but for those whose recordings changed meanwhile, which the next run reads."""
    from tapeline.jobs.stale_results import due_tasks

    changing = {misfit.task for misfit in unfit if misfit.replaced or {*misfit.unknown} & {*misfit.task.sources}}
    return [task for task in due_tasks(plan, unfit) if task not in changing]


def _tell(follow: Sequence[Task], lines: RunLines) -> None:
    """The jobs that a run would do, those that follow included."""
    counts = Counter(task.job.name for task in follow)
    said = ", ".join(f"{name} {count}" for name, count in counts.items())
    text = f"would be computed, at most: {said}" if said else "nothing to do"
    lines.say("would-do", text, result=True, jobs=dict(counts))


def _made_again(options: argparse.Namespace, watch: RunWatch, found: Sequence[Misfit], again: Sequence[Path]) -> int:
    """The workflow manager's exit status, once it was said what does not fit; `again` are files of steps to be done."""
    from tapeline import workflow
    from tapeline.jobs.stale_results import sentences, shown

    for said in sentences(found):
        watch.lines.say("made-again", f"tapeline run: {said}")
    root, names = options.campaign.resolve(), [shown(path, options.campaign) for path in again]
    # A dry run of a part is asked of the manager in its own words, and so it answers.
    heard = None if options.dry_run and not watch.takes_output else watch
    return workflow.run(
        root, cores=options.cores, dry_run=options.dry_run, again=names, more=options.more, listener=heard
    )
