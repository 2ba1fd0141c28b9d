"""Which background runs are subtracted from each run."""

from __future__ import annotations

from tapeline.campaign.model import Campaign
from tapeline.campaign.tables import Run

PointKey = tuple[str, tuple[float, float]]


def background_runs(campaign: Campaign) -> dict[str, tuple[str, ...]]:
    """Names of the background runs of every used measurement, sorted.

    As the run table names them (a re-taken one stands for the one it replaces); else those of the same session at the
    same operating point: the ones that name the run's condition, or where none does, the ones that name no condition.
    """
    points, replaced = campaign.operating_points, campaign.superseded()
    at_point: dict[PointKey, list[Run]] = {}
    for run in campaign.used_runs():
        if run.kind == "background" and run.run in points:
            at_point.setdefault((run.session, points[run.run]), []).append(run)

    def chosen(run: Run) -> tuple[str, ...]:
        if run.background is not None:
            return tuple(sorted({_latest(name, replaced) for name in run.background}))
        candidates = at_point.get((run.session, points[run.run]), []) if run.run in points else []
        own = [other.run for other in candidates if other.condition == run.condition]
        return tuple(sorted(own or [other.run for other in candidates if other.condition is None]))

    return {run.run: chosen(run) for run in campaign.used_runs() if run.kind == "measurement"}


def _latest(name: str, replaced: dict[str, str]) -> str:
    while name in replaced:
        name = replaced[name]
    return name
