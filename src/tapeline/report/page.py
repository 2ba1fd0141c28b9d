"""The report: one self-contained page made from the finished tables, the sheet beside it, and every figure as a file."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from tapeline import __version__
from tapeline.campaign.model import Campaign
from tapeline.report.blocks import PARTS, Section, figures
from tapeline.report.figure_files import write_figures
from tapeline.report.finished_tables import FinishedTables, read_finished
from tapeline.report.sections.compare import compare_sections
from tapeline.report.sections.history import history_sections
from tapeline.report.sections.levels import levels_sections
from tapeline.report.sections.lines import lines_sections
from tapeline.report.sections.scaling import scaling_sections
from tapeline.report.sections.spectra import spectra_sections
from tapeline.report.sections.tones import tones_sections
from tapeline.report.wording import printable
from tapeline.store.file_records import result_file

FOLDER = Path(__file__).parent

SECTIONS = (
    compare_sections,
    lines_sections,
    levels_sections,
    scaling_sections,
    tones_sections,
    spectra_sections,
    history_sections,
)
"""The functions that make the page's sections, in their order within each part."""

ASKS = {
    "decide": "what to work on",
    "compare": "one condition against another",
    "trust": "what the numbers rest on",
    "trace": "how they were made",
}


def write_report(campaign: Campaign, results: Path, destination: Path, digest: str) -> None:
    """Write the page to `destination`, and every figure with its numbers to the folder `figures` of `results`.

    `digest` stands for the analysis that made the tables; it is printed on the page. The same tables and settings give
    the same bytes. Raises FileNotFoundError for a table that has not been made.
    """
    tables = read_finished(results)
    sections = page_sections(tables, campaign)
    write_figures(results / "figures", [figure for section in sections for figure in figures(section.blocks)])
    text = render(sections, campaign, digest)
    with result_file(destination) as temporary:
        temporary.write_text(text, encoding="utf-8", newline="\n")


def page_sections(tables: FinishedTables, campaign: Campaign) -> list[Section]:
    """All sections of the page."""
    return [section for made in SECTIONS for section in made(tables, campaign)]


def render(sections: Sequence[Section], campaign: Campaign, digest: str) -> str:
    """The page as text. Every value is escaped; characters that a page cannot hold are replaced."""
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
    style, script = _own("charts.css") + _own("page.css"), _script(_own("page.js"))
    parts = [
        {"key": key, "title": title, "asks": ASKS[key], "sections": [each for each in sections if each.part == key]}
        for key, title in PARTS.items()
    ]
    settings = campaign.settings
    return environment.get_template("page.html.j2").render(
        title=settings.title or settings.campaign,
        campaign=settings.campaign,
        software=__version__,
        digest=digest,
        parts=[part for part in parts if part["sections"]],
        style=style,
        script=script,
        script_hash=_hash_source(script),
    )


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
