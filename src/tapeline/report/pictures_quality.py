"""The quality matrices: a mark for each channel of each run, with the reasons where they are not good."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial

from tapeline.campaign.model import Campaign
from tapeline.report.comparison_views import in_table_order
from tapeline.report.figure_data import rows_data
from tapeline.report.figure_files import Drawn, FigureShelf, Picture
from tapeline.report.figure_messages import quality_message
from tapeline.report.figure_panels import Heading, pages_of
from tapeline.report.figures_quality import quality_matrix, spots_of
from tapeline.report.finished_tables import FinishedTables, Row
from tapeline.report.wording import counted

RUNS_A_MATRIX = 60
POSITIONS_A_MATRIX = 72
COLUMNS = ("run", "position", "channel", "verdict", "reasons")


def quality_pictures(tables: FinishedTables, campaign: Campaign, shelf: FigureShelf) -> list[Picture]:
    """The quality matrix of each session, on several figures where it is large."""
    sessions: dict[str, list[Row]] = {}
    for row in tables.quality:
        sessions.setdefault(row["session"], []).append(row)
    return [
        picture
        for session, rows in sorted(sessions.items())
        for picture in _matrices(tables, campaign, shelf, session, rows)
    ]


def _matrices(
    tables: FinishedTables, campaign: Campaign, shelf: FigureShelf, session: str, rows: Sequence[Row]
) -> list[Picture]:
    times = {row["run"]: row["recorded_at"] or "" for row in tables.runs}
    runs = sorted({row["run"] for row in rows}, key=lambda name: (times.get(name, ""), name))
    positions = in_table_order(campaign, (row["position"] for row in rows))
    pictures = []
    for part_of_runs in pages_of(runs, RUNS_A_MATRIX):
        for part in pages_of(positions, POSITIONS_A_MATRIX):
            inside = [row for row in rows if row["run"] in part_of_runs and row["position"] in part]
            selection = (
                f"campaign {campaign.settings.campaign} · session {session} · runs {part_of_runs[0]} to "
                f"{part_of_runs[-1]} (n = {len(part_of_runs)}) · {counted(len(part), 'position')}"
            )
            heading = Heading(f"Quality of each channel in each run, session {session}", selection)
            pictures.append(
                shelf.add(
                    ("quality", session),
                    partial(_drawn, inside, part_of_runs, part, heading),
                    alt=quality_message(inside, session),
                    data=rows_data(inside, COLUMNS, session=session),
                    caption=f"Quality verdicts, session {session}: runs in order of time, {part_of_runs[0]} to "
                    f"{part_of_runs[-1]}. Numbers at the margins count the verdicts that are not good. "
                    "A pointer over a mark shows its reasons, which stand in the table below too.",
                )
            )
    return pictures


def _drawn(rows: Sequence[Row], runs: Sequence[str], positions: Sequence[str], heading: Heading) -> Drawn:
    figure, axes = quality_matrix(rows, runs, positions, heading)
    return Drawn(figure, spots_of(axes, rows, runs, positions))
