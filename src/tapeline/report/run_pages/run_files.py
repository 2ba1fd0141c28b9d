"""The pages of all runs as files beside the page that circulates."""

from __future__ import annotations

from pathlib import Path

from jinja2 import Environment

from tapeline.campaign.model import Campaign
from tapeline.report.figure_files import write_changed
from tapeline.report.finished_tables import FinishedTables, Row
from tapeline.report.run_pages.run_sections import all_runs, run_sections
from tapeline.report.sections.run_log import time_order
from tapeline.report.view_names import run_file
from tapeline.store.file_records import forget_written


def write_run_pages(page: Path, tables: FinishedTables, campaign: Campaign, templates: Environment) -> None:
    """Write the pages of runs that are not there as they would be written, and remove those of runs that are gone.

    `page` is the page that circulates. What changes with every analysis, such as its digest, is not on them.
    """
    every = all_runs(tables, campaign, f"../{page.name}")
    runs = sorted(tables.runs, key=time_order)
    template = templates.get_template("run_page.html.j2")
    wanted = set()
    for place, run in enumerate(runs):
        path = page.parent / run_file(run["run"])
        wanted.add(path)
        text = template.render(
            run=run["run"],
            campaign=campaign.settings.campaign,
            title=campaign.settings.title or campaign.settings.campaign,
            page=every.page,
            before=_name(runs, place - 1),
            after=_name(runs, place + 1),
            sections=run_sections(every, run),
        )
        write_changed(path, text.encode("utf-8"))
    for path in sorted((page.parent / "runs").glob("[!.]*.html")):
        if path not in wanted:
            path.unlink()
            forget_written(path)


def _name(runs: list[Row], place: int) -> str:
    return str(runs[place]["run"]) if 0 <= place < len(runs) else ""
