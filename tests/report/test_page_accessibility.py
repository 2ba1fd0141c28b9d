"""The page for everybody: the rules of WCAG 2.2 that a machine can check, and those of structure by themselves."""

from __future__ import annotations

import re
from collections import Counter
from itertools import pairwise
from typing import Any

import matplotlib.colors
import pytest
from built_report import Report
from opened_page import KeptPages

LEAST_CONTRAST = 4.5
"""WCAG 2.2, 1.4.3, for text of ordinary size."""


@pytest.mark.browser
@pytest.mark.parametrize(
    ("width", "chosen"),
    [
        (390, True),
        (1440, False),
        *(pytest.param(*other, marks=pytest.mark.long) for other in [(390, False), (1440, True)]),
    ],
)
def test_axe_finds_nothing(pages: KeptPages, width: int, chosen: bool) -> None:
    """All rules of axe-core, the page as opened and with a choice in force.

    Its `resultTypes` names what it describes node by node; of the other results, passes among them, it names one node.
    """
    from axe_playwright_python.sync_playwright import Axe

    opened = pages.at(width)
    if chosen:
        opened.page.get_by_label("Comparison", exact=True).select_option("front-part")
        opened.page.locator("#run-log-table-filter").fill("door")
    found = Axe().run(opened.page, options={"resultTypes": ["violations"]})
    assert found.violations_count == 0, found.generate_report()
    passed = {rule["id"] for rule in found.response["passes"]}
    assert {"color-contrast", "label", "heading-order", "landmark-unique", "select-name", "image-alt"} <= passed


@pytest.mark.browser
@pytest.mark.parametrize("width", [390, 1440])
def test_every_control_says_what_it_is_for_by_itself(pages: KeptPages, width: int) -> None:
    """Names are unique, also those of the regions that scroll; a filter's holds its table's caption."""
    opened = pages.at(width)
    page = opened.page
    tree = page.locator("body").aria_snapshot()
    for role in ("searchbox", "combobox", "region", "button", "navigation", "group"):
        names = re.findall(rf'^\s*- {role} "(.*)"', tree, re.MULTILINE)
        assert [name for name, count in Counter(names).items() if count > 1] == []
        assert names or role == "navigation"


def test_headings_go_down_one_level_at_a_time(report: Report) -> None:
    levels = [int(element.tag[1]) for element in report.tree.iter() if re.fullmatch("h[1-6]", str(element.tag))]
    assert levels.count(1) == 1
    assert levels[0] == 1
    assert all(after <= before + 1 for before, after in pairwise(levels))


def test_the_page_has_its_landmarks_language_and_a_link_past_the_contents(report: Report) -> None:
    body = report.tree.find("body")
    assert body is not None
    assert report.tree.attrib["lang"] == "en"
    assert [child.tag for child in body if child.tag != "script"] == ["a", "header", "nav", "main", "footer"]
    first = body[0]
    assert first.attrib["href"] == "#summary"


def test_regions_that_scroll_can_be_reached_and_have_names_of_their_own(report: Report) -> None:
    regions = [element for element in report.tree.iter("div") if element.attrib.get("class") == "wide"]
    assert len(regions) > 8
    assert all(element.attrib["tabindex"] == "0" and element.attrib["role"] == "region" for element in regions)
    names = [element.attrib["aria-label"] for element in regions]
    assert len(names) == len(set(names))


def test_every_figure_has_a_view_that_can_be_reached_without_scripts_and_has_a_name(report: Report) -> None:
    views = [element for element in report.tree.iter("div") if element.attrib.get("class") == "view"]
    assert len(views) == len(list(report.tree.iter("img"))) > 10
    assert all(element.attrib["tabindex"] == "0" and element.attrib["role"] == "group" for element in views)
    names = [element.attrib["aria-label"] for element in views]
    assert all(name.startswith("Figure figures/") for name in names)
    assert len(names) == len(set(names))


def contrast(one: Any, other: Any) -> float:
    """Contrast ratio of two colours (WCAG 2.2, definition of relative luminance)."""

    def luminance(colour: Any) -> float:
        parts = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in matplotlib.colors.to_rgb(colour)]
        return 0.2126 * parts[0] + 0.7152 * parts[1] + 0.0722 * parts[2]

    dark, light = sorted((luminance(one), luminance(other)))
    return (light + 0.05) / (dark + 0.05)


def test_contrast_is_that_of_the_guideline() -> None:
    """Black on white is 21 to 1 by definition; #767676 is the lightest grey that passes on white (common practice)."""
    assert contrast("black", "white") == pytest.approx(21.0)
    assert contrast("#767676", "white") >= LEAST_CONTRAST > contrast("#777777", "white")


def test_text_in_figures_has_contrast(report: Report) -> None:
    """On the white of the page; numbers in cells of heat maps choose black or white by their cell."""
    seen = [text for text in report.drawn if not (text.figure == "map" and text.size_pt < 5)]
    assert len(seen) > 200
    for text in seen:
        *colour, opacity = text.rgba
        shown = [1.0 - opacity * (1.0 - part) for part in colour]
        assert contrast(shown, "white") >= LEAST_CONTRAST, text
