"""`tapeline run`: compute all that is missing or out of date of a campaign."""

from __future__ import annotations

import argparse
import os
import re
import sys
from collections import Counter
from collections.abc import Sequence, Set
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING

from tapeline.cli.check import check
from tapeline.cli.statuses import EXIT_FAILED
from tapeline.cli.summary import summary
from tapeline.unwritable import closed, unwritable

if TYPE_CHECKING:
    from tapeline.campaign.plan import Plan
    from tapeline.jobs.stale_results import Misfit
    from tapeline.jobs.tasks import Task


def add_command(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Declare the command with its arguments."""
    parser = commands.add_parser(
        "run",
        help="compute all that is missing or out of date of a campaign",
        epilog="What follows -- goes to the workflow manager: tapeline run . --cores 1 -- --until tables",
    )
    parser.add_argument("campaign", type=Path, nargs="?", default=Path(), help="campaign folder (default: this one)")
    parser.add_argument("--cores", default="all", help="cores to use (default: all)")
    parser.add_argument("--strict", action="store_true", help="stop at the first faulty recording")
    parser.add_argument("--dry-run", "-n", action="store_true", help="say what would be computed, compute nothing")
    parser.add_argument(
        "--check-recordings",
        action="store_true",
        help="read all recordings whole to see that they are those the results were made from, not only size and times",
    )
    parser.set_defaults(action=_run)


def _run(options: argparse.Namespace) -> int:
    from tapeline.at_work import BusyError

    check(options)
    if _told_unwritable(options):
        return EXIT_FAILED
    if options.strict:
        os.environ["TAPELINE_STRICT"] = "1"
    if options.check_recordings:
        os.environ["TAPELINE_CHECK_RECORDINGS"] = "1"
    try:
        status = _managed(options)
    except BusyError as busy:
        print(f"tapeline run: {busy}", file=sys.stderr)
        return EXIT_FAILED
    if status:
        _told_unwritable(options)
        return EXIT_FAILED
    if options.dry_run:
        return 0
    # What the manager was told may have left some results as they were on purpose, or not made yet.
    return summary(options, partly=True) if options.more else summary(options)


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


def _managed(options: argparse.Namespace) -> int:
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
    again = outdated(plan, due)
    if options.dry_run:
        _tell(affected(plan, due))
    elif not (due or again or options.more) and all(map(Path.is_file, step_files(plan).values())):
        if left := jobs_at_work(plan.campaign.root):
            raise BusyError(f"{left[0]} still works on {plan.campaign.root.resolve()}: wait for it or stop it")
        print("nothing to do")
        return 0
    status = _made_again(options, found, again)
    if options.dry_run or (options.more and not status):
        return status
    return _tried_again(options, there, found, status) if status else _completed(options)


def _tried_again(options: argparse.Namespace, there: Set[str], found: Sequence[Misfit], status: int) -> int:
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
        print(f"tapeline run: {listed(gone, 4)} {verb}: the run goes on without", file=sys.stderr)
    if not (gone or damaged):
        return status
    return _made_again(options, damaged, outdated(plan, [misfit.task for misfit in damaged]))


def _completed(options: argparse.Namespace) -> int:
    """The exit status of a run that ended well: files that changed while it was planned are done once more, no more."""
    from tapeline.campaign.faults import listed
    from tapeline.campaign.load import load_campaign
    from tapeline.campaign.plan import Plan
    from tapeline.jobs.stale_results import misfits
    from tapeline.jobs.steps import done_digests, outdated

    plan = Plan(load_campaign(options.campaign))
    unfit = misfits(plan, done_digests(plan))
    left_over = _left_over(plan, unfit)
    status = _made_again(options, unfit, outdated(plan, left_over)) if left_over else 0
    if not left_over or status:
        return status
    plan = Plan(load_campaign(options.campaign))
    left_over = _left_over(plan, misfits(plan, done_digests(plan)))
    if left_over:
        names = listed([task.name for task in left_over], 4)
        print(f"tapeline run: {names}: still to be done, run `tapeline run` again", file=sys.stderr)
    return EXIT_FAILED if left_over else 0


def _left_over(plan: Plan, unfit: Sequence[Misfit]) -> list[Task]:
    """Tasks that are due after a run, but for those whose recordings changed meanwhile, which the next run reads."""
    from tapeline.jobs.stale_results import due_tasks

    changing = {misfit.task for misfit in unfit if misfit.replaced or {*misfit.unknown} & {*misfit.task.sources}}
    return [task for task in due_tasks(plan, unfit) if task not in changing]


def _tell(follow: Sequence[Task]) -> None:
    """The jobs that a run would do, those that follow included."""
    counts = Counter(task.job.name for task in follow)
    said = ", ".join(f"{name} {count}" for name, count in counts.items())
    print(f"would be computed, at most: {said}" if said else "nothing to do", flush=True)


def _made_again(options: argparse.Namespace, found: Sequence[Misfit], again: Sequence[Path]) -> int:
    """The workflow manager's exit status, once it was said what does not fit; `again` are files of steps to be done."""
    from tapeline import workflow
    from tapeline.jobs.stale_results import sentences, shown

    for said in sentences(found):
        print(f"tapeline run: {said}", file=sys.stderr)
    root, names = options.campaign.resolve(), [shown(path, options.campaign) for path in again]
    return workflow.run(root, cores=options.cores, dry_run=options.dry_run, again=names, more=options.more)
