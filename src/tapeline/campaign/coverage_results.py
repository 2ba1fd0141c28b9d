"""What finished results say of a campaign's runs, as far as its coverage depends on it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from tapeline.campaign.coverage_cells import Point, Usable
from tapeline.campaign.model import Campaign
from tapeline.campaign.tables import Run

UNUSABLE = "unusable"

Row = Mapping[str, Any]
View = tuple[str, str, str, Point]
"""Name of a comparison, session of the reference and of the treatment, operating point rounded."""

BandRuns = Mapping[tuple[str, frozenset[str], frozenset[str]], int]
"""How many bands of a position rest on which runs of the reference and of the treatment."""


@dataclass(frozen=True)
class Measured:
    """What results know. `changed_runs` are used by the results and stand otherwise in the run table, or not at all.

    `changed_verdicts` are runs and positions of which a verdict set by hand is another than when the results were made.
    """

    usable: Usable
    changed_runs: tuple[str, ...] = ()
    changed_verdicts: tuple[tuple[str, str], ...] = ()
    bands: Mapping[View, BandRuns] = field(default_factory=dict)

    def knows(self, run: str, position: str) -> bool:
        """Whether the results were made of this run and position as the files have them now."""
        return run not in self.changed_runs and (run, position) not in self.changed_verdicts


def view_of(comparison: str, sessions: tuple[str, str], point: Point) -> View:
    """The key of what is known of a comparison at an operating point, whatever the last digits of the speed."""
    return comparison, *sessions, (round(point[0], 6), round(point[1], 6))


def measured(
    campaign: Campaign, runs: Iterable[Row], quality: Iterable[Row], calibration: Iterable[Row], bands: Iterable[Row]
) -> Measured:
    """What results say, from rows of their tables: `bands` are those of the comparisons that are bands.

    A channel can be used where neither its verdict in the run nor its calibration in the session is unusable. Verdicts
    set by hand are those of the campaign's files as they stand now, set or taken back after the results were made.
    """
    refused = {(row["session"], row["position"]) for row in calibration if row["verdict"] == UNUSABLE}
    by_hand = {(row.run, row.position): row.verdict for row in campaign.overrides}
    usable: dict[tuple[str, str], bool] = {}
    changed = []
    for row in quality:
        run, position = row["run"], row["position"]
        verdict = by_hand.get((run, position), by_hand.get((run, None), row["found_verdict"] or row["verdict"]))
        if verdict != row["verdict"]:
            changed.append((run, position))
        usable[run, position] = verdict != UNUSABLE and (row["session"], position) not in refused
    return Measured(usable, _changed_runs(campaign, runs), tuple(changed), _band_runs(bands))


def _changed_runs(campaign: Campaign, rows: Iterable[Row]) -> tuple[str, ...]:
    """Measurements that the results used and of which the files say another thing, or nothing."""
    used = {run.run: _stated(campaign, run) for run in campaign.used_runs() if run.kind == "measurement"}
    made = {
        row["run"]: (row["session"], row["condition"] or "", *_rounded(row["speed_mps"], row["yaw_deg"]))
        for row in rows
        if row["kind"] == "measurement" and row["status"] in ("used", UNUSABLE)
    }
    return tuple(name for name, stated in made.items() if used.get(name) != stated)


def _stated(campaign: Campaign, run: Run) -> tuple[Any, ...]:
    speed, yaw = campaign.operating_points.get(run.run, (None, run.yaw_deg))
    return (run.session, run.condition or "", *_rounded(speed, yaw))


def _rounded(speed_mps: float | None, yaw_deg: float | None) -> tuple[float | None, float | None]:
    return None if speed_mps is None else round(speed_mps, 6), None if yaw_deg is None else round(yaw_deg, 6)


def _band_runs(rows: Iterable[Row]) -> dict[View, dict[tuple[str, frozenset[str], frozenset[str]], int]]:
    found: dict[View, dict[tuple[str, frozenset[str], frozenset[str]], int]] = {}
    for row in rows:
        sessions = (row["reference_session"], row["treatment_session"])
        counts = found.setdefault(view_of(row["comparison"], sessions, (row["speed_mps"], row["yaw_deg"])), {})
        key = (row["position"], frozenset(row["reference_runs"] or ()), frozenset(row["treatment_runs"] or ()))
        counts[key] = counts.get(key, 0) + 1
    return found
