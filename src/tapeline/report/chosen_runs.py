"""One run a condition, chosen to show spectra and histories side by side."""

from __future__ import annotations

from dataclasses import dataclass

from tapeline.campaign.model import Campaign
from tapeline.report.comparison_views import condition_title
from tapeline.report.finished_tables import FinishedTables, Row
from tapeline.report.wording import operating_point

MOST_CONDITIONS = 5


@dataclass(frozen=True)
class ChosenRuns:
    """One run by condition, all of one session and operating point."""

    session: str
    speed_mps: float
    yaw_deg: float
    runs: dict[str, str]


def chosen_runs(tables: FinishedTables, campaign: Campaign) -> ChosenRuns | None:
    """The first used run of each condition where most conditions meet; None where no run can be shown.

    Of the sessions and operating points with as many conditions: the fastest, then the one with the least yaw, then
    the first session. A run with an unusable channel comes after one without.
    """
    unusable = {row["run"] for row in tables.quality if row["verdict"] == "unusable"}
    places: dict[tuple[str, float, float], dict[str, list[Row]]] = {}
    for row in tables.used_measurements:
        if row["speed_mps"] is not None:
            place = (row["session"], row["speed_mps"], row["yaw_deg"] or 0.0)
            places.setdefault(place, {}).setdefault(row["condition"] or "", []).append(row)
    if not places:
        return None
    session, speed, yaw = min(places, key=lambda place: (-len(places[place]), -place[1], abs(place[2]), place))
    found = places[session, speed, yaw]
    order = [name for name in campaign.settings.conditions if name in found]
    order += [name for name in found if name not in order]
    runs = {
        name: min(found[name], key=lambda row: (row["run"] in unusable, row["recorded_at"] or "", row["run"]))["run"]
        for name in order[:MOST_CONDITIONS]
    }
    return ChosenRuns(session, speed, yaw, runs)


def runs_words(campaign: Campaign, chosen: ChosenRuns) -> str:
    """The session, operating point and runs: "Session april, 130 km/h, yaw 0°, one run a condition: Seam open a05"."""
    point = operating_point(chosen.speed_mps, chosen.yaw_deg, campaign.settings.report.speed_unit)
    runs = ", ".join(f"{condition_title(campaign, name)} {run}" for name, run in chosen.runs.items())
    return f"Session {chosen.session}, {point}, one run a condition: {runs}"
