"""What a run is used for: in which differences, as whose background, and for which sensitivities."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from tapeline.campaign.model import Campaign
from tapeline.report.comparison_views import View, drawn, panels, views
from tapeline.report.finished_tables import FinishedTables, Row

SIDES = ("reference", "treatment")


@dataclass(frozen=True)
class Compared:
    """A run on one side of a comparison at one operating point: where it counts, and what of it the page shows.

    `positions` are all of them, `with_figure` those that have one; `is_shown` says whether the view is on the page.
    """

    view: View
    side: str
    positions: tuple[str, ...]
    with_figure: frozenset[str]
    is_shown: bool


@dataclass(frozen=True)
class RunUses:
    """The uses of all runs, by run."""

    compared: Mapping[str, Sequence[Compared]]
    background_of: Mapping[str, Sequence[str]]
    calibrates: Mapping[str, Sequence[Row]]
    refused_for: Mapping[str, Sequence[Row]]


def run_uses(tables: FinishedTables, campaign: Campaign) -> RunUses:
    """Look once through comparisons, run table and calibration."""
    every = views(tables.comparisons)
    shown = {view.key for view in drawn(every)}
    compared: dict[str, list[Compared]] = {}
    for view in every:
        figures = frozenset(panels(campaign, view, tables.ranking)) if view.key in shown else frozenset()
        for side in SIDES:
            for run, positions in _positions(view, side).items():
                found = Compared(view, side, tuple(sorted(positions)), figures, view.key in shown)
                compared.setdefault(run, []).append(found)
    background_of: dict[str, list[str]] = {}
    for row in tables.runs:
        for run in row["background_runs"] or ():
            background_of.setdefault(run, []).append(row["run"])
    return RunUses(
        compared,
        background_of,
        _by_check(tables.calibration, "used_checks"),
        _by_check(tables.calibration, "refused_checks"),
    )


def _positions(view: View, side: str) -> dict[str, set[str]]:
    found: dict[str, set[str]] = {}
    for row in (*view.band_rows(), *view.overall):
        for run in row[f"{side}_runs"] or ():
            found.setdefault(run, set()).add(row["position"])
    return found


def _by_check(calibration: Sequence[Row], column: str) -> dict[str, list[Row]]:
    found: dict[str, list[Row]] = {}
    for row in calibration:
        for run in row[column] or ():
            found.setdefault(run, []).append(row)
    return found
