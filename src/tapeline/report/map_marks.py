"""What a map shows at each position: a value, a bound, or why there is none."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal, TypeAlias

from tapeline.campaign.model import Campaign
from tapeline.report.comparison_views import SHOWN, View, common_bound, mean_level
from tapeline.report.counted_levels import counted_rows
from tapeline.report.finished_tables import FinishedTables, Row
from tapeline.report.headline import spoken_level
from tapeline.report.wording import NO_VALUE, number

Status: TypeAlias = Literal["shown", "equivalent", "not shown", "bound", "unusable", "not measured"]


@dataclass(frozen=True)
class Mark:
    """One position on a map. `value_db` where there is a value; of a bound the end that is known, or neither.

    `shown` of a level means that it is a value, which is the mean over `runs`; a difference has runs on two sides.
    """

    position: str
    status: Status
    value_db: float | None = None
    lower_db: float | None = None
    upper_db: float | None = None
    doubt: tuple[str, ...] = ()
    runs: tuple[str, ...] = ()
    reference_runs: tuple[str, ...] = ()
    treatment_runs: tuple[str, ...] = ()
    finding: str = ""
    signed: bool = True

    @property
    def doubtful(self) -> bool:
        """Whether anything makes it doubtful."""
        return bool(self.doubt)

    @property
    def text(self) -> str:
        """The number beside the mark: "-7.0", "≤61.2", with a question mark where it is doubtful; empty where none."""
        if self.value_db is not None:
            said = number(self.value_db, signed=self.signed)
        elif self.status == "bound" and self.upper_db is not None:
            said = f"≤{number(self.upper_db, signed=self.signed)}"
        elif self.status == "bound" and self.lower_db is not None:
            said = f"≥{number(self.lower_db, signed=self.signed)}"
        else:
            return ""
        return f"{said}?" if self.doubtful else said

    @property
    def state(self) -> str:
        """The status in words that fit a level too."""
        if self.signed:
            return self.status
        return {"shown": "value", "bound": "upper bound"}.get(self.status, self.status)

    @property
    def words(self) -> str:
        """What a pointer over the mark says."""
        level = f"{self.text.rstrip('?')} dB" if self.text else NO_VALUE
        doubt = f", doubtful: {'; '.join(self.doubt)}" if self.doubt else ""
        return f"{self.position}: {level} ({self.state}{doubt})"


def spoken_overall(campaign: Campaign, rows: Iterable[Row]) -> list[Row]:
    """Of some rows on overall levels those of the level that the sheet speaks of."""
    wanted = spoken_level(campaign)
    return [row for row in rows if (row["weighting"], (row["lowest_band_hz"], row["highest_band_hz"])) == wanted]


def difference_marks(tables: FinishedTables, campaign: Campaign, view: View) -> list[Mark]:
    """A mark for each position of the campaign but the reference sensors: the view's overall difference."""
    rows = {row["position"]: row for row in spoken_overall(campaign, view.overall)}
    sides = [
        _side(tables, campaign, session, condition, view.speed_mps, view.yaw_deg)
        for session, condition in (
            (view.reference_session, view.reference),
            (view.treatment_session, view.treatment),
        )
    ]
    references = campaign.settings.background.references
    names = [row["position"] for row in tables.positions if row["position"] not in references]
    return [_difference_mark(rows[name]) if name in rows else _without_difference(name, sides) for name in names]


def _difference_mark(row: Row) -> Mark:
    return Mark(
        row["position"],
        _difference_status(row),
        row["difference_db"],
        row["lower_db"],
        row["upper_db"],
        tuple(row["doubt"] or ()),
        reference_runs=tuple(row["reference_runs"] or ()),
        treatment_runs=tuple(row["treatment_runs"] or ()),
        finding=row["finding"],
    )


def _difference_status(row: Row) -> Status:
    if row["difference_db"] is None:
        return "bound"
    if row["finding"] in SHOWN:
        return "shown"
    return "equivalent" if row["finding"] == "equivalent" else "not shown"


