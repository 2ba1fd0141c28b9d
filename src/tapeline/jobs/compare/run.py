"""Job `compare`: treatment against reference at the same position, speed and yaw; and what to work on first."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from tapeline.campaign.plan import Plan
from tapeline.jobs.compare import JOB
from tapeline.jobs.compare import needs as needs_of
from tapeline.jobs.compare.additivity_rows import additivity_rows
from tapeline.jobs.compare.area_rows import area_difference_rows, area_rows
from tapeline.jobs.compare.budget_rows import absolute_rows, difference_rows
from tapeline.jobs.compare.compared_pairs import Compared, compared_pairs, pairing_of
from tapeline.jobs.compare.compared_runs import ComparisonJob, load_comparison_job, repeat_pools
from tapeline.jobs.compare.comparison_rows import comparison_rows
from tapeline.jobs.compare.contributed import contributed
from tapeline.jobs.compare.drift_rows import drift_rows, reference_drifts
from tapeline.jobs.compare.line_difference_rows import line_difference_rows
from tapeline.jobs.compare.mirror_rows import mirror_rows
from tapeline.jobs.compare.picked_rows import with_picked
from tapeline.jobs.compare.ranking import ranking_rows
from tapeline.jobs.compare.session_changes import session_changes
from tapeline.jobs.compare.session_mean_rows import session_mean_rows
from tapeline.jobs.compare.treatment_rows import treatment_rows
from tapeline.jobs.table_files import campaign_table
from tapeline.store import parquet, tables
from tapeline.store.parquet import RowsOfTable

if TYPE_CHECKING:
    from tapeline.store.rows import (
        AreaDifferencesRow,
        BudgetsRow,
        ComparisonsRow,
        RankingRow,
        SessionMeansRow,
    )


def run(plan: Plan) -> None:
    """Write all tables of comparisons."""
    needs = needs_of(plan)
    results, digest = plan.results, JOB.digest(plan)
    stamp = {"campaign": needs.campaign, "digest": digest}
    job = load_comparison_job(results, needs)
    comparisons: dict[str, list[ComparisonsRow]] = {}
    ranking: list[RankingRow] = []
    of_areas: list[AreaDifferencesRow] = []
    means: list[SessionMeansRow] = []
    pools = repeat_pools(job)
    changes, drifts = session_changes(job, pools), reference_drifts(job, pools)
    compared: dict[str, list[Compared]] = {}
    with parquet.writing_parts(tables.BUDGETS, campaign_table(results, tables.BUDGETS.name), **stamp) as budgets:
        for rows in absolute_rows(job, pools) if job.cube.items else ():
            budgets.write_rows(rows)
        for name, comparison in needs.comparisons.items():
            compared[name] = compared_pairs(job, comparison, pools, changes)
            pairs = [(found, contributed(job, comparison, found)) for found in compared[name]]
            unpicked = (row for pair in pairs for row in comparison_rows(job, name, comparison, *pair, drifts, pools))
            comparisons[name] = list(with_picked(unpicked, needs.confidence, needs.compare.family))
            ranking += ranking_rows(job, name, pairs)
            of_areas += area_difference_rows(job, name, compared[name], pools)
            means += session_mean_rows(job, name, compared[name])
            budgets.write_rows(row for found in compared[name] for row in _differences(job, name, found))
    there = bool(job.cube.items)
    contents: list[RowsOfTable[Any]] = [
        RowsOfTable(tables.COMPARISONS, [row for rows in comparisons.values() for row in rows]),
        RowsOfTable(tables.RANKING, ranking),
        RowsOfTable(tables.AREAS, area_rows(job, pools) if there else ()),
        RowsOfTable(tables.AREA_DIFFERENCES, of_areas),
        RowsOfTable(tables.MIRROR_DIFFERENCES, mirror_rows(job, pools) if there else ()),
        RowsOfTable(tables.ADDITIVITY, additivity_rows(job, pools) if there else ()),
        RowsOfTable(tables.REFERENCE_DRIFT, drift_rows(job, drifts) if there else ()),
        RowsOfTable(tables.SESSION_MEANS, means),
        RowsOfTable(tables.TREATMENTS, treatment_rows(job, comparisons, pools, changes)),
    ]
    for content in contents:
        content.write(campaign_table(results, content.table.name), **stamp)
    lines = line_difference_rows(results, job, needs.lines, compared.get(needs.lines, []))
    path = campaign_table(results, tables.LINE_DIFFERENCES.name)
    parquet.write_in_parts(tables.LINE_DIFFERENCES, path, lines, **stamp)


def _differences(job: ComparisonJob, name: str, found: Compared) -> Iterator[BudgetsRow]:
    pairings = {position: pairing_of(job, position, found.pair.sessions) for position in job.cube.positions}
    return difference_rows(job, name, found.pair, found.result, pairings)
