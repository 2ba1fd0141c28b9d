"""What a figure of the page shows, read back from its drawing."""

from __future__ import annotations

import re
from xml.etree import ElementTree

from tapeline.report.charts.figure import Figure

SVG = "{http://www.w3.org/2000/svg}"
Place = tuple[float, float]


def words(figure: Figure) -> list[str]:
    """All texts of a figure, in the order in which they are drawn."""
    return ["".join(text.itertext()) for text in ElementTree.fromstring(figure.drawing).iter(f"{SVG}text")]


def paths(figure: Figure, role: str) -> list[list[Place]]:
    """The corners of all paths whose classes are just these, legend and all; one list a path, subpaths in a row."""
    found = ElementTree.fromstring(figure.drawing).iter(f"{SVG}path")
    return [_corners(path.get("d", "")) for path in found if path.get("class") == role]


def _corners(drawn: str) -> list[Place]:
    corners: list[Place] = []
    x = y = 0.0
    for letter, numbers in re.findall(r"([MLHVaz])([^MLHVaz]*)", drawn):
        values = [float(text) for text in numbers.split()]
        if letter in "ML":
            x, y = values
        elif letter == "H":
            x = values[0]
        elif letter == "V":
            y = values[0]
        else:
            continue
        corners.append((x, y))
    return corners
