"""Job `repeat`: how well levels repeat within and between sessions, and whether repeats are the same."""

from __future__ import annotations

from tapeline.campaign.plan import Plan
from tapeline.jobs.levels.level_array import load_cube
from tapeline.jobs.repeat import JOB
from tapeline.jobs.repeat import needs as needs_of
from tapeline.jobs.repeat.control_rows import control_rows
from tapeline.jobs.repeat.repeat_test_rows import repeat_test_rows
from tapeline.jobs.repeat.repeatability_rows import repeatability_rows
from tapeline.jobs.repeat.repeated_runs import RepeatJob
from tapeline.jobs.table_files import campaign_table
from tapeline.store import parquet, tables


def run(plan: Plan) -> None:
    """Write the tables of repeatability, of control values and of tests of repeats."""
    needs = needs_of(plan)
    results, stamp = plan.results, {"campaign": needs.campaign, "digest": JOB.digest(plan)}
    job = RepeatJob(needs, load_cube(results, needs.references, at_nominal=needs.repeatability.at_nominal))
    # Conditions and sessions come in the order that the tables are sorted by.
    there = bool(job.cube.items)
    path = campaign_table(results, tables.REPEATABILITY.name)
    parquet.write_in_parts(tables.REPEATABILITY, path, repeatability_rows(job) if there else (), **stamp)
    path = campaign_table(results, tables.REPEAT_TESTS.name)
    parquet.write_in_parts(tables.REPEAT_TESTS, path, repeat_test_rows(job, results) if there else (), **stamp)
    path = campaign_table(results, tables.CONTROL_VALUES.name)
    parquet.write_rows(tables.CONTROL_VALUES, path, control_rows(job) if there else (), **stamp)
