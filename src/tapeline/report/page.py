"""The report: one self-contained page made from the finished tables."""

from __future__ import annotations

import base64
import hashlib
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from tapeline import __version__
from tapeline.campaign.model import Campaign
from tapeline.report.attention import MOST_LINES, attention_lines
from tapeline.report.caveats import caveats
from tapeline.report.chosen_runs import chosen_runs
from tapeline.report.comparison_figures import comparison_parts
from tapeline.report.drawn_from import drawn_with
from tapeline.report.figure_files import FigureShelf
from tapeline.report.figure_letters import letters_of
from tapeline.report.findings import RULE, findings_of
from tapeline.report.finished_tables import FinishedTables, read_finished
from tapeline.report.level_axis import level_axis
from tapeline.report.levels_part import levels_part
from tapeline.report.pictures_body_maps import level_map_picture
from tapeline.report.pictures_calibration import application_pictures, calibration_pictures
from tapeline.report.pictures_map import map_picture
from tapeline.report.pictures_quality import quality_pictures
from tapeline.report.pictures_spectra import history_picture, spectra_pictures, spectrogram_pictures
from tapeline.report.pictures_speed import collapse_pictures, speed_pictures
from tapeline.report.pictures_tones import tones_part
from tapeline.report.repeatability_part import repeatability_part
from tapeline.report.tables_of_coverage import compared_table
from tapeline.report.tables_of_differences import rankings
from tapeline.report.tables_of_runs import coverage_table, run_log_table
from tapeline.report.tables_of_scaling import collapse_table, exponent_table
from tapeline.report.tables_of_settings import settings_table, versions_table
from tapeline.report.tables_of_sums import additivity_table, drift_table, mirror_table
from tapeline.report.tables_of_trust import (
    calibration_table,
    checks_table,
    papers_table,
    reasons_table,
    terms_table,
)
from tapeline.report.what_is_not_known import open_questions
from tapeline.report.what_was_tested import facts
from tapeline.report.wording import BAND_WORDS, confidence_words, printable
from tapeline.store.file_records import result_file

FOLDER = Path(__file__).parent


def write_report(
    campaign: Campaign, results: Path, destination: Path, digest: str, *, version: int, processes: int = 1
) -> None:
    """Write the page to `destination` and every figure to the folder `figures` of `results`.

    `digest` stands for the analysis that made the tables; it is printed on the page. Figures whose files are there as
    they were drawn from the same rows by the same `version` of the job stay, so many `processes` draw the others. The
    same tables and settings give the same bytes. Raises FileNotFoundError for a table that has not been made.
    """
    tables = read_finished(results)
    letters = letters_of(campaign)
    drawn = drawn_with(version)
    shelf = FigureShelf(results / "figures", letters=letters, drawn_with=drawn, processes=processes)
    content = page_content(tables, campaign, shelf, digest)
    shelf.draw()
    text = render(content)
    with result_file(destination) as temporary:
        temporary.write_text(text, encoding="utf-8", newline="\n")
    shelf.clear_others()


def page_content(tables: FinishedTables, campaign: Campaign, shelf: FigureShelf, digest: str) -> dict[str, Any]:
    """All that the template prints, once the shelf has drawn its figures.

    Small overview figures come first, so that they have room on the page.
    """
    settings = campaign.settings
    chosen = chosen_runs(tables, campaign)
    axis = level_axis(tables, campaign)
    quality = quality_pictures(tables, campaign, shelf)
    calibration = calibration_pictures(tables, campaign, shelf)
    applications = application_pictures(tables, campaign, shelf)
    position_map = map_picture(tables, campaign, shelf)
    level_map = level_map_picture(tables, campaign, shelf)
    spectra = spectra_pictures(tables, campaign, chosen, shelf) if chosen else []
    history = history_picture(tables, campaign, chosen, shelf) if chosen else None
    spectrograms = spectrogram_pictures(tables, campaign, chosen, shelf) if chosen else []
    levels = levels_part(tables, campaign, chosen, shelf, axis) if chosen else None
    speed = [picture for made in (speed_pictures, collapse_pictures) for picture in made(tables, campaign, shelf)]
    tones = tones_part(tables, campaign, shelf)
    attention = attention_lines(tables, campaign)
    return {
        "title": settings.title or settings.campaign,
        "campaign": settings.campaign,
        "settings": settings,
        "reference": f"{settings.reference_pressure_pa * 1e6:g} µPa",
        "confidence": confidence_words(settings.confidence),
        "band_word": BAND_WORDS.get(settings.bands.fraction, "band"),
        "software": __version__,
        "digest": digest,
        "attention": attention[:MOST_LINES],
        "attention_rest": attention[MOST_LINES:],
        "findings": findings_of(tables, campaign),
        "finding_rule": RULE,
        "facts": facts(tables, campaign),
        "open_questions": open_questions(tables, campaign),
        "caveats": caveats(tables, campaign),
        "coverage": coverage_table(tables, campaign),
        "what_can_be_compared": compared_table(tables, campaign),
        "rankings": rankings(tables, campaign),
        "sums": [table(tables, campaign) for table in (mirror_table, additivity_table, drift_table)],
        "quality": quality,
        "reasons": reasons_table(tables),
        "calibration": calibration,
        "sensitivities": calibration_table(tables),
        "terms": terms_table(tables),
        "papers": papers_table(tables),
        "checks": checks_table(tables),
        "application_pictures": applications,
        "spectra": spectra,
        "history": history,
        "spectrograms": spectrograms,
        "position_map": position_map,
        "level_map": level_map,
        "levels": levels,
        "comparisons": comparison_parts(tables, campaign, shelf, axis),
        "repeatability": repeatability_part(tables, campaign, shelf),
        "speed_pictures": speed,
        "tones": tones,
        "exponents": exponent_table(tables, campaign),
        "collapse": collapse_table(tables, campaign),
        "run_log": run_log_table(tables, campaign),
        "settings_table": settings_table(campaign),
        "versions": versions_table(digest),
    }


def render(content: dict[str, Any]) -> str:
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
    style, script = _own("page.css"), _script(_own("page.js"))
    template = environment.get_template("page.html.j2")
    return template.render(style=style, script=script, script_hash=_hash_source(script), **content)


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
