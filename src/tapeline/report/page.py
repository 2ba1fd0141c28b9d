"""The report: one self-contained page made from the finished tables."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from tapeline import __version__
from tapeline.campaign.model import Campaign
from tapeline.report.attention import MOST_LINES, attention_lines
from tapeline.report.chosen_runs import chosen_runs
from tapeline.report.comparison_figures import comparison_parts
from tapeline.report.figure_files import FigureShelf
from tapeline.report.figure_style import report_style
from tapeline.report.findings import RULE, findings_of
from tapeline.report.finished_tables import FinishedTables, read_finished
from tapeline.report.overview_figures import (
    calibration_pictures,
    history_picture,
    map_picture,
    quality_pictures,
    ring_pictures,
    spectra_pictures,
    spectrogram_pictures,
)
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
from tapeline.report.wording import BAND_WORDS, confidence_words, printable
from tapeline.store.atomic import replacing

FOLDER = Path(__file__).parent


def write_report(campaign: Campaign, results: Path, destination: Path, digest: str) -> None:
    """Write the page to `destination` and every figure to the folder `figures` of `results`.

    `digest` stands for the analysis that made the tables; it is printed on the page. The same tables and settings
    give the same bytes. Raises FileNotFoundError for a table that has not been made.
    """
    tables = read_finished(results)
    shelf = FigureShelf(results / "figures")
    with report_style():
        content = page_content(tables, campaign, shelf, digest)
    text = render(content)
    with replacing(destination) as temporary:
        temporary.write_text(text, encoding="utf-8", newline="\n")
    shelf.clear_others()


def page_content(tables: FinishedTables, campaign: Campaign, shelf: FigureShelf, digest: str) -> dict[str, Any]:
    """All that the template prints. Small overview figures are drawn first, so that they have room on the page."""
    settings = campaign.settings
    chosen = chosen_runs(tables, campaign)
    quality = quality_pictures(tables, campaign, shelf)
    calibration = calibration_pictures(tables, campaign, shelf)
    rings = ring_pictures(tables, campaign, shelf)
    position_map = map_picture(tables, campaign, shelf)
    spectra = spectra_pictures(tables, campaign, chosen, shelf) if chosen else []
    history = history_picture(tables, campaign, chosen, shelf) if chosen else None
    spectrograms = spectrogram_pictures(tables, campaign, chosen, shelf) if chosen else []
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
        "ring_pictures": rings,
        "spectra": spectra,
        "history": history,
        "spectrograms": spectrograms,
        "position_map": position_map,
        "comparisons": comparison_parts(tables, campaign, shelf),
        "repeatability": repeatability_part(tables, campaign, shelf),
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
    style = Markup((FOLDER / "page.css").read_text(encoding="utf-8"))
    return environment.get_template("page.html.j2").render(style=style, **content)


def _clean(value: Any) -> Any:
    """Text that XML can hold; markup of our own passes as it is."""
    if value is None:
        return ""
    return printable(value) if isinstance(value, str) and not isinstance(value, Markup) else value
