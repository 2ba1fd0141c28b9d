"""Job `compare`: treatment against reference at the same position, speed and yaw; and what to work on first."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

from tapeline.acoustics.background import MarginLimits
from tapeline.campaign.plan import Plan
from tapeline.jobs.compare import JOB, CompareNeeds
from tapeline.jobs.compare import needs as needs_of
from tapeline.jobs.compare.additivity_rows import additivity_rows
from tapeline.jobs.compare.area_rows import area_difference_rows, area_rows
from tapeline.jobs.compare.budget_rows import absolute_rows, difference_rows
from tapeline.jobs.compare.compared_pairs import Compared, compared_pairs, pairing_of
from tapeline.jobs.compare.compared_runs import ComparisonJob, repeat_pools
from tapeline.jobs.compare.comparison_rows import comparison_rows
from tapeline.jobs.compare.contributed import contributed
from tapeline.jobs.compare.drift_rows import drift_rows, reference_drifts
from tapeline.jobs.compare.line_difference_rows import line_difference_rows
from tapeline.jobs.compare.mirror_rows import mirror_rows
from tapeline.jobs.compare.picked_rows import with_picked
from tapeline.jobs.compare.ranking import ranking_rows
from tapeline.jobs.compare.session_changes import session_changes
from tapeline.jobs.compare.session_mean_rows import session_mean_rows
from tapeline.jobs.levels.level_array import load_cube
from tapeline.jobs.table_files import campaign_table
from tapeline.store import parquet, tables
from tapeline.store.schema import Table

Rows = list[dict[str, Any]]


def run(plan: Plan) -> None:
    """Write all tables of comparisons."""
    needs = needs_of(plan)
    results, digest = plan.results, JOB.digest(plan)
    stamp = {"campaign": needs.campaign, "digest": digest}
    job = ComparisonJob(
        needs,
        load_cube(results, needs.background.references, at_nominal=needs.compare.at_nominal),
        _calibration(results),
        _limits(needs),
    )
    contents: dict[str, Rows] = {table.name: [] for table in tables.OF_COMPARISONS}
    pools = repeat_pools(job)
    changes, drifts = session_changes(job, pools), reference_drifts(job, pools)
    compared: dict[str, list[Compared]] = {}
    with parquet.writing_parts(tables.BUDGETS, campaign_table(results, tables.BUDGETS.name), **stamp) as budgets:
        for part in absolute_rows(job, pools) if job.cube.items else ():
            budgets.write_rows(part)
        for name, comparison in needs.comparisons.items():
            compared[name] = compared_pairs(job, comparison, pools, changes)
            pairs = [(found, contributed(job, comparison, found)) for found in compared[name]]
            rows = (row for pair in pairs for row in comparison_rows(job, name, comparison, *pair, drifts, pools))
            contents["comparisons"] += with_picked(rows, needs.confidence, needs.compare.family)
            contents["ranking"] += ranking_rows(job, name, pairs)
            contents["area_differences"] += area_difference_rows(job, name, compared[name], pools)
            contents["session_means"] += session_mean_rows(job, name, compared[name])
            budgets.write_rows(row for found in compared[name] for row in _differences(job, name, found))
    if job.cube.items:
        contents["areas"] += area_rows(job, pools)
        contents["additivity"] += additivity_rows(job, pools)
        contents["mirror_differences"] += mirror_rows(job, pools)
        contents["reference_drift"] += drift_rows(job, drifts)
    for table in tables.OF_COMPARISONS:
        parquet.write_rows(table, campaign_table(results, table.name), contents[table.name], **stamp)
    parts = line_difference_rows(results, job, needs.lines, compared.get(needs.lines, []))
    _write_parts(results, tables.LINE_DIFFERENCES, parts, stamp)


def _write_parts(results: Path, table: Table, parts: Iterable[Rows], stamp: dict[str, str]) -> None:
    with parquet.writing_parts(table, campaign_table(results, table.name), **stamp) as writer:
        for rows in parts:
            writer.write_rows(rows)


def _differences(job: ComparisonJob, name: str, found: Compared) -> Iterator[dict[str, Any]]:
    pairings = {position: pairing_of(job, position, found.pair.sessions) for position in job.cube.positions}
    return difference_rows(job, name, found.pair, found.result, pairings)


def _calibration(results: Path) -> dict[tuple[str, str], dict[str, Any]]:
    rows = parquet.read_rows(tables.CALIBRATION, campaign_table(results, "calibration"))
    return {(row["session"], row["position"]): row for row in rows}


def _limits(needs: CompareNeeds) -> MarginLimits:
    b = needs.background
    return MarginLimits(b.no_correction_above_db, b.enough_margin_db, b.least_margin_db, b.bound_factor)
