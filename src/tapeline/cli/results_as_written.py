"""Whether everything of a campaign or results folder is as it was written and read: the content of all of it."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from tapeline.campaign.load import load_campaign
from tapeline.campaign.plan import Plan
from tapeline.campaign.settings_source import SETTINGS_FILE
from tapeline.jobs.manifest import manifest_file
from tapeline.jobs.stale_results import Misfit, misfits, shown
from tapeline.jobs.steps import done_digests
from tapeline.jobs.tasks import tasks
from tapeline.regular_files import may_be_read
from tapeline.store.file_records import written_record

MADE = (".parquet", ".arrow", ".html", ".svg", ".png", ".csv", ".json")
"""What tapeline writes into a results folder; other files there are the user's."""

OTHERS = ("logs", "benchmarks")
"""Folders of the results that hold no results."""


class NoResultsError(Exception):
    """A folder without results; the text says what was expected."""


@dataclass
class Held:
    """What was found: how many files hold what they held, and sentences about those that do not."""

    results: int = 0
    sources: int = 0
    faults: list[str] = field(default_factory=list)
    again: str = ""


def hold_against_records(folder: Path) -> Held:
    """Hold every file of a results folder, or of a campaign with its results, against what was kept of it.

    Raises NoResultsError where there are no results, CampaignFaults for a campaign whose files hold faults.
    """
    found = Held()
    if (folder / SETTINGS_FILE).is_file():
        plan = Plan(load_campaign(folder))
        results = plan.results
        found.again = f"run `tapeline run {folder}`: it makes these anew and all that follows from them"
    else:
        plan, results = None, folder
        found.again = "copy these anew from where they were made, or run `tapeline run` on their campaign"
    if not (results / "tables").is_dir():
        raise NoResultsError(f"{folder}: no results, there is no folder {results / 'tables'}")
    _hold_files(results, folder, found)
    _hold_manifest(results, folder, found)
    if plan is not None:
        _hold_sources(plan, found)
    return found


def _hold_files(results: Path, folder: Path, found: Held) -> None:
    for path in _files(results):
        name, record = shown(path, folder), written_record(path)
        if record is None:
            found.faults.append(f"{name}: there is no record of how it was written")
        elif not may_be_read(path):
            found.faults.append(f"{name}: may not be read")
        elif record.now(path, whole=True) is None:
            found.faults.append(f"{name}: changed or damaged since it was written")
        else:
            found.results += 1


def _files(results: Path) -> Iterator[Path]:
    for path in sorted(results.rglob("*")):
        parts = path.relative_to(results).parts
        hidden = any(part.startswith(".") for part in parts)
        if path.suffix in MADE and not hidden and parts[0] not in OTHERS and path.is_file():
            yield path


def _hold_manifest(results: Path, folder: Path, found: Held) -> None:
    """The tables that the manifest names, and those that are there."""
    path = manifest_file(results)
    named = _tables_of(path)
    if named is None:
        said = "names no tables" if path.is_file() else "is not there"
        found.faults.append(f"{shown(path, folder)}: {said}, so nothing says what made the tables")
        return
    there = {file.relative_to(results).as_posix(): file for file in (results / "tables").rglob("*.parquet")}
    for name in sorted({*named, *there}):
        if name not in there:
            found.faults.append(f"{shown(results / name, folder)}: named by the manifest and not there")
        elif name not in named:
            found.faults.append(f"{shown(there[name], folder)}: not named by the manifest")
        else:
            record = written_record(there[name])
            if record is not None and record.sha256 != named[name]:
                found.faults.append(f"{shown(there[name], folder)}: not the table that the manifest names")


def _tables_of(path: Path) -> Mapping[str, str] | None:
    try:
        content: Any = json.loads(path.read_text(encoding="utf-8"))
        return {name: str(entry["sha256"]) for name, entry in content["tables"].items()}
    except (OSError, ValueError, TypeError, KeyError, AttributeError):
        return None


def _hold_sources(plan: Plan, found: Held) -> None:
    """Recordings and sheets as the jobs read them, and the campaign's files as the tables were made from them."""
    root = plan.campaign.root
    doubted = {misfit.task: misfit for misfit in misfits(plan, done_digests(plan), sources=True, keep=False)}
    for task in tasks(plan):
        made, misfit = shown(task.files[0], root), doubted.get(task, Misfit(task))
        found.faults += [f"{name}: gone since it was written" for name in misfit.gone]
        if not task.files[0].is_file():
            if not misfit.gone:
                found.faults.append(f"{made}: not made yet")
            continue
        unknown = [name for name in misfit.unknown if name in task.sources]
        found.faults += [f"{name}: not the file that {made} was made from" for name in misfit.replaced]
        found.faults += [f"{name}: {made} was made from it, and it is not there now" for name in misfit.without]
        found.faults += [f"{name}: {made} was made without it, or while it was written to" for name in unknown]
        if misfit.otherwise:
            found.faults.append(f"{made}: made from other settings, tables of the campaign or version of tapeline")
        found.sources += len(task.sources) - len(misfit.replaced) - len(unknown)
