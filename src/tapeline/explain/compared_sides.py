"""The sides of a difference: their runs with levels and means, and the repeats that tell how runs scatter."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from tapeline.campaign.plan import Plan
from tapeline.explain.asked_number import AskedItem
from tapeline.explain.explanation import Chapter, Fact, Heading, Listing, Part
from tapeline.explain.measured_level import level_rows
from tapeline.jobs import compare
from tapeline.jobs.compare.compared_runs import ComparisonJob, load_comparison_job, repeat_pools
from tapeline.report.wording import operating_point
from tapeline.statistics.comparison import ConditionMean
from tapeline.statistics.repeat_pools import CellKey, RepeatPools
from tapeline.statistics.repeat_scatter import Scatter

Row = Mapping[str, Any]


@dataclass(frozen=True)
class Repeats:
    """The levels of all runs as comparisons take them, and one item at one position among them."""

    job: ComparisonJob
    pools: RepeatPools
    p: int
    i: int

    def key(self, session: str, condition: str, row: Row) -> CellKey:
        """The cell of a condition in a session at the row's operating point, as the levels have it."""
        point = row["speed_mps"], row["yaw_deg"]
        same = (key for key in self.job.cells if key[:2] == (session, condition) and _is_point(key[2], point))
        return next(same, (session, condition, point))

    def mean(self, key: CellKey, runs: Sequence[str]) -> ConditionMean:
        """The mean level of the runs of a cell that are used, (positions, items)."""
        used = tuple(run for run in self.job.cells[key] if run.run in runs)
        return self.job.cell(used)


def load_repeats(plan: Plan, position: str, item: AskedItem) -> Repeats:
    """Read the levels of all sessions."""
    job = load_comparison_job(plan.results, compare.needs(plan))
    wanted = item.columns
    i = next(
        number
        for number, each in enumerate(job.cube.items)
        if (each.quantity, each.weighting) == (wanted["quantity"], wanted["weighting"])
        and (each.band_hz == item.band_hz if item.range_hz is None else (each.lower_hz, each.upper_hz) == item.range_hz)
    )
    return Repeats(job, repeat_pools(job), job.cube.positions.index(position), i)


def _is_point(found: tuple[float, float], wanted: tuple[float, float]) -> bool:
    return all(math.isclose(a, b, rel_tol=1e-9, abs_tol=1e-9) for a, b in zip(found, wanted, strict=True))


RUN_HEADINGS = (
    Heading("run", "run"),
    Heading("corrected_level_db", "corrected", "dB"),
    Heading("upper_bound_db", "at most", "dB"),
    Heading("nominal_correction_db", "to nominal", "dB"),
    Heading("compared_db", "compared", "dB"),
    Heading("random_uncertainty_db", "random", "dB"),
    Heading("background_uncertainty_db", "background", "dB"),
    Heading("state", "state"),
    Heading("used", "used"),
    Heading("comparable", "comparable"),
    Heading("pooled", "pooled"),
    Heading("doubt", "doubt"),
)


def side_chapter(
    plan: Plan, repeats: Repeats, name: str, key: CellKey, position: str, item: AskedItem, used: Sequence[str]
) -> Chapter:
    """One side's runs with their levels, whether they count, and their mean."""
    session, condition, _ = key
    runs = [run.run for run in repeats.job.cells.get(key, ())]
    rows = level_rows(plan, runs[0], position, item, runs) if runs else []
    at_nominal = plan.settings.compare.at_nominal
    listed = [_run_row(row, used, at_nominal=at_nominal) for row in rows]
    title = f"{name.capitalize()}: {condition}, session {session}"
    parts: list[Part] = [Listing("runs", "", RUN_HEADINGS, tuple(listed))]
    silent = [run for run in runs if run not in {row["run"] for row in rows}]
    if silent:
        parts.append(f"Without a level: {', '.join(silent)}.")
    if used:
        parts += _mean_facts(repeats, key, used, [row for row in listed if row["used"]])
    parts.append("Each level is explained by its own run: tapeline explain RUN POSITION BAND.")
    return Chapter(name, title, tuple(parts))


