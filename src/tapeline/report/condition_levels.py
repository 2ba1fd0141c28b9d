"""Mean levels of every condition at one session and operating point, with their absolute intervals or as bounds."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from tapeline.campaign.model import Campaign
from tapeline.report.chosen_runs import ChosenRuns
from tapeline.report.comparison_views import common_bound
from tapeline.report.finished_tables import FinishedTables, Row


@dataclass(frozen=True)
class ConditionLevel:
    """A mean level over `runs` with its absolute interval, or an upper bound; dB, None where it is the other.

    An overall level has no `midband_hz`, and the edges of the sum as edges.
    """

    midband_hz: float | None
    lower_hz: float
    upper_hz: float
    level_db: float | None
    lower_db: float | None
    upper_db: float | None
    bound_db: float | None
    runs: tuple[str, ...]
    doubtful: bool


EDGES = ("midband_hz", "lower_hz", "upper_hz")

Levels = Mapping[str, Mapping[str, Sequence[ConditionLevel]]]
"""Levels by position and condition."""

Backgrounds = Mapping[tuple[str, float], float]
"""Background levels in dB by position and midband frequency."""


def runs_at(tables: FinishedTables, campaign: Campaign, chosen: ChosenRuns) -> dict[str, list[str]]:
    """The used measurements of every condition at the chosen session and operating point, in the settings' order."""
    place = (chosen.session, chosen.speed_mps, chosen.yaw_deg)
    found: dict[str, list[str]] = {name: [] for name in campaign.settings.conditions}
    for row in tables.used_measurements:
        if (row["session"], row["speed_mps"], row["yaw_deg"] or 0.0) == place:
            found.setdefault(row["condition"] or "", []).append(row["run"])
    return {name: runs for name, runs in found.items() if runs}


def band_levels(tables: FinishedTables, campaign: Campaign, chosen: ChosenRuns) -> tuple[Levels, Backgrounds]:
    """Band levels of all positions, and their backgrounds; a band without any level or bound is not there."""
    means = tables.absolute_levels(chosen.session, chosen.speed_mps, chosen.yaw_deg, "band")
    runs = runs_at(tables, campaign, chosen)
    rows = {name: tables.band_rows(chosen.session, own) for name, own in runs.items()}
    return put_together(means, rows), background_levels(row for own in rows.values() for row in own)


def background_levels(rows: Iterable[Row]) -> dict[tuple[str, float], float]:
    """The mean level of the runs' backgrounds by position and midband frequency, where there are any."""
    found: dict[tuple[str, float], list[float]] = {}
    for row in rows:
        if row["background_level_db"] is not None:
            found.setdefault((row["position"], row["midband_hz"]), []).append(row["background_level_db"])
    return {place: sum(levels) / len(levels) for place, levels in found.items()}


def overall_levels(
    tables: FinishedTables, campaign: Campaign, chosen: ChosenRuns, weighting: str, range_hz: tuple[float, float]
) -> dict[str, dict[str, ConditionLevel]]:
    """One overall level by position and condition."""
    same = (weighting, *range_hz)
    means = [
        row
        for row in tables.absolute_levels(chosen.session, chosen.speed_mps, chosen.yaw_deg, "overall")
        if (row["weighting"], row["lowest_band_hz"], row["highest_band_hz"]) == same
    ]
    rows = {
        name: [
            {**row, "band_hz": None, "midband_hz": None}
            for row in tables.overall
            if row["session"] == chosen.session
            and row["run"] in own
            and (row["weighting"], row["lowest_band_hz"], row["highest_band_hz"]) == same
        ]
        for name, own in runs_at(tables, campaign, chosen).items()
    }
    every = put_together(means, rows)
    return {position: {name: own[0] for name, own in found.items()} for position, found in every.items()}


def put_together(means: Iterable[Row], rows: Mapping[str, Sequence[Row]]) -> dict[str, dict[str, list[ConditionLevel]]]:
    """Means where there are any, else the bound of the runs (`rows` by condition), in order of frequency."""
    mean = {(row["position"], row["condition"], row["band_hz"]): row for row in means}
    found: dict[str, dict[str, list[ConditionLevel]]] = {}
    for condition, own in rows.items():
        gathered: dict[tuple[str, float | None], list[Row]] = {}
        for row in own:
            gathered.setdefault((row["position"], row["band_hz"]), []).append(row)
        for (position, place), members in sorted(gathered.items(), key=lambda part: (part[0][0], part[0][1] or 0.0)):
            level = _level(mean.get((position, condition, place)), members)
            if level is not None:
                found.setdefault(position, {}).setdefault(condition, []).append(level)
    return found


def _level(mean: Row | None, rows: Sequence[Row]) -> ConditionLevel | None:
    together = [row for row in rows if row["comparable"]]
    if not together:
        return None
    midband, lower, upper = (rows[0][name] for name in EDGES)
    value = low = high = bound = None
    if mean is not None and mean["level_db"] is not None:
        runs = tuple(mean["runs"] or ())
        value, low, high = (mean[name] for name in ("level_db", "lower_db", "upper_db"))
    else:
        runs = tuple(sorted(row["run"] for row in together))
        bound = common_bound(together)
    if value is None and bound is None:
        return None
    doubtful = any(row["doubt"] for row in rows if row["run"] in runs)
    return ConditionLevel(midband, lower, upper, value, low, high, bound, runs, doubtful)