def _without_difference(name: str, sides: Sequence[Side]) -> Mark:
    """Why a position has no difference: one side was not measured, both are bounds, or one has nothing usable."""
    if not all(side.measured(name) for side in sides):
        return Mark(name, "not measured")
    levels = [side.usable(name) for side in sides]
    bounded = any(row["corrected_level_db"] is None for rows in levels for row in rows)
    return Mark(name, "bound" if all(levels) and bounded else "unusable")


@dataclass(frozen=True)
class Side:
    """One condition in one session at one operating point: positions with a channel, and overall levels."""

    channels: frozenset[str]
    levels: Mapping[str, Sequence[Row]]

    def measured(self, position: str) -> bool:
        """Whether any run has a channel there."""
        return position in self.channels or position in self.levels

    def usable(self, position: str) -> list[Row]:
        """The levels that are put together in a mean."""
        return counted_rows(self.levels.get(position, ()))

    def mark(self, position: str) -> Mark:
        """The mean level over the runs, or what there is instead of it."""
        if not self.measured(position):
            return Mark(position, "not measured", signed=False)
        rows = self.usable(position)
        if not rows:
            return Mark(position, "unusable", signed=False)
        level, bound = mean_level(rows), common_bound(rows)
        doubt = tuple(dict.fromkeys(f"{code}: {row['run']}" for row in rows for code in row["doubt"] or ()))
        runs = tuple(sorted(row["run"] for row in rows))
        status: Status = "shown" if level is not None else "bound"
        return Mark(position, status, level, None, bound, doubt, runs, signed=False)


def _side(
    tables: FinishedTables, campaign: Campaign, session: str, condition: str, speed_mps: float, yaw_deg: float
) -> Side:
    """The runs of a condition in a session at an operating point; also those that proved unusable as a whole."""
    wanted = ("measurement", session, condition, speed_mps, yaw_deg)
    runs = {
        row["run"]
        for row in tables.runs
        if (row["kind"], row["session"], row["condition"], row["speed_mps"], row["yaw_deg"] or 0.0) == wanted
        and row["status"] in ("used", "unusable")
    }
    channels = frozenset(row["position"] for row in tables.quality if row["run"] in runs)
    levels: dict[str, list[Row]] = {}
    for row in spoken_overall(campaign, tables.overall):
        if row["run"] in runs:
            levels.setdefault(row["position"], []).append(row)
    return Side(channels, levels)


@dataclass(frozen=True)
class ConditionLevels:
    """The levels of one condition where most positions have one, with a mark for each position."""

    condition: str
    session: str
    speed_mps: float
    yaw_deg: float
    marks: tuple[Mark, ...]


def reference_levels(tables: FinishedTables, campaign: Campaign) -> ConditionLevels | None:
    """The reference condition's overall level at the session and operating point with most positions.

    Of several the fastest, then the one with the least yaw, then the first session. None where it has no used run.
    """
    condition = campaign.settings.reference_condition
    points = sorted(
        {
            (row["session"], row["speed_mps"], row["yaw_deg"] or 0.0)
            for row in tables.runs
            if row["kind"] == "measurement" and row["condition"] == condition and row["status"] == "used"
            if row["speed_mps"] is not None
        }
    )
    names = [row["position"] for row in tables.positions]
    found = []
    for session, speed, yaw in points:
        side = _side(tables, campaign, session, condition, speed, yaw)
        found.append(ConditionLevels(condition, session, speed, yaw, tuple(side.mark(name) for name in names)))
    return min(
        found,
        key=lambda each: (-_count(each.marks, "shown", "bound"), -each.speed_mps, abs(each.yaw_deg), each.session),
        default=None,
    )


def _count(marks: Iterable[Mark], *statuses: Status) -> int:
    return sum(mark.status in statuses for mark in marks)
