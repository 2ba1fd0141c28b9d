"""A report written from the built results, as the tests look at it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from xml.etree import ElementTree

from built_results import built_campaign, write_results

from tapeline.campaign.model import Campaign
from tapeline.report.finished_tables import FinishedTables, read_finished
from tapeline.report.page import write_report

DIGEST = "d1ce" * 16


@dataclass(frozen=True)
class Report:
    """A written report: the campaign, the folder, the page as text and as a tree."""

    campaign: Campaign
    results: Path
    text: str
    tree: ElementTree.Element
    tables: FinishedTables


def built_report(results: Path) -> Report:
    """Write tables and report into the folder `results`."""
    write_results(results)
    campaign = built_campaign()
    write_report(campaign, results, results / "report.html", DIGEST)
    text = (results / "report.html").read_text(encoding="utf-8")
    return Report(campaign, results, text, ElementTree.fromstring(text), read_finished(results))
