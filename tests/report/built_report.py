"""A report written from the built results, as the tests look at it."""

from __future__ import annotations

import html
import re
from dataclasses import dataclass
from pathlib import Path
from xml.etree import ElementTree

from built_results import built_campaign, write_results

from tapeline.campaign.model import Campaign
from tapeline.report.finished_tables import FinishedTables, read_finished
from tapeline.report.page import write_report

DIGEST = "d1ce" * 16
FILES_BESIDE = ("figures/", "runs/", "sheet.html")
"""Where the page's links lead that do not stay on it."""


@dataclass(frozen=True)
class Report:
    """A written report: the campaign, the folder, the page as text and as a tree, and the tables it shows."""

    campaign: Campaign
    results: Path
    text: str
    tree: ElementTree.Element
    tables: FinishedTables

    def rows(self, key: str) -> list[dict[str, str]]:
        """A table of the page as rows by column heading."""
        table = self.tree.find(f".//table[@id='{key}']")
        assert table is not None, key
        head = [text_of(cell) for cell in table.findall("thead/tr/th")]
        assert len(set(head)) == len(head), f"two columns of {key} have one name"
        return [dict(zip(head, map(text_of, row), strict=True)) for row in table.findall("tbody/tr")]

    def readings(self, figure: str) -> list[str]:
        """What can be read off a figure, given by its anchor: place and words a line, which readers of XML join."""
        found = re.search(rf'<figure id="{re.escape(figure)}">\s*<div [^>]*data-read="([^"]*)"', self.text)
        return html.unescape(found[1]).split("\n") if found else []


def text_of(element: ElementTree.Element) -> str:
    """All text in an element, as a reader sees it."""
    return " ".join("".join(element.itertext()).split())


def built_report(results: Path) -> Report:
    """Write tables and report into the folder `results`."""
    write_results(results)
    campaign = built_campaign()
    write_report(campaign, results, results / "report.html", DIGEST)
    text = (results / "report.html").read_text(encoding="utf-8")
    return Report(campaign, results, text, ElementTree.fromstring(text), read_finished(results))
