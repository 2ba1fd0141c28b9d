"""A report written from the built results, as the tests look at it."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import matplotlib.colors
import pytest
from built_results import built_campaign, write_results
from matplotlib.text import Text

from tapeline.campaign.model import Campaign
from tapeline.report.figure_files import Drawing, Drawn, FigureShelf, Picture
from tapeline.report.finished_tables import FinishedTables, read_finished
from tapeline.report.page import write_report

DIGEST = "d1ce" * 16


@dataclass(frozen=True)
class DrawnText:
    """Text that a figure shows: the first word of the figure's name, size in points, red, green, blue and opacity."""

    figure: str
    words: str
    size_pt: float
    rgba: tuple[float, ...]


@dataclass(frozen=True)
class Report:
    """A written report: the campaign, the folder, the page as text and as a tree, the texts of its figures."""

    campaign: Campaign
    results: Path
    text: str
    tree: ElementTree.Element
    tables: FinishedTables
    drawn: tuple[DrawnText, ...]


def built_report(results: Path) -> Report:
    """Write tables and report into the folder `results`."""
    write_results(results)
    campaign = built_campaign()
    with texts_of_figures() as drawn:
        write_report(campaign, results, results / "report.html", DIGEST, version=1)
    text = (results / "report.html").read_text(encoding="utf-8")
    return Report(campaign, results, text, ElementTree.fromstring(text), read_finished(results), tuple(drawn))


@contextmanager
def texts_of_figures() -> Iterator[list[DrawnText]]:
    """Collect the visible texts of all figures that are written meanwhile."""
    drawn: list[DrawnText] = []
    add = FigureShelf.add

    def looked_at(word: str, drawing: Drawing) -> Drawn:
        made = drawing()
        whole = made if isinstance(made, Drawn) else Drawn(made)
        for text in whole.figure.findobj(Text):
            if text.get_text().strip() and text.get_visible():
                rgba = matplotlib.colors.to_rgba(text.get_color(), text.get_alpha())
                drawn.append(DrawnText(word, text.get_text(), text.get_fontsize(), rgba))
        return whole

    def look(self: FigureShelf, parts: tuple[str, ...], drawing: Drawing, **more: Any) -> Picture:
        return add(self, parts, partial(looked_at, parts[0], drawing), **more)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(FigureShelf, "add", look)
        yield drawn
