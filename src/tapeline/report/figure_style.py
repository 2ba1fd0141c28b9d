"""The look shared by all figures: the style file, the colours and marks of conditions and verdicts."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Literal, TypeAlias

import matplotlib.style
from matplotlib.axes import Axes
from matplotlib.colors import LinearSegmentedColormap
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
BACKGROUND_COLOUR = "#8f8f8a"
INTERVAL_COLOUR = "#cfd8dc"
DOUBTFUL_COLOUR = "#8f8f8a"
DIFFERENCE_COLOUR = "#1b4965"
VERDICT_COLOURS = {"good": "#73909d", "doubtful": "#d08a1d", "unusable": "#5c1130"}
VERDICT_MARKS = {"good": ".", "doubtful": "^", "unusable": "X"}

DIFFERENCE_COLOURS = LinearSegmentedColormap.from_list(
    "lower-higher", ["#1d3f63", "#6f97b8", "#f6f5f1", "#e0965a", "#9c3d12"]
)
"""Blue for a lower level, brown for a higher one, paper for none."""

DOWN_ARROW = MarkerPath([(0, 1), (0, -1), (-0.6, -0.3), (0, -1), (0.6, -0.3)], [1, 2, 1, 2, 2])
"""The mark of an upper bound in a legend."""
BOTH_ARROWS = MarkerPath(
    [(0, 1), (0, -1), (-0.6, -0.3), (0, -1), (0.6, -0.3), (-0.6, 0.3), (0, 1), (0.6, 0.3)], [1, 2, 1, 2, 2, 1, 2, 2]
)
"""The mark of one-sided statements in a legend."""

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
