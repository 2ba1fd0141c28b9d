"""A grid of equal panels with a heading, a legend line and the selection printed at the foot."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass

from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties
from matplotlib.textpath import TextPath

from tapeline.report.wording import short

WIDTH_IN = 7.2
FOOT_CHARACTERS = 170
LINE_IN = 0.115
HINTED = 1.05
"""Letters drawn on whole pixels are up to so much wider than their outlines."""
WIDEST_LETTER_EM = 1.01
"""No letter of ASCII is wider in the figures' own font, whose @ is 0.997 em (a test measures all)."""
LEAST_NAME = 6
"""Characters of a panel's name that stay whatever stands beside it."""


@dataclass(frozen=True)
class Heading:
    """What stands over a figure and, as its selection, at its foot."""

    title: str
    selection: str


def pages_of(names: Sequence[str], size: int) -> list[list[str]]:
    """Names by figure, so many at most on each."""
    return [list(names[start : start + size]) for start in range(0, len(names), size)]


def foot_lines(selection: str) -> list[str]:
    """The selection broken into lines that fit the figure's width."""
    return textwrap.wrap(selection, FOOT_CHARACTERS) or [""]


def headed_figure(
    heading: Heading, body_in: float, *, bottom_in: float = 0.42, top_in: float = 0.5
) -> tuple[Figure, float, float]:
    """An empty figure with its heading and foot; also the lower and upper end of its body in inches.

    `body_in` is the height left between the labels below, `bottom_in`, and the title and legend above, `top_in`.
    """
    lines = foot_lines(heading.selection)
    foot_in = LINE_IN * len(lines) + 0.06
    height_in = foot_in + bottom_in + body_in + top_in
    figure = Figure(figsize=(WIDTH_IN, height_in))
    figure.text(0.01, 1 - 0.05 / height_in, heading.title, va="top", ha="left", fontsize=8.5, fontweight="bold")
    foot = "\n".join(lines)
    figure.text(0.01, 0.03 / height_in, foot, va="bottom", ha="left", fontsize=5.5, color="#555555")
    return figure, foot_in + bottom_in, height_in - top_in


def legend_line(figure: Figure, handles: Sequence[Artist]) -> None:
    """The legend in one line under the title."""
    if handles:
        height_in = figure.get_size_inches()[1]
        figure.legend(
            handles=list(handles),
            loc="upper left",
            bbox_to_anchor=(0.01, 1 - 0.22 / height_in),
            ncols=len(handles),
        )


def title_panel(axes: Axes, name: str, count: str) -> None:
    """A panel's title: its name and "n = " the count."""
    axes.set_title(cut_name(axes, name, f"n = {count}"))


def cut_name(axes: Axes, name: str, rest: str, between: str = "   ") -> str:
    """A panel's name and what is said beside it: a name too long for the panel is cut, the rest never is."""
    width_pt = 72.0 * WIDTH_IN * axes.get_position().width
    font = FontProperties(family=axes.title.get_fontfamily(), size=axes.title.get_fontsize())
    most = len(name)
    while most > LEAST_NAME and not _fits(f"{short(name, most)}{between}{rest}", font, width_pt):
        most -= 1
    return f"{short(name, most)}{between}{rest}"


def _fits(text: str, font: FontProperties, width_pt: float) -> bool:
    # Outlines are laid out only where the number of letters does not settle it: most names are short.
    if text.isascii() and len(text) * WIDEST_LETTER_EM * font.get_size_in_points() * HINTED <= width_pt:
        return True
    return _width_pt(text, font) <= width_pt


def _width_pt(text: str, font: FontProperties) -> float:
    return float(TextPath((0.0, 0.0), text, prop=font, usetex=False).get_extents().width) * HINTED


def panel_grid(
    count: int, heading: Heading, x_label: str, y_label: str, *, columns: int = 3, panel_in: float = 1.3
) -> tuple[Figure, list[Axes]]:
    """A figure of `count` panels that share both axes; at least one panel, even for nothing to show."""
    count = max(count, 1)
    columns = min(columns, count)
    rows = math.ceil(count / columns)
    gap_in, left_in, right_in = 0.24, 0.5, 0.08
    figure, bottom, top = headed_figure(heading, rows * panel_in + (rows - 1) * gap_in, top_in=0.58)
    height_in = figure.get_size_inches()[1]
    between_in = 0.14
    width_in = (WIDTH_IN - left_in - right_in - (columns - 1) * between_in) / columns
    every: list[Axes] = []
    for index in range(count):
        row, column = divmod(index, columns)
        left = left_in + column * (width_in + between_in)
        low = top - (row + 1) * panel_in - row * gap_in
        place = (left / WIDTH_IN, low / height_in, width_in / WIDTH_IN, panel_in / height_in)
        first = every[0] if every else None
        axes = figure.add_axes(place, sharex=first, sharey=first)
        axes.tick_params(labelleft=column == 0, labelbottom=index + columns >= count)
        every.append(axes)
    figure.text(0.5, (bottom - 0.3) / height_in, x_label, ha="center", va="center", fontsize=7)
    figure.text(0.012, (bottom + top) / 2 / height_in, y_label, ha="left", va="center", rotation=90, fontsize=7)
    return figure, every
