"""Rows of the table `treatments`: what a condition gains against the untreated one, and what it leaves to be gained.

Both are differences of two conditions and are made as those of the comparisons are. Where campaign.yaml compares the
same two conditions its rows are taken as they are, turned where need be.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, cast

from tapeline.campaign.settings import Comparison
from tapeline.campaign.treated_conditions import Untreated, most_treated
from tapeline.jobs.compare.additivity_rows import Split, own_mean_level, split_rows
from tapeline.jobs.compare.compared_pairs import compared_pairs
from tapeline.jobs.compare.compared_runs import ComparisonJob
from tapeline.jobs.compare.comparison_rows import LESS_TAKEN_OFF, SIDES, comparison_rows
from tapeline.jobs.compare.contributed import contributed
from tapeline.jobs.compare.drift_rows import Drifts, reference_drifts
from tapeline.statistics.repeat_pools import Point, RepeatPools
from tapeline.statistics.session_changes import SessionChanges
from tapeline.store.shared_columns import ITEM_KEY, ITEM_WITH_MIDBAND

if TYPE_CHECKING:
    from tapeline.store.rows import AdditivityRow, ComparisonsRow, TreatmentsRow

Key = tuple[object, ...]
"""Sessions of the condition and of the other one, position, speed, yaw, item."""

PLACE = ("pairing", "position", "speed_mps", "yaw_deg", *(column.name for column in ITEM_WITH_MIDBAND), "level_basis")

TAKEN_OVER = (
    "standard_error_db",
    "degrees_of_freedom",
    "interval_basis",
    "p_value",
    "adjusted_p_value",
    "family_size",
    "why_not",
    "state",
    "doubtful",
)

OPPOSITE = {"lower": "higher", "higher": "lower"}


def treatment_rows(
    job: ComparisonJob, declared: Mapping[str, Sequence[ComparisonsRow]], pools: RepeatPools, changes: SessionChanges
) -> list[TreatmentsRow]:
    """One row a condition, pair of sessions, position, operating point and band or overall level.

    `declared` are the rows of the table `comparisons`, by comparison. A condition that is the untreated one has none.
    """
    untreated = job.needs.untreated
    if untreated is None or not job.cube.items:
        return []
    conditions = [name for name in job.needs.applied if name != untreated.condition]
    treated = _Treated(job, untreated, pools)
    made = _Differences(job, declared, pools, changes, frozenset({untreated.condition, *treated.all_best(conditions)}))
    return [row for condition in conditions for row in _of_condition(treated, made, condition)]


def _of_condition(treated: _Treated, made: _Differences, condition: str) -> Iterator[TreatmentsRow]:
    job, untreated, best = treated.job, treated.untreated, treated.best(condition)
    rows: dict[Key, TreatmentsRow] = {}
    for difference in made.of(condition, untreated.condition):
        _put(rows, difference, condition, "gain")
    for other in sorted(set(best.values())):
        for difference in made.of(condition, other):
            if best.get((difference["speed_mps"], difference["yaw_deg"])) == other:
                _put(rows, difference, condition, "remainder")
    _put_shares(treated, rows, condition)
    chosen_by = "best_condition" if job.needs.compare.best_condition else "most applied"
    for row in rows.values():
        held_against = best.get((row["speed_mps"], row["yaw_deg"]))
        yield {
            **row,
            "condition": condition,
            "applied": list(job.needs.applied[condition]),
            "untreated": untreated.condition,
            "untreated_by": untreated.known_by,
            "best": held_against,
            "best_by": None if held_against is None else chosen_by,
        }


@dataclass(frozen=True)
class _Treated:
    """Which conditions are held against which."""

    job: ComparisonJob
    untreated: Untreated
    pools: RepeatPools

    @cached_property
    def _measured(self) -> dict[Point, set[str]]:
        """The conditions with treatments that have a usable level at each operating point."""
        found: dict[Point, set[str]] = {}
        for (_, condition, point), runs in self.job.cells.items():
            if condition in self.job.needs.applied and condition != self.untreated.condition:
                found.setdefault(point, set()).update([condition] if self.job.has_levels(runs) else ())
        return found

    def best(self, condition: str) -> dict[Point, str]:
        """What a condition is held against at each operating point; nowhere where several are equally treated."""
        stated = self.job.needs.compare.best_condition
        if stated:
            return {} if condition == stated else dict.fromkeys(self._measured, stated)
        most = {
            point: most_treated(self.job.needs.applied, condition, names) for point, names in self._measured.items()
        }
        return {point: names[0] for point, names in most.items() if len(names) == 1}

    def all_best(self, conditions: Iterable[str]) -> set[str]:
        return {other for condition in conditions for other in self.best(condition).values()}


@dataclass(frozen=True)
class _Differences:
    """Differences of any two conditions: those of the comparisons, else made now."""

    job: ComparisonJob
    declared: Mapping[str, Sequence[ComparisonsRow]]
    pools: RepeatPools
    changes: SessionChanges
    references: frozenset[str]

    def of(self, condition: str, other: str) -> Iterable[ComparisonsRow]:
        for name, comparison in self.job.needs.comparisons.items():
            if {comparison.reference, comparison.treatment} == {condition, other}:
                return self.declared[name]
        return self._made(Comparison(reference=other, treatment=condition))

    @cached_property
    def _drifts(self) -> Drifts:
        return reference_drifts(self.job, self.pools, self.references)

    def _made(self, comparison: Comparison) -> Iterator[ComparisonsRow]:
        for found in compared_pairs(self.job, comparison, self.pools, self.changes):
            adds = contributed(self.job, comparison, found)
            yield from comparison_rows(self.job, "", comparison, found, adds, self._drifts, self.pools)


def _put(rows: dict[Key, TreatmentsRow], difference: ComparisonsRow, condition: str, name: str) -> None:
    """Add a difference of a condition and another one to its row: as a gain or as a remainder."""
    treated = difference["treatment"] == condition
    own, other = SIDES[::-1] if treated else SIDES
    cells = cast("Mapping[str, object]", difference)
    sessions = cells[f"{own}_session"], cells[f"{other}_session"]
    side = "untreated" if name == "gain" else "best"
    added = {
        "session": sessions[0],
        "other_session": sessions[1],
        **{column: cells.get(column) for column in PLACE},
        "runs": cells[f"{own}_runs"],
        f"{side}_runs": cells[f"{other}_runs"],
        "available": cells[f"{own}_available"],
        f"{side}_available": cells[f"{other}_available"],
        **{f"{name}_{column}": cells.get(column) for column in TAKEN_OVER},
        f"{name}_comparison": difference["comparison"] or None,
        f"{name}_pairs": min(len(difference["reference_runs"]), len(difference["treatment_runs"])),
        f"{name}_finding": difference["finding"] if treated else OPPOSITE.get(*[difference["finding"]] * 2),
        f"{name}_doubt": [_with_condition(difference, doubt) for doubt in difference["doubt"]],
    }
    ends = difference.get("lower_db"), difference.get("upper_db")
    value = difference.get("difference_db")
    if treated == (name == "gain"):
        value, ends = _negative(value), (_negative(ends[1]), _negative(ends[0]))
    added |= {f"{name}_db": value, f"{name}_lower_db": ends[0], f"{name}_upper_db": ends[1]}
    rows[_key(cells, *sessions)] = cast("TreatmentsRow", {**rows.get(_key(cells, *sessions), {}), **added})


def _key(row: Mapping[str, object], session: object, other: object) -> Key:
    return (session, other, *(row[name] for name in ("position", "speed_mps", "yaw_deg")), *map(row.get, ITEM_KEY))


def _negative(value: float | None) -> float | None:
    return None if value is None else 0.0 - value


def _with_condition(difference: ComparisonsRow, doubt: str) -> str:
    """A doubt that names a side of its comparison, with the condition instead: here nothing is a reference."""
    for side, condition in zip(SIDES, (difference["reference"], difference["treatment"]), strict=True):
        doubt = doubt.replace(f"{LESS_TAKEN_OFF}: {side} (", f"{LESS_TAKEN_OFF}: {condition} (")
    return doubt


def _put_shares(treated: _Treated, rows: Mapping[Key, TreatmentsRow], condition: str) -> None:
    """Add the share of the best condition's change of power, where a session has all three conditions."""
    job, untreated = treated.job, treated.untreated.condition
    for (session, point), best in {
        (session, point): treated.best(condition)[point]
        for session, name, point in job.cells
        if name == condition and point in treated.best(condition)
    }.items():
        split = Split("applied", untreated, best, (condition,))
        runs = [job.cells.get((session, name, point), ()) for name in split.conditions]
        if not all(map(job.known, runs)):
            continue
        levels = [own_mean_level(job, each, treated.pools) for each in runs]
        names = [name for each in runs for name in job.known(each)]
        for found in split_rows(job, levels, names, [job.used(each) for each in runs]):
            place = {**found, "speed_mps": point[0], "yaw_deg": point[1]}
            row = rows.get(_key(place, session, session))
            if row is not None and found["upper_db"] is not None:
                row.update(_share(found))


def _share(found: AdditivityRow) -> TreatmentsRow:
    value, lower, upper = (_ratio(found[name]) for name in ("interaction_db", "lower_db", "upper_db"))
    return {"share": value, "share_lower": lower, "share_upper": upper}


def _ratio(level_db: float | None) -> float | None:
    return None if level_db is None else float(10.0 ** (level_db / 10.0))
