"""The job `report`: write the page that circulates."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from tapeline.campaign.plan import Plan
from tapeline.jobs.job import Job
from tapeline.jobs.manifest import finished_tables, manifest_file, table_digests


def needs(plan: Plan, key: str = "") -> dict[str, Any]:
    """Everything the page shows that no table carries: settings, outlines, warnings; and the tables' digests."""
    return {
        "settings": plan.settings,
        "outlines": plan.campaign.outlines,
        "warnings": [str(warning) for warning in plan.campaign.file_warnings],
        "tables": table_digests(plan),
    }


def report_file(results: Path) -> Path:
    """The page that circulates."""
    return results / "report.html"


def sheet_file(results: Path) -> Path:
    """The sheet to decide by, for paper."""
    return results / "sheet.html"


def figures_folder(results: Path) -> Path:
    """The figures of the page, and their numbers."""
    return results / "figures"


def run_pages_folder(results: Path) -> Path:
    """The pages of the runs."""
    return results / "runs"


def _beside(plan: Plan, key: str) -> Sequence[Path]:
    folders = (figures_folder(plan.results), run_pages_folder(plan.results))
    return sorted(path for folder in folders for path in folder.glob("[!.]*"))


JOB = Job(
    name="report",
    per="campaign",
    does="write the page that circulates",
    version=14,
    needs=needs,
    inputs=lambda plan, key: [manifest_file(plan.results), *finished_tables(plan)],
    outputs=lambda plan, key: [report_file(plan.results), sheet_file(plan.results)],
    also_there=_beside,
)
