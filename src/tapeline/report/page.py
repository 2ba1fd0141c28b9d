"""The report: one self-contained page made from the finished tables, a sheet of it, and a page a run."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Sequence
from functools import cache
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from tapeline import __version__
from tapeline.campaign.model import Campaign
from tapeline.report.blocks import PARTS, Section, figures
from tapeline.report.figure_files import write_figures
from tapeline.report.finished_tables import FinishedTables, read_finished
from tapeline.report.run_pages.run_files import write_run_pages
from tapeline.report.sections.attention import attention_sections
from tapeline.report.sections.body_figures import position_sections
from tapeline.report.sections.calibration import calibration_sections
from tapeline.report.sections.compare import compare_sections
from tapeline.report.sections.coverage import coverage_sections
from tapeline.report.sections.gain_table import gain_sections
from tapeline.report.sections.history import history_sections
from tapeline.report.sections.how_it_was_made import how_it_was_made_sections
from tapeline.report.sections.levels import levels_sections
from tapeline.report.sections.lines import lines_sections
from tapeline.report.sections.quality import quality_sections
from tapeline.report.sections.repeatability import repeatability_sections
from tapeline.report.sections.run_log import run_log_sections
from tapeline.report.sections.scaling import scaling_sections
from tapeline.report.sections.sensor_lines import sensor_line_sections
from tapeline.report.sections.sheet import sheet_sections
from tapeline.report.sections.spectra import spectra_sections
from tapeline.report.sections.sums import sums_sections
from tapeline.report.sections.tones import tones_sections
from tapeline.report.sections.what_was_tested import tested_sections
from tapeline.report.sections.work_first import work_sections
from tapeline.report.wording import printable
from tapeline.store.file_records import result_file

FOLDER = Path(__file__).parent

SECTIONS = (
    sheet_sections,
    work_sections,
    gain_sections,
    compare_sections,
    lines_sections,
    levels_sections,
    scaling_sections,
    tones_sections,
    sensor_line_sections,
    sums_sections,
    attention_sections,
    coverage_sections,
    repeatability_sections,
    calibration_sections,
    quality_sections,
    tested_sections,
    run_log_sections,
    position_sections,
    spectra_sections,
    history_sections,
    how_it_was_made_sections,
)
"""The functions that make the page's sections, in their order within each part."""

ASKS = {
    "decide": "what to work on",
    "compare": "one condition against another",
    "trust": "what the numbers rest on",
    "trace": "how they were made",
}


def write_report(campaign: Campaign, results: Path, destination: Path, digest: str) -> None:
    """Write the page to `destination`, its figures with their numbers to `figures`, and a page a run to `runs`.

    Both folders stand beside it. `digest` stands for the analysis that made the tables; it is printed on the page. The
    same tables and settings give the same bytes. Raises FileNotFoundError for a table that has not been made.
    """
    tables = read_finished(results)
    sections = page_sections(tables, campaign)
    write_figures(
        destination.parent / "figures", [figure for section in sections for figure in figures(section.blocks)]
    )
    pages = {destination: "page.html.j2", destination.with_name("sheet.html"): "sheet.html.j2"}
    for path, template in pages.items():
        with result_file(path) as temporary:
            temporary.write_text(render(template, sections, campaign, digest), encoding="utf-8", newline="\n")
    write_run_pages(destination, tables, campaign, templates("../report.html"))


def page_sections(tables: FinishedTables, campaign: Campaign) -> list[Section]:
    """All sections of the page."""
    return [section for made in SECTIONS for section in made(tables, campaign)]


def render(template: str, sections: Sequence[Section], campaign: Campaign, digest: str) -> str:
    """The page or the sheet as text. Every value is escaped; characters that a page cannot hold are replaced."""
    parts = [
        {"key": key, "title": title, "asks": ASKS[key], "sections": [each for each in sections if each.part == key]}
        for key, title in PARTS.items()
    ]
    settings = campaign.settings
    found = templates("" if template == "page.html.j2" else "report.html")
    return found.get_template(template).render(
        title=settings.title or settings.campaign,
        campaign=settings.campaign,
        digest=digest,
        parts=[part for part in parts if part["sections"]],
        sheet=next(each for each in sections if each.key == "sheet"),
    )


@cache
def templates(report: str) -> Environment:
    """The templates, with what all pages have: style, script and version; `report` is where links to the page lead."""
    environment = Environment(
        loader=FileSystemLoader(FOLDER),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
        finalize=_clean,
    )
    environment.filters["css_text"] = _css_text
    environment.filters["placed"] = lambda href: f"{report}{href}" if href.startswith("#") else href
    script = _script(_own("page.js"))
    environment.globals |= {
        "style": _own("charts.css") + _own("page.css"),
        "script": script,
        "script_hash": _hash_source(script),
        "software": __version__,
    }
    return environment


def _own(name: str) -> Markup:
    """The package's own style sheet or script, which stands in the page as it is."""
    return Markup((FOLDER / name).read_text(encoding="utf-8"))  # noqa: S704 - nothing of a campaign is in it


def _script(code: Markup) -> Markup:
    """The page's script for readers of HTML, who take it as it is, and of XML, who take marks in it for elements."""
    return Markup("//<![CDATA[\n{}//]]>\n").format(code)


def _hash_source(script: str) -> str:
    """How the page's policy names the one script that may run (W3C, Content Security Policy 3)."""
    return f"sha256-{base64.b64encode(hashlib.sha256(script.encode()).digest()).decode('ascii')}"


def _css_text(text: str) -> str:
    """`text` between the quotes of a style sheet, where the escapes of HTML are not read: all but letters by number."""
    return "".join(sign if sign.isascii() and sign.isalnum() else f"\\{ord(sign):06x} " for sign in printable(text))


def _clean(value: Any) -> Any:
    """Text that XML can hold; markup of our own passes as it is."""
    if value is None:
        return ""
    return printable(value) if isinstance(value, str) and not isinstance(value, Markup) else value
