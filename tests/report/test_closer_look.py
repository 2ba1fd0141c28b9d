"""A part of the frequencies: chosen by buttons, with ticks, marks and readings that move along, and nothing else."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import TYPE_CHECKING

import pytest
from built_report import Report

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Locator


@pytest.fixture
def spectra(browser: Browser, report: Report) -> Iterator[Locator]:
    page = browser.new_page()
    faults: list[str] = []
    page.on("pageerror", lambda fault: faults.append(str(fault)))
    page.goto(f"{(report.results / 'report.html').as_uri()}#spectra-P04")
    yield page.locator("#spectra-P04")
    page.close()
    assert faults == []


def shown_hz(spectra: Locator) -> tuple[float, float]:
    """The range that the page says it shows."""
    words = spectra.locator(".zoomer [role=status]").inner_text()
    ends = re.findall(r"([\d.]+) (k?)Hz", words)
    low, high = (float(value) * (1000.0 if kilo else 1.0) for value, kilo in ends)
    return low, high


def ticks_hz(spectra: Locator) -> list[float]:
    words = spectra.locator("svg .ticks text:visible").all_text_contents()
    return [float(each.removesuffix("k")) * (1000.0 if each.endswith("k") else 1.0) for each in words]


def test_buttons_halve_the_range_and_give_it_back(spectra: Locator) -> None:
    low, high = shown_hz(spectra)
    assert (low, high) == (20.0, 5000.0)
    spectra.get_by_role("button", name="Closer").click()
    near = shown_hz(spectra)
    assert near[1] / near[0] == pytest.approx((high / low) ** 0.5, rel=0.02)
    spectra.get_by_role("button", name="Higher frequencies").focus()
    spectra.page.keyboard.press("Enter")
    assert shown_hz(spectra)[0] > near[0]
    spectra.get_by_role("button", name="Wider").click()
    assert shown_hz(spectra) == (low, high)


def test_ticks_are_those_of_the_range_and_the_curves_follow(spectra: Locator) -> None:
    part = spectra.locator("svg.zoom")
    whole = [float(value) for value in (part.get_attribute("viewBox") or "").split()]
    for _ in range(3):
        spectra.get_by_role("button", name="Closer").click()
    low, high = shown_hz(spectra)
    found = ticks_hz(spectra)
    assert len(found) >= 3
    assert all(low * 0.99 <= hertz <= high * 1.01 for hertz in found)
    left, top, width, height = (float(value) for value in (part.get_attribute("viewBox") or "").split())
    assert width == pytest.approx(whole[2] / 8.0)
    assert (top, height) == (whole[1], whole[3])
    assert left == pytest.approx(whole[0] + whole[2] * 7.0 / 16.0)


def test_readings_by_key_are_those_of_the_range(spectra: Locator) -> None:
    for _ in range(4):
        spectra.get_by_role("button", name="Closer").click()
    low, high = shown_hz(spectra)
    spectra.locator(".view").focus()
    for key in ("Home", "ArrowRight", "End"):
        spectra.page.keyboard.press(key)
        words = spectra.locator(".reading").inner_text()
        found = re.match(r"P04, ([\d.]+) Hz: ", words)
        assert found is not None, words
        assert low * 0.99 <= float(found[1]) <= high * 1.01
