"""Whose spectra are drawn over speed: one run a speed of two conditions, all of one session and yaw."""

from __future__ import annotations

from dataclasses import dataclass

from tapeline.campaign.model import Campaign
from tapeline.report.finished_tables import FinishedTables, Row

MOST_SPEEDS = 12


@dataclass(frozen=True)
class ToneRuns:
    """The chosen runs, rows of the run table, by condition and in order of speed; all of one session and yaw."""

    session: str
    yaw_deg: float
    runs: dict[str, tuple[Row, ...]]

    @property
    def names(self) -> tuple[str, ...]:
        """The runs of all conditions."""
        return tuple(row["run"] for rows in self.runs.values() for row in rows)

    @property
    def speeds_mps(self) -> list[float]:
        """The nominal speeds of any condition, in order."""
        return sorted({row["speed_mps"] for rows in self.runs.values() for row in rows})


def searched_conditions(campaign: Campaign) -> list[str]:
    """The reference condition and the treatment of the first comparison, or its reference where both are one."""
    settings = campaign.settings
    first = next(iter(settings.comparisons.values()), None)
    beside = [first.treatment, first.reference] if first is not None else []
    return list(dict.fromkeys(name for name in (settings.reference_condition, *beside) if name))[:2]


def tone_runs(tables: FinishedTables, campaign: Campaign) -> ToneRuns | None:
    """The runs of the session and yaw where both conditions meet at most speeds; None where neither was run.

    Of as many the smallest yaw, then the first session. At each speed the first run, one with an unusable channel after
    one without. Of more than `MOST_SPEEDS` speeds as many, evenly over all of them.
    """
    conditions = searched_conditions(campaign)
    places: dict[tuple[str, float], dict[str, dict[float, list[Row]]]] = {}
    for row in tables.runs:
        if row["kind"] != "measurement" or row["status"] != "used" or not row["speed_mps"]:
            continue
        if row["condition"] in conditions:
            place = places.setdefault((row["session"], row["yaw_deg"] or 0.0), {})
            place.setdefault(row["condition"], {}).setdefault(row["speed_mps"], []).append(row)
    if not places:
        return None
    best = min(places, key=lambda place: (-sum(map(len, places[place].values())), abs(place[1]), place))
    unusable = {row["run"] for row in tables.quality if row["verdict"] == "unusable"}
    found = {name: places[best][name] for name in conditions if name in places[best]}
    kept = _evenly(sorted({speed for speeds in found.values() for speed in speeds}))
    runs = {
        name: tuple(_first_run(speeds[speed], unusable) for speed in kept if speed in speeds)
        for name, speeds in found.items()
    }
    return ToneRuns(best[0], best[1], {name: rows for name, rows in runs.items() if rows})


def _first_run(rows: list[Row], unusable: set[str]) -> Row:
    return min(rows, key=lambda row: (row["run"] in unusable, row["recorded_at"] or "", row["run"]))


def _evenly(speeds: list[float]) -> list[float]:
    if len(speeds) <= MOST_SPEEDS:
        return speeds
    return [speeds[round(k * (len(speeds) - 1) / (MOST_SPEEDS - 1))] for k in range(MOST_SPEEDS)]
