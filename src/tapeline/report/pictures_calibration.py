"""The pictures of the calibrator checks: sensitivities against the charts, and which channel was calibrated when."""

from __future__ import annotations

from functools import partial

from tapeline.campaign.model import Campaign
from tapeline.report.comparison_views import in_table_order
from tapeline.report.figure_data import rows_data
from tapeline.report.figure_files import FigureShelf, Picture
from tapeline.report.figure_messages import applications_message, calibration_message
from tapeline.report.figure_panels import Heading, pages_of
from tapeline.report.figures_applications import application_figure
from tapeline.report.figures_calibration import calibration_figure
from tapeline.report.finished_tables import FinishedTables, Row
from tapeline.report.wording import counted, listed

POSITIONS_A_FIGURE = 72
SENSITIVITIES = (
    "session", "position", "sensor", "before_v_per_pa", "after_v_per_pa", "chart_v_per_pa", "sensitivity_v_per_pa",
    "deviation_db", "drift_db", "verdict",
)  # fmt: skip
APPLICATIONS = (
    "session",
    "run",
    "stage",
    "position",
    "found",
    "start_s",
    "stop_s",
    "application_starts_s",
    "application_stops_s",
    "reasons",
)


def calibration_pictures(tables: FinishedTables, campaign: Campaign, shelf: FigureShelf) -> list[Picture]:
    """Before and after against the chart, all sessions in one figure; several where there are many positions."""
    positions = in_table_order(campaign, (row["position"] for row in tables.calibration))
    pictures = []
    for part in pages_of(positions, POSITIONS_A_FIGURE):
        inside = [row for row in tables.calibration if row["position"] in part]
        sessions: dict[str, list[Row]] = {}
        for row in inside:
            sessions.setdefault(row["session"], []).append(row)
        selection = f"campaign {campaign.settings.campaign} · sessions {listed(sessions, 12)} · checks before and after"
        pictures.append(
            shelf.add(
                ("calibration",),
                partial(
                    calibration_figure,
                    sessions,
                    part,
                    Heading("Calibrator checks against the sensors' charts", selection),
                    campaign.settings.calibration.deviation_limit_db,
                ),
                alt=calibration_message(inside),
                data=rows_data(inside, SENSITIVITIES),
                caption="Sensitivity before (open circle) and after (filled square) the runs against the chart's; the "
                "line that joins them is the drift, the level line the sensitivity used.",
            )
        )
    return pictures


def application_pictures(tables: FinishedTables, campaign: Campaign, shelf: FigureShelf) -> list[Picture]:
    """Which channel was calibrated when, one figure a session; several where there are many positions."""
    sessions: dict[str, dict[str, list[Row]]] = {}
    for row in sorted(tables.checks, key=lambda row: (row["session"], row["stage"] != "before", row["run"])):
        sessions.setdefault(row["session"], {}).setdefault(row["run"], []).append(row)
    pictures = []
    for session, runs in sorted(sessions.items()):
        every = in_table_order(campaign, (row["position"] for rows in runs.values() for row in rows))
        for part in pages_of(every, POSITIONS_A_FIGURE):
            inside = {run: [row for row in rows if row["position"] in part] for run, rows in runs.items()}
            selection = (
                f"campaign {campaign.settings.campaign} · session {session} · runs {listed(runs, 12)} · "
                f"{counted(len(part), 'position')}"
            )
            heading = Heading(f"Which channel was calibrated when, session {session}", selection)
            pictures.append(
                shelf.add(
                    ("applications", session),
                    partial(application_figure, inside, part, heading),
                    alt=applications_message(inside, session),
                    data=rows_data([row for rows in inside.values() for row in rows], APPLICATIONS),
                    caption="Thin line: the tone was heard on this channel. Thick bar: the steady part that was "
                    "measured. Number: its turn in the recording; in brackets the turn stated in the run table, where "
                    "it is another.",
                )
            )
    return pictures
