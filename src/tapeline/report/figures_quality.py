"""The quality matrix: runs by positions."""

from __future__ import annotations

from collections.abc import Sequence

from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from tapeline.report.figure_files import Spot
from tapeline.report.figure_panels import Heading, headed_figure, legend_line
from tapeline.report.figure_style import VERDICT_COLOURS, VERDICT_MARKS
from tapeline.report.finished_tables import Row
from tapeline.report.wording import short

VERDICTS = ("good", "doubtful", "unusable")
MARK_SIZES = {"good": 3.0, "doubtful": 4.5, "unusable": 5.5}


def quality_matrix(
    rows: Sequence[Row], runs: Sequence[str], positions: Sequence[str], heading: Heading
) -> tuple[Figure, Axes]:
    """Verdicts of `runs` (down) by `positions` (across): a mark each, with counts of bad ones at the margins."""
    row_in = 0.16 if len(runs) <= 30 else 0.125
    labels_in = 0.05 + 0.042 * max((len(short(name, 12)) for name in positions), default=1)
    figure, bottom, top = headed_figure(heading, max(len(runs), 1) * row_in, bottom_in=labels_in + 0.12, top_in=0.55)
    height_in = figure.get_size_inches()[1]
    axes = figure.add_axes((0.16, bottom / height_in, 0.74, (top - bottom) / height_in))
    across = {name: index for index, name in enumerate(positions)}
    down = {name: index for index, name in enumerate(runs)}
    inside = [row for row in rows if row["run"] in down and row["position"] in across]
    for verdict in VERDICTS:
        places = [(across[row["position"]], down[row["run"]]) for row in inside if row["verdict"] == verdict]
        axes.plot(
            [x for x, _ in places],
            [y for _, y in places],
            linestyle="none",
            marker=VERDICT_MARKS[verdict],
            color=VERDICT_COLOURS[verdict],
            markersize=MARK_SIZES[verdict],
            markeredgewidth=0.3,
            gid=verdict,
        )
    size = 5.5 if len(positions) <= 40 else 4.5
    axes.set_xticks(range(len(positions)), [short(name, 12) for name in positions], rotation=90, fontsize=size)
    axes.set_yticks(range(len(runs)), [short(name, 20) for name in runs], fontsize=size)
    axes.set_xlim(-0.6, max(len(positions), 1) - 0.4)
    axes.set_ylim(max(len(runs), 1) - 0.4, -0.6)
    axes.tick_params(length=0)
    axes.grid(color="#eeeeea", linewidth=0.4)
    bad_by_run = [sum(row["run"] == name and row["verdict"] != "good" for row in inside) for name in runs]
    for index, count in enumerate(bad_by_run):
        axes.annotate(f"{count or ''}", (1.01, index), xycoords=("axes fraction", "data"), va="center", fontsize=size)
    bad_by_position = [
        sum(row["position"] == name and row["verdict"] != "good" for row in inside) for name in positions
    ]
    for index, count in enumerate(bad_by_position):
        axes.annotate(f"{count or ''}", (index, 1.0), xycoords=("data", "axes fraction"), xytext=(0, 2),
                      textcoords="offset points", ha="center", va="bottom", fontsize=size)  # fmt: skip
    axes.annotate("not good", (1.01, 1.0), xycoords="axes fraction", xytext=(0, 2), textcoords="offset points",
                  va="bottom", fontsize=5.5)  # fmt: skip
    legend_line(figure, _handles())
    return figure, axes


def spots_of(axes: Axes, rows: Sequence[Row], runs: Sequence[str], positions: Sequence[str]) -> tuple[Spot, ...]:
    """The marks that are not good, with their reasons in words, where the matrix was drawn."""
    box = axes.get_position()
    width, height = 100.0 * box.width / max(len(positions), 1), 100.0 * box.height / max(len(runs), 1)
    across = {name: index for index, name in enumerate(positions)}
    down = {name: index for index, name in enumerate(runs)}
    return tuple(
        Spot(
            left=100.0 * box.x0 + width * across[row["position"]],
            top=100.0 * (1.0 - box.y1) + height * down[row["run"]],
            width=width,
            height=height,
            text=f"{row['run']}, {row['position']}, {row['verdict']}: "
            + "; ".join(row["sentences"] or row["reasons"] or ()),
        )
        for row in rows
        if row["verdict"] != "good" and row["run"] in down and row["position"] in across
    )


def _handles() -> list[Artist]:
    return [
        Line2D([], [], linestyle="none", marker=VERDICT_MARKS[verdict], color=VERDICT_COLOURS[verdict], label=verdict)
        for verdict in VERDICTS
    ]
