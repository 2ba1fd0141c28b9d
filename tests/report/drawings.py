"""What a test sees in a drawing of the page: paths by role, words, and places read back to values."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from xml.etree import ElementTree

from tapeline.report.blocks import Block, Bullets, Fold, Group, Prose, Section, TableBlock, figures
from tapeline.report.charts.figure import Figure
from tapeline.report.charts.scales import Scale
from tapeline.report.page_table import PlainTable, plain

SVG = "{http://www.w3.org/2000/svg}"


def tree_of(figure: Figure) -> ElementTree.Element:
    """The drawing as a tree."""
    return ElementTree.fromstring(str(figure.drawing))


def words_of(figure: Figure) -> list[str]:
    """All words drawn, in their order."""
    return ["".join(found.itertext()) for found in tree_of(figure).iter(f"{SVG}text")]


def paths_of(figure: Figure, role: str) -> list[str]:
    """The paths of a role, such as "ln c0"."""
    return [found.attrib["d"] for found in tree_of(figure).iter(f"{SVG}path") if found.attrib.get("class") == role]


def points_of(path: str) -> list[tuple[float, float]]:
    """The places of a path of moves and lines (M and L)."""
    return [(float(x), float(y)) for x, y in re.findall(r"[ML](-?[\d.]+) (-?[\d.]+)", path)]


def steps_of(path: str) -> list[tuple[float, float]]:
    """The places of a path of a move and steps from each to the next (M and l)."""
    numbers = [float(found) for found in re.findall(r"-?(?:\d+\.?\d*|\.\d+)", path)]
    places = [(numbers[0], numbers[1])]
    for across, down in zip(numbers[2::2], numbers[3::2], strict=True):
        places.append((places[-1][0] + across, places[-1][1] + down))
    return places


def value_at(scale: Scale, place: float) -> float:
    """The value that stands at a place of a linear scale."""
    low, high = scale.limits
    return low + (place - scale.start) / (scale.end - scale.start) * (high - low)


def figures_of(sections: list[Section]) -> list[Figure]:
    """All figures of some sections."""
    return [figure for section in sections for figure in figures(section.blocks)]


def said_in(blocks: Sequence[Block]) -> str:
    """All words of some blocks' paragraphs and lists, folded ones too."""
    parts: list[str] = []
    for block in blocks:
        if isinstance(block, Prose):
            parts.append(plain(block.words))
        elif isinstance(block, Bullets):
            parts += [plain(item) for item in block.items]
        elif isinstance(block, (Fold, Group)):
            parts.append(said_in(block.blocks))
    return "\n".join(parts)


def table_in(blocks: Sequence[Block], key: str) -> PlainTable:
    """The table of that key in some blocks, folded ones too."""
    return next(table for table in _tables(blocks) if table.key == key)


def _tables(blocks: Sequence[Block]) -> Iterator[PlainTable]:
    for block in blocks:
        if isinstance(block, TableBlock):
            yield block.table
        elif isinstance(block, (Fold, Group)):
            yield from _tables(block.blocks)
