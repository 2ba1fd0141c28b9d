"""Results that do not fit: changed or damaged since they were written, or made from other files than those there now.

The workflow sees by times that a file is newer than what was made from it, and by its own records that settings
changed. It sees neither a recording replaced by an older one nor a table changed by hand, and has no records of results
that were copied from elsewhere.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

import pyarrow as pa

from tapeline.campaign.plan import Plan
from tapeline.jobs.tasks import Task, tasks
from tapeline.store import arrow_file, parquet
from tapeline.store.file_records import is_made_from, keep_read, keep_written, read_records, written_record


@dataclass(frozen=True)
class Misfit:
    """A task whose results do not fit.

    `gone` are its files that were written and are not there, though results that follow may be; `changed` those that
    are not as they were written, `replaced` the sources that are not those it read, `unknown` the files and sources of
    which there is no record, `without` the sources that it read and that are not there any more; all as paths to show.
    `otherwise` says that other settings, rows or versions made it.
    """

    task: Task
    gone: tuple[str, ...] = ()
    changed: tuple[str, ...] = ()
    replaced: tuple[str, ...] = ()
    unknown: tuple[str, ...] = ()
    without: tuple[str, ...] = ()
    otherwise: bool = False


def misfits(plan: Plan, done: Mapping[str, str], *, sources: bool = False, keep: bool = True) -> list[Misfit]:
    """Tasks whose results were made and do not fit, in their order; `done` are the digests of tasks that were done.

    Size and times are looked at, and the content where they differ; `sources` reads the content of all recordings and
    sheets. With `keep` the times of what proved the same are kept, so that its content is not read once more.
    """
    found = (_misfit(plan, task, done, sources=sources, keep=keep) for task in tasks(plan))
    return [misfit for misfit in found if misfit is not None]


def is_due(plan: Plan, task: Task, *, sources: bool = False) -> bool:
    """Whether a task has to be done: results are not there, do not fit, or were made from other results than those now.

    `sources` as for `misfits`.
    """
    return not _is_made(plan, task) or _misfit(plan, task, {}, sources=sources, keep=True) is not None


def _misfit(plan: Plan, task: Task, done: Mapping[str, str], *, sources: bool, keep: bool) -> Misfit | None:
    root = plan.campaign.root
    # Where the task was done as it is to be done now all were there: their records may be gone with them.
    made = task.name in done and done[task.name] == task.job.digest(plan, task.key)
    gone = tuple(shown(path, root) for path in task.files if not path.exists() and (made or written_record(path)))
    if not task.files[0].is_file():
        return Misfit(task, gone) if gone else None
    changed, unknown = [], []
    for path in filter(Path.is_file, task.files):
        record = written_record(path)
        now = record and record.now(path)
        if record is None:
            unknown.append(shown(path, root))
        elif now is None:
            changed.append(shown(path, root))
        elif keep and now != record:
            # A folder that takes nothing costs the next run another look, no more.
            with suppress(OSError):
                keep_written(path, now)
    read = read_records(task.files[0])
    found = {name: read[name].now(root / name, whole=sources) for name in task.sources if name in read}
    current = {name: record for name, record in found.items() if record is not None}
    if keep and len(current) == len(read) and current != read:
        with suppress(OSError):
            keep_read(task.files[0], current)
    replaced = [name for name in found if name not in current]
    without = tuple(name for name in read if name not in task.sources)
    unknown += [name for name in task.sources if name not in read]
    otherwise = not changed and _is_made_otherwise(plan, task)
    if not (gone or changed or replaced or unknown or without or otherwise):
        return None
    return Misfit(task, gone, tuple(changed), tuple(replaced), tuple(unknown), without, otherwise)


def _is_made_otherwise(plan: Plan, task: Task) -> bool:
    """Whether the digest that a job's table carries is not the plan's."""
    made = task.files[0]
    reader = {".parquet": parquet.made_from, ".arrow": arrow_file.made_from}.get(made.suffix)
    if reader is None:
        return False
    try:
        return reader(made) != task.job.digest(plan, task.key)
    except (pa.ArrowException, OSError):
        return True


def due_tasks(plan: Plan, unfit: Iterable[Misfit]) -> list[Task]:
    """Tasks that are to be done as things are, in their order; `unfit` are those whose results do not fit."""
    known = {misfit.task for misfit in unfit}
    return [task for task in tasks(plan) if task in known or not _is_made(plan, task)]


def affected(plan: Plan, due: Iterable[Task]) -> list[Task]:
    """Tasks that are due, and those that follow, in their order: these are done where what they read changes."""
    found, files, known = [], set[Path](), set(due)
    for task in tasks(plan):
        if task in known or files.intersection(task.job.inputs(plan, task.key)):
            found.append(task)
            files.update(task.files)
    return found


def _is_made(plan: Plan, task: Task) -> bool:
    """Whether all its results are there and were made from its needs and from the results that it reads as they are."""
    if not all(path.is_file() for path in task.files):
        return False
    return is_made_from(task.files[0], task.job.digest(plan, task.key), task.job.inputs(plan, task.key))


def sentences(found: Sequence[Misfit]) -> Iterator[str]:
    """What a run says of what it makes again; nothing of what changed settings ask for."""
    from tapeline.campaign.faults import listed

    gone = [name for misfit in found for name in misfit.gone]
    changed = [name for misfit in found for name in misfit.changed]
    replaced = list(dict.fromkeys(name for misfit in found for name in misfit.replaced))
    unknown = list(dict.fromkeys(name for misfit in found for name in misfit.unknown))
    without = list(dict.fromkeys(name for misfit in found for name in misfit.without if not misfit.otherwise))
    if gone:
        yield f"gone since it was written, made again: {listed(gone, 4)}"
    if changed:
        yield f"changed or damaged since it was written, made again: {listed(changed, 4)}"
    if replaced:
        yield f"not the file that results were made from, read again: {listed(replaced, 4)}"
    if without:
        yield f"read before and not there now, results are made without: {listed(without, 4)}"
    if unknown:
        yield f"no record of how it was when it was written or read, made again: {listed(unknown, 4)}"


def shown(path: Path, root: Path) -> str:
    """A path as people name it: from the campaign folder where it lies within."""
    return path.relative_to(root).as_posix() if path.is_relative_to(root) else str(path)
