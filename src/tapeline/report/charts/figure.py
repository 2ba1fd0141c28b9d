"""A figure of the page: one or several panels with a legend, the words for it, and its numbers as a table."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from markupsafe import Markup

from tapeline.report.charts.looks import Look, bound_arrow, mark
from tapeline.report.charts.markup import drawing, element, px, text
from tapeline.report.charts.panel import LETTER_PX, Box, Panel, Reading
from tapeline.report.figure_data import FigureData
from tapeline.report.wording import LONGEST_PART, file_stem

WIDTH_PX = 680.0
"""Width of a figure: what a sheet of A4 and of Letter has between its margins at 96 pixels an inch."""

LEGEND_ROW_PX = 18.0


@dataclass(frozen=True)
class Figure:
    """A drawing with its alternative text, caption, numbers and what can be read off it.

    `name` are identifiers; they make the anchor on the page and the names of the two files beside it.
    """

    name: tuple[str, ...]
    title: str
    drawing: Markup
    alt: str
    caption: str
    data: FigureData
    readings: tuple[Reading, ...] = ()

    @property
    def stem(self) -> str:
        """The name of its files; where a part was cut, the whole name's digest tells it from others."""
        is_cut = any(len(part) > LONGEST_PART for part in self.name)
        digest = hashlib.sha256("_".join(self.name).encode()).hexdigest()[:6]
        return file_stem((*self.name, digest) if is_cut else self.name)

    @property
    def anchor(self) -> str:
        """Its place on the page."""
        return f"fig-{self.stem}"

    @property
    def read(self) -> str:
        """What the page's script reads: words a line, after the places that they belong to."""
        places: dict[str, list[Reading]] = {}
        for each in self.readings:
            places.setdefault(each.words, []).append(each)
        return "\n".join(
            f"{';'.join(px(each.x) for each in own)} {';'.join(px(each.y) for each in own)} {words}"
            for words, own in places.items()
        )


@dataclass(frozen=True)
class Key:
    """An entry of a legend: how something is drawn, and its words."""

    words: str
    role: str
    shape: str | None = None
    dashes: str | None = None
    line: bool = True


def condition_key(look: Look, words: str) -> Key:
    """The entry of a condition."""
    return Key(words, look.role, look.shape, look.dashes)


def figure_of(
    name: tuple[str, ...],
    title: str,
    panels: Sequence[Panel],
    keys: Sequence[Key],
    *,
    height: float,
    alt: str,
    caption: str,
    data: FigureData,
    width: float = WIDTH_PX,
    more: Iterable[str] = (),
) -> Figure:
    """A figure of panels over one legend; `height` is that of the panels, `more` are further elements."""
    legend, below = legend_markup(keys, height, width)
    svg = drawing(width, below, *(panel.markup() for panel in panels), *more, legend, title=alt)
    readings = tuple(reading for panel in panels for reading in panel.readings)
    return Figure(name, title, svg, alt, caption, data, readings)


def panel_boxes(
    count: int, *, columns: int, height: float, width: float = WIDTH_PX, left: float = 52.0
) -> tuple[list[Box], float]:
    """The boxes of small panels, filled row by row, and the height of them all."""
    gap_across, gap_down, top = 22.0, 44.0, 26.0
    each = (width - left - 8.0 - (columns - 1) * (gap_across + 26.0)) / columns
    boxes = []
    for index in range(count):
        row, column = divmod(index, columns)
        start = left + column * (each + gap_across + 26.0)
        above = top + row * (height + gap_down)
        boxes.append(Box(start, above, start + each, above + height))
    rows = -(-count // columns)
    return boxes, top + rows * (height + gap_down)


def legend_markup(keys: Sequence[Key], top: float, width: float, left: float = 8.0) -> tuple[str, float]:
    """The legend below a figure, broken into rows so that no word is cut, and where it ends."""
    made: list[str] = []
    x, y = left, top + 12.0
    for key in keys:
        room = 34.0 + LETTER_PX * len(key.words) + 14.0
        if x + room > width and x > left:
            x, y = left, y + LEGEND_ROW_PX
        made.append(_sample(key, x, y - 4.0))
        made.append(text(key.words, x + 32.0, y, "t"))
        x += room
    return "".join(made), (y + 8.0 if keys else top)


def _sample(key: Key, x: float, y: float) -> str:
    made = ""
    if key.shape in ("arrow", "arrow-up"):
        is_up = key.shape == "arrow-up"
        return element("path", d=bound_arrow(x + 13, y + (6 if is_up else -5), upward=is_up), class_=f"ar {key.role}")
    if key.shape == "box":
        return element("path", d=f"M{px(x)} {px(y - 5)}H{px(x + 26)}V{px(y + 5)}H{px(x)}z", class_=f"fl {key.role}")
    if key.line:
        made = element("path", d=f"M{px(x)} {px(y)}H{px(x + 26)}", class_=f"ln {key.role}", stroke_dasharray=key.dashes)
    if key.shape is not None:
        made += element("path", d=mark(key.shape, x + 13, y), class_=f"mk {key.role}")
    return made
