"""Job `tables`: one session's levels with their background subtracted, for readers."""

from __future__ import annotations

from contextlib import ExitStack
from typing import Any

import pyarrow as pa

from tapeline.campaign.plan import Plan
from tapeline.jobs.levels.level_use_columns import with_use
from tapeline.jobs.spectra import history_file, requested_file
from tapeline.jobs.table_files import session_table
from tapeline.jobs.tables import JOB
from tapeline.jobs.tables import needs as needs_of
from tapeline.jobs.tables.band_columns import band_columns
from tapeline.jobs.tables.flow_bin_columns import flow_bin_columns
from tapeline.jobs.tables.narrowband_columns import narrowband_columns
from tapeline.jobs.tables.overall_columns import overall_columns
from tapeline.jobs.tables.session_levels import Measured, SessionJob, load_job, measured_run
from tapeline.store import parquet, tables
from tapeline.store.schema import Row, Table

ITEMS: dict[Table[Any], tuple[str, ...]] = {
    tables.BANDS: ("band_hz",),
    tables.OVERALL: ("weighting", "lowest_band_hz", "highest_band_hz"),
    tables.FLOW_BINS: ("speed_mps", "yaw_deg", "band_hz"),
}
"""Tables of levels, and the columns that tell a position's levels apart."""

POSITIONS_A_PART = 8
"""Positions whose lines of all runs are held at once."""


def run(plan: Plan, session: str) -> None:
    """Write the session's narrowband, bands, overall and history tables."""
    needs = needs_of(plan, session)
    job = load_job(plan.results, needs)
    digest = JOB.digest(plan, session)
    measured = _write_levels(job, digest)
    _write_narrowband(job, measured, digest)
    _write_history(job, digest)
    for name in needs.on_request:
        _write_asked(job, measured, name, digest)


def _opened(stack: ExitStack, job: SessionJob, table: Table[Row], digest: str) -> parquet.PartWriter[Row]:
    path = session_table(job.results, table.name, job.needs.session)
    return stack.enter_context(parquet.writing_parts(table, path, campaign=job.needs.campaign, digest=digest))


def _write_levels(job: SessionJob, digest: str) -> list[Measured]:
    """Write bands and overall levels in the order that the tables are sorted by.

    They are made run by run, and what each may be used for is decided when all are known.
    """
    measured = []
    bands, overall = [], []
    for item in sorted(job.needs.runs, key=lambda item: item.run):
        if item.run not in job.loaded:
            continue
        history = parquet.read(history_file(job.results, item.run))
        one = measured_run(job, item, history)
        bands.append(parquet.to_arrow(tables.BANDS, band_columns(job, one)))
        overall.append(parquet.to_arrow(tables.OVERALL, *overall_columns(job, one, history)))
        measured.append(one)
    _write_with_use(job, tables.BANDS, bands, digest)
    _write_with_use(job, tables.OVERALL, overall, digest)
    return measured


def _write_with_use(job: SessionJob, table: Table[Any], parts: list[pa.Table], digest: str) -> None:
    """Write levels of all runs, a part each, when what each may be used for can be decided."""
    with ExitStack() as stack:
        writer = _opened(stack, job, table, digest)
        for part in with_use(parts, ITEMS[table], _cells(job)):
            writer.write_table(part)


def _cells(job: SessionJob) -> dict[str, int]:
    """The repeats that each run belongs to, by number; what is no measurement stands alone."""
    keys = [(each.condition, each.point) if each.kind == "measurement" else each.run for each in job.needs.runs]
    numbers = {key: number for number, key in enumerate(dict.fromkeys(keys))}
    return {each.run: numbers[key] for each, key in zip(job.needs.runs, keys, strict=True)}


def _write_narrowband(job: SessionJob, measured: list[Measured], digest: str) -> None:
    """Write lines some positions at a time: the table is sorted by position before run."""
    positions = sorted({name for one in measured for name in one.run.positions})
    with ExitStack() as stack:
        writer = _opened(stack, job, tables.NARROWBAND, digest)
        for first in range(0, len(positions), POSITIONS_A_PART):
            chosen = frozenset(positions[first : first + POSITIONS_A_PART])
            index = [[p for p, name in enumerate(one.run.positions) if name in chosen] for one in measured]
            at_these = zip(measured, index, strict=True)
            writer.write(*(narrowband_columns(job, one.at(places)) for one, places in at_these if places))


def _write_asked(job: SessionJob, measured: list[Measured], name: str, digest: str) -> None:
    """A table on request: levels by speed and yaw are made here, the others put together from the runs."""
    if name == tables.FLOW_BINS.name:
        parts = [parquet.to_arrow(tables.FLOW_BINS, *flow_bin_columns(job, one)) for one in measured]
        _write_with_use(job, tables.FLOW_BINS, parts, digest)
        return
    if name == tables.LINES.name:
        rows = [row for one in measured for row in one.lines]
        path = session_table(job.results, name, job.needs.session)
        parquet.write_rows(tables.LINES, path, rows, campaign=job.needs.campaign, digest=digest)
        return
    table = tables.MADE_ON_REQUEST[name]
    with ExitStack() as stack:
        writer = _opened(stack, job, table, digest)
        for run in sorted(item.run for item in job.needs.runs):
            part = parquet.read(requested_file(job.results, run, name))
            if part.num_rows:
                writer.write({column: part[column] for column in table.column_names()})


def _write_history(job: SessionJob, digest: str) -> None:
    with ExitStack() as stack:
        writer = _opened(stack, job, tables.HISTORY, digest)
        for run in sorted(item.run for item in job.needs.runs):
            part = parquet.read(history_file(job.results, run))
            if part.num_rows:
                writer.write({name: part[name] for name in tables.HISTORY.column_names()})
