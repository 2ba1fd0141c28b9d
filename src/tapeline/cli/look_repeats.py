"""The repeats that a recording just made can be held against: levels in the results of the same session and point."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass

from tapeline.campaign.faults import listed
from tapeline.campaign.model import Campaign
from tapeline.campaign.operating_points import operating_points
from tapeline.campaign.tables import Run
from tapeline.jobs.table_files import session_table
from tapeline.report.wording import operating_point
from tapeline.store import parquet, tables

UNUSABLE = "unusable"


@dataclass(frozen=True)
class Asked:
    """What a recording is that is in no row of the run table yet, as far as its user says."""

    condition: str | None = None
    speed_mps: float | None = None
    yaw_deg: float = 0.0


@dataclass(frozen=True)
class Known:
    """Levels of the repeats at one position in one weighting, dB by run, and the edges that they are summed between."""

    edges_hz: tuple[float, float]
    levels_db: Mapping[str, float]


@dataclass(frozen=True)
class Repeats:
    """What a recording is compared with, or in `words` why it is not; `known` by position, then by weighting."""

    words: str
    known: Mapping[str, Mapping[str, Known]] = dataclasses.field(default_factory=dict)


def repeats_of(campaign: Campaign, session: str, run: str | None, asked: Asked) -> Repeats:
    """The used runs of the same session, condition, speed and yaw that have levels in the results.

    Condition and point are those of the recording's row, or `asked` where it has none.
    """
    here = campaign.runs[run] if run else None
    if here is not None and here.kind != "measurement":
        return Repeats(f"not compared with repeats: run {run} is a {here.kind}")
    condition = here.condition if here else asked.condition
    speed = here.speed_mps if here else asked.speed_mps
    if condition is None or speed is None:
        return Repeats("not compared with repeats: name what it is, --condition NAME --speed-kmh SPEED [--yaw-deg YAW]")
    yaw = here.yaw_deg if here else asked.yaw_deg
    others = [each for each in campaign.used_runs() if each.kind == "measurement" and each.run != run]
    names, point = _at_the_point(campaign, others, session, condition, (speed, yaw))
    place = f"session {session}, {condition}, {operating_point(*point, campaign.settings.report.speed_unit)}"
    if not names:
        return Repeats(f"not compared with repeats: the run table has no other used run of {place}")
    known = _levels(campaign, session, names)
    found = sorted({name for own in known.values() for each in own.values() for name in each.levels_db})
    if not found:
        many = f"run{'s' if len(names) > 1 else ''} {listed(names, 4)}"
        return Repeats(f"not compared with repeats: the results have no level of {many} ({place})")
    return Repeats(f"compared with run{'s' if len(found) > 1 else ''} {listed(found, 6)} ({place})", known)


def _at_the_point(
    campaign: Campaign, others: list[Run], session: str, condition: str, asked: tuple[float, float]
) -> tuple[list[str], tuple[float, float]]:
    """Runs whose operating point is that of the speed and yaw asked for, as all runs together make points."""
    if not others:
        return [], asked
    name = "\0"  # No run can be called so.
    new = dataclasses.replace(others[0], run=name, speed_mps=asked[0], yaw_deg=asked[1])
    points = operating_points([*others, new], campaign.settings)
    alike = [
        each.run
        for each in others
        if each.session == session and each.condition == condition and points[each.run] == points[name]
    ]
    return sorted(alike), points[name]


def _levels(campaign: Campaign, session: str, names: list[str]) -> dict[str, dict[str, Known]]:
    """Total levels over the range of the first overall level; of one position only those that sum the same bands."""
    path = session_table(campaign.results, "overall", session)
    wanted = campaign.settings.overall[0].range_hz
    known: dict[str, dict[str, Known]] = {}
    for row in parquet.read_rows(tables.OVERALL, path) if path.is_file() else ():
        low, high = edges = row["lower_hz"], row["upper_hz"]
        gaps = any(low < band < high for band in row.get("absent_bands_hz") or ())
        doubted = UNUSABLE in (row["quality"], row["calibration"])
        if row["run"] not in names or (row["lowest_band_hz"], row["highest_band_hz"]) != wanted or gaps or doubted:
            continue
        own = known.setdefault(row["position"], {})
        before = own.get(row["weighting"], Known(edges, {}))
        if row["level_db"] is not None and before.edges_hz == edges:
            own[row["weighting"]] = Known(edges, {**before.levels_db, row["run"]: row["level_db"]})
    return known
