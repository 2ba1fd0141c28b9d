"""The heat map of differences, position by band."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.cm import ScalarMappable
from matplotlib.collections import PolyCollection
from matplotlib.colors import Normalize
from matplotlib.figure import Figure
from numpy.typing import NDArray

from tapeline.report.comparison_views import SHOWN
from tapeline.report.figure_panels import Heading, headed_figure
from tapeline.report.figure_style import DIFFERENCE_COLOURS, octave_label
from tapeline.report.finished_tables import Row
from tapeline.report.wording import number, short

MOST_NUMBERED_ROWS = 30
MOST_NUMBERED_BANDS = 34


def heat_map(panels: Mapping[str, Sequence[Row]], heading: Heading, largest_db: float) -> Figure:
    """Differences position by band in the order given; hatched where not shown, grey where only one-sided.

    `largest_db` is the end of the colour scale on both sides. A cell holds its number where there is room, with
    a question mark where doubtful; in large maps a plus stands in the shown increases, so that the sign is seen
    without colour.
    """
    names = list(panels)
    bands = sorted({row["band_hz"] for rows in panels.values() for row in rows})
    columns = {band: index for index, band in enumerate(bands)}
    row_in = 0.17 if len(names) <= MOST_NUMBERED_ROWS else 0.125
    figure, bottom, top = headed_figure(heading, max(len(names), 1) * row_in, bottom_in=0.4, top_in=0.26)
    height_in = figure.get_size_inches()[1]
    place = (0.12, bottom / height_in, 0.79, (top - bottom) / height_in)
    axes = figure.add_axes(place)
    values = np.full((max(len(names), 1), max(len(bands), 1)), np.nan)
    numbered = len(names) <= MOST_NUMBERED_ROWS and len(bands) <= MOST_NUMBERED_BANDS
    hatched, one_sided = [], []
    for index, rows in enumerate(panels.values()):
        for row in rows:
            column = columns[row["band_hz"]]
            if row["difference_db"] is None:
                one_sided.append((column, index))
                _write_bound(axes, column, index, row, numbered)
                continue
            values[index, column] = row["difference_db"]
            if row["finding"] not in SHOWN:
                hatched.append((column, index))
            _write_number(axes, column, index, row, numbered, largest_db)
    norm = Normalize(-largest_db, largest_db)
    axes.imshow(values, cmap=DIFFERENCE_COLOURS, norm=norm, aspect="auto", interpolation="nearest")
    _cells(axes, one_sided, "one-sided", facecolor="#dcdcd8")
    _cells(axes, hatched, "not-shown", hatch="////")
    marked = numbered and any(row["doubtful"] for rows in panels.values() for row in rows)
    _label(axes, names, bands, doubtful=marked)
    _scale(figure, norm, (0.925, place[1], 0.014, place[3]))
    return figure


def _cells(axes: Axes, cells: Sequence[tuple[int, int]], gid: str, *, facecolor: str = "none", hatch: str = "") -> None:
    corners = [[(x - 0.5, y - 0.5), (x + 0.5, y - 0.5), (x + 0.5, y + 0.5), (x - 0.5, y + 0.5)] for x, y in cells]
    marked = PolyCollection(corners, facecolors=facecolor, edgecolors="#8a8a86", linewidths=0, gid=gid)
    if hatch:
        marked.set_hatch(hatch)
    axes.add_collection(marked, autolim=False)


def _write_number(axes: Axes, column: int, index: int, row: Row, numbered: bool, largest_db: float) -> None:
    value = row["difference_db"]
    shown = row["finding"] in SHOWN
    dark = _is_dark(value, largest_db)
    if numbered:
        text = number(value, signed=True) + _mark(row)
        weight = "bold" if shown else "normal"
    elif shown and value > 0:
        text, weight = "+", "bold"
    else:
        return
    colour = "white" if dark else "#222222"
    paper = None if shown or dark else {"facecolor": "#f6f5f1", "edgecolor": "none", "pad": 0.4}
    axes.text(column, index, text, ha="center", va="center", fontsize=4.6, color=colour, fontweight=weight, bbox=paper)


def _is_dark(value: float, largest_db: float) -> bool:
    """Whether white text is read better than black on the cell: by the luma of its colour (ITU-R BT.601)."""
    red, green, blue, _ = DIFFERENCE_COLOURS(Normalize(-largest_db, largest_db)(value))
    return bool(0.299 * red + 0.587 * green + 0.114 * blue < 0.5)


def _write_bound(axes: Axes, column: int, index: int, row: Row, numbered: bool) -> None:
    if not numbered:
        return
    if row["upper_db"] is not None:
        text = f"≤{number(row['upper_db'], signed=True)}"
    elif row["lower_db"] is not None:
        text = f"≥{number(row['lower_db'], signed=True)}"
    else:
        text = "b"
    text += _mark(row)
    axes.text(column, index, text, ha="center", va="center", fontsize=4, color="#333333", style="italic")


def _mark(row: Row) -> str:
    """What follows a number that the table calls doubtful."""
    return "?" if row["doubtful"] else ""


def _label(axes: Axes, names: Sequence[str], bands: Sequence[float], *, doubtful: bool) -> None:
    every = max(1, int(np.ceil(len(bands) / 32)))
    ticks = list(range(0, len(bands), every))
    axes.set_xticks(ticks, [octave_label(bands[tick]) for tick in ticks], rotation=90, fontsize=5.5)
    axes.set_yticks(range(len(names)), [short(name, 16) for name in names], fontsize=5.5)
    axes.set_xlabel("band, Hz   (?: doubtful)" if doubtful else "band, Hz")
    axes.grid(visible=False)
    axes.tick_params(length=0)
    axes.set_xlim(-0.5, max(len(bands), 1) - 0.5)
    axes.set_ylim(max(len(names), 1) - 0.5, -0.5)


def _scale(figure: Figure, norm: Normalize, place: tuple[float, float, float, float]) -> None:
    axes = figure.add_axes(place)
    bar = figure.colorbar(ScalarMappable(norm, DIFFERENCE_COLOURS), cax=axes)
    bar.set_label("difference, dB", fontsize=6.5)
    bar.outline.set_linewidth(0.4)
    axes.grid(visible=False)


def heat_limit(values: Sequence[float], threshold_db: float) -> float:
    """The end of the colour scale: the largest difference, but never less than twice the threshold or 1 dB."""
    found: NDArray[np.float64] = np.abs(np.asarray(values, dtype=np.float64))
    return float(max(np.ceil(found.max()) if found.size else 0.0, 2 * threshold_db, 1.0))