def _run_row(row: Row, used: Sequence[str], *, at_nominal: bool) -> dict[str, Any]:
    level = row["corrected_level_db"] if row["corrected_level_db"] is not None else row["upper_bound_db"]
    added = row["nominal_correction_db"] if at_nominal else None
    compared = None if level is None else level + (added or 0.0)
    cells = {heading.key: row.get(heading.key) for heading in RUN_HEADINGS}
    return cells | {"nominal_correction_db": added, "compared_db": compared, "used": row["run"] in used}


def _mean_facts(repeats: Repeats, key: CellKey, used: Sequence[str], rows: Sequence[Row]) -> list[Part]:
    mean = repeats.mean(key, used)
    at = repeats.p, repeats.i
    levels = [row["compared_db"] for row in rows if row["corrected_level_db"] is not None]
    own = float(np.std(levels, ddof=1)) if len(levels) > 1 else None
    facts: list[Part] = [Fact("count", "levels that are averaged", int(mean.count[at]))]
    if mean.bound[at]:
        said = "level of the mean power of values and bounds: at least one run is a bound"
        return [*facts, Fact("upper_db", "the side is at most", float(mean.upper_db[at]), "dB", said)]
    return [
        *facts,
        Fact("mean_db", "mean of the compared levels", float(mean.mean_db[at]), "dB", "mean in decibels"),
        Fact("own_scatter_db", "standard deviation of these", own, "dB"),
        Fact(
            "random_db",
            "random error of one run",
            math.sqrt(float(mean.random_variance[at])),
            "dB",
            "rms over the runs",
        ),
    ]


SCATTER_HEADINGS = (
    Heading("session", "session"),
    Heading("condition", "condition"),
    Heading("point", "operating point"),
    Heading("runs", "runs"),
    Heading("pooled_for", "pooled for"),
)


def scatter_chapter(plan: Plan, repeats: Repeats, sides: Mapping[str, CellKey]) -> Chapter:
    """How a run scatters beyond random error at the position, and by which repeats that is known."""
    keys = list(sides.values())
    found = repeats.pools.of_pair(keys[0], keys[1])
    pools = {name: repeats.pools.pool(key) for name, key in sides.items()}
    rows = []
    for key in dict.fromkeys(each for pool in pools.values() for each in pool):
        runs = [run.run for run in repeats.job.cells[key] if run.run in repeats.job.cube.runs]
        rows.append(
            {
                "session": key[0],
                "condition": key[1],
                "point": operating_point(*key[2], plan.settings.report.speed_unit),
                "runs": runs,
                "pooled_for": [name for name, pool in pools.items() if key in pool],
            }
        )
    parts: list[Part] = []
    for name, scatter in zip(sides, found, strict=True):
        parts += _scatter_facts(name, scatter, repeats)
    parts += [
        Listing(
            "pool", "Repeats that tell it, with those of near bands (docs/methods.md)", SCATTER_HEADINGS, tuple(rows)
        ),
        "Term repeats = root of the sum over both sides of scatter^2 / levels averaged; random error likewise.",
        Fact(
            "repeats_pooled",
            "pooled over conditions and speeds",
            plan.settings.compare.repeats_pooled,
            source="compare.repeats_pooled",
        ),
    ]
    return Chapter("scatter", "Scatter of repeats", tuple(parts))


def _scatter_facts(name: str, scatter: Scatter, repeats: Repeats) -> Iterable[Part]:
    at = repeats.p, repeats.i
    lent = scatter.is_lent[at] if isinstance(scatter.is_lent, np.ndarray) else scatter.is_lent
    where = "that of other sessions: this one has no repeats" if lent else ""
    degrees = float(scatter.degrees_of_freedom[at])
    yield Fact(
        f"{name}_excess_db",
        f"{name}: scatter of a run beyond random error",
        math.sqrt(float(scatter.excess[at])),
        "dB",
        where,
    )
    yield Fact(
        f"{name}_degrees_of_freedom",
        f"{name}: its degrees of freedom",
        degrees,
        source="" if degrees else "nothing is known",
    )
