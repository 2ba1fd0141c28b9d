"""The look shared by all figures: the style file, the colours and marks of conditions and verdicts."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Literal, TypeAlias

import matplotlib.style
from matplotlib.axes import Axes
from matplotlib.colors import LinearSegmentedColormap, to_hex
from matplotlib.path import Path as MarkerPath
from matplotlib.ticker import FixedFormatter, FixedLocator, NullLocator

STYLE_FILE = Path(__file__).with_name("tapeline.mplstyle")

CONDITION_COLOURS = ("#1b4965", "#d0732c", "#2f8f7f", "#8c2d5a", "#b09a2c", "#5f5f5f")
Dashes: TypeAlias = Literal["solid"] | tuple[float, tuple[float, ...]]

CONDITION_DASHES: tuple[Dashes, ...] = (
    "solid",
    (0, (5.0, 1.5)),
    (0, (2.0, 1.2)),
    (0, (5.0, 1.5, 1.2, 1.5)),
    (0, (8.0, 2.0)),
    (0, (1.0, 1.0)),
)
CONDITION_MARKS = ("o", "s", "^", "D", "P", "*")
SPEED_COLOURS = LinearSegmentedColormap.from_list("slow-fast", ["#93b5c6", "#3f7a96", "#1b4965", "#0a1d2a"])
"""Pale for the slowest, dark for the fastest: readable in grey too."""
BACKGROUND_COLOUR = "#8f8f8a"
OUTLINE_COLOUR = "#a8a8a2"
INTERVAL_COLOUR = "#cfd8dc"
DOUBTFUL_COLOUR = "#8f8f8a"
DIFFERENCE_COLOUR = "#1b4965"
VERDICT_COLOURS = {"good": "#73909d", "doubtful": "#d08a1d", "unusable": "#5c1130"}
VERDICT_MARKS = {"good": ".", "doubtful": "^", "unusable": "X"}

DIFFERENCE_COLOURS = LinearSegmentedColormap.from_list(
    "lower-higher", ["#1d3f63", "#6f97b8", "#f6f5f1", "#e0965a", "#9c3d12"]
)
"""Blue for a lower level, brown for a higher one, paper for none."""

LEVEL_COLOURS = LinearSegmentedColormap.from_list("quiet-loud", ["#f6f5f1", "#8fb0b8", "#3f6f86", "#1b3a4b", "#0b1720"])
"""Paper for quiet, ink for loud: reads in print and without colour vision."""

DOWN_ARROW = MarkerPath([(0, 1), (0, -1), (-0.6, -0.3), (0, -1), (0.6, -0.3)], [1, 2, 1, 2, 2])
"""The mark of an upper bound in a legend."""
UP_ARROW = MarkerPath([(0, -1), (0, 1), (-0.6, 0.3), (0, 1), (0.6, 0.3)], [1, 2, 1, 2, 2])
"""The mark of a difference that is a lower bound."""
BOTH_ARROWS = MarkerPath(
    [(0, 1), (0, -1), (-0.6, -0.3), (0, -1), (0.6, -0.3), (-0.6, 0.3), (0, 1), (0.6, 0.3)], [1, 2, 1, 2, 2, 1, 2, 2]
)
"""The mark of one-sided statements in a legend."""

DOTTED_RING = MarkerPath.make_compound_path(MarkerPath.circle(radius=1.0), MarkerPath.circle(radius=0.2))
"""The mark of a position that was not measured."""

OCTAVES_HZ = (16.0, 31.5, 63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 16000.0)


@contextmanager
def report_style() -> Iterator[None]:
    """The report's style upon matplotlib's defaults, so that nobody's own settings reach the figures."""
    with matplotlib.style.context(STYLE_FILE, after_reset=True):
        yield


def condition_look(conditions: Sequence[str], name: str) -> tuple[str, Dashes]:
    """Colour and dashes of a condition: the same on the whole page."""
    index = list(conditions).index(name) if name in conditions else len(conditions)
    return CONDITION_COLOURS[index % len(CONDITION_COLOURS)], CONDITION_DASHES[index % len(CONDITION_DASHES)]


def condition_mark(conditions: Sequence[str], name: str) -> str:
    """Mark of a condition where marks stand for single levels: the same on the whole page."""
    index = list(conditions).index(name) if name in conditions else len(conditions)
    return CONDITION_MARKS[index % len(CONDITION_MARKS)]


def condition_face(conditions: Sequence[str], name: str) -> str:
    """What fills a condition's mark: paper or its colour by turns, so that neighbours differ in grey too."""
    index = list(conditions).index(name) if name in conditions else len(conditions)
    rounds = index // len(CONDITION_MARKS)
    return "white" if (index + rounds) % 2 == 0 else condition_look(conditions, name)[0]


def speed_look(index: int, count: int) -> tuple[str, str, Dashes]:
    """Colour, mark and dashes of a speed by its place among all of a figure's, the slowest first."""
    share = index / (count - 1) if count > 1 else 1.0
    mark, dashes = CONDITION_MARKS[index % len(CONDITION_MARKS)], CONDITION_DASHES[index % len(CONDITION_DASHES)]
    return to_hex(SPEED_COLOURS(share)), mark, dashes


def frequency_axis(axes: Axes, lowest_hz: float, highest_hz: float, *, upright: bool = False) -> None:
    """A logarithmic frequency axis with ticks at the octaves; `upright` for the one at the side."""
    if upright:
        axes.set_yscale("log")
        axes.set_ylim(lowest_hz, highest_hz)
    else:
        axes.set_xscale("log")
        axes.set_xlim(lowest_hz, highest_hz)
    axis = axes.yaxis if upright else axes.xaxis
    inside = [octave for octave in OCTAVES_HZ if lowest_hz <= octave <= highest_hz]
    axis.set_major_locator(FixedLocator(inside))
    axis.set_major_formatter(FixedFormatter([octave_label(octave) for octave in inside]))
    axis.set_minor_locator(NullLocator())


def octave_label(hertz: float) -> str:
    """A frequency for a narrow axis: "250", "2k"."""
    return f"{hertz / 1000:g}k" if hertz >= 1000 else f"{hertz:g}"
