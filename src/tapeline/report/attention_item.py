"""One line of what needs attention, and the places of the page that such lines lead to."""

from __future__ import annotations

from dataclasses import dataclass

QUALITY, CALIBRATION, REPEATABILITY = "#quality", "#calibration", "#repeatability"
COVERAGE, COMPARISONS, SUMS = "#coverage", "#comparisons", "#sums"


@dataclass(frozen=True)
class Attention:
    """One line: how bad, where, what was found, what to do next; `href` leads to what it is about, if anywhere."""

    severity: str
    where: str
    found: str
    action: str
    href: str = ""


def comparison_place(name: str) -> str:
    """Where the comparison stands on the page."""
    return f"#comparison-{name}"
