"""Step `tables`: one session's levels with their background subtracted, for readers."""

from __future__ import annotations

from tapeline.campaign.plan import Plan
from tapeline.steps import places
from tapeline.steps.band_rows import band_rows
from tapeline.steps.flow_bin_rows import flow_bin_rows
from tapeline.steps.narrowband_rows import narrowband_rows
from tapeline.steps.overall_rows import overall_rows
from tapeline.steps.session_levels import Job, Measured, load_job, measured_run
from tapeline.store import parquet, tables


def run(plan: Plan, session: str) -> None:
    """Write the session's narrowband, bands, overall and history tables."""
    needs = plan.tables_needs(session)
    job = load_job(plan.campaign.results, needs)
    measured = [measured_run(job, item) for item in needs.runs if item.run in job.loaded]
    digest = plan.digest("tables", session)
    rows = {
        tables.BANDS: [row for m in measured for row in band_rows(job, m)],
        tables.OVERALL: [row for m in measured for row in overall_rows(job, m)],
        tables.NARROWBAND: [row for m in measured for row in narrowband_rows(job, m)],
    }
    for table, content in rows.items():
        path = places.session_table(job.results, table.name, session)
        parquet.write_rows(table, path, content, campaign=needs.campaign, digest=digest)
    _write_history(job, digest)
    for name in needs.on_request:
        _write_asked(job, measured, name, digest)


def _write_asked(job: Job, measured: list[Measured], name: str, digest: str) -> None:
    """A table on request: levels by speed and yaw are made here, the others put together from the runs."""
    path, campaign = places.session_table(job.results, name, job.needs.session), job.needs.campaign
    if name == tables.FLOW_BINS.name:
        rows = [row for m in measured for row in flow_bin_rows(job, m)]
        parquet.write_rows(tables.FLOW_BINS, path, rows, campaign=campaign, digest=digest)
        return
    table = tables.MADE_ON_REQUEST[name]
    with parquet.writing_parts(table, path, campaign=campaign, digest=digest) as writer:
        for run in sorted(item.run for item in job.needs.runs):
            part = parquet.read(places.asked(job.results, run, name))
            if part.num_rows:
                writer.write({column: part[column] for column in table.column_names()})


def _write_history(job: Job, digest: str) -> None:
    path = places.session_table(job.results, tables.HISTORY.name, job.needs.session)
    with parquet.writing_parts(tables.HISTORY, path, campaign=job.needs.campaign, digest=digest) as writer:
        for run in sorted(item.run for item in job.needs.runs):
            part = parquet.read(places.history(job.results, run))
            if part.num_rows:
                writer.write({name: part[name] for name in tables.HISTORY.column_names()})
