"""Job `scale`: exponents of speed, and whether spectra fall together over Strouhal number or over frequency."""

from __future__ import annotations

import math

from tapeline.campaign.plan import Plan
from tapeline.jobs.levels.level_array import load_cube
from tapeline.jobs.scale import JOB, ScaleNeeds
from tapeline.jobs.scale import needs as needs_of
from tapeline.jobs.scale.collapse_rows import collapse_rows
from tapeline.jobs.scale.scaled_levels import scaled_levels
from tapeline.jobs.scale.scaling_rows import scaling_rows
from tapeline.jobs.scale.tonal_levels import tonal_levels
from tapeline.jobs.table_files import campaign_table
from tapeline.store import parquet, tables


def run(plan: Plan) -> None:
    """Write the tables of exponents and of collapses."""
    needs = needs_of(plan)
    results = plan.results
    cube = load_cube(results, needs.references)
    reference = reference_speed_mps(needs)
    sessions = sorted({item.session for item in needs.runs}) if cube.items else []
    tonal = {session: tonal_levels(results, session, cube, needs) for session in sessions}
    groups = list(scaled_levels(cube, needs, tonal))
    exponents = (row for found in groups for row in scaling_rows(cube, needs, found, reference))
    collapses = (row for found in groups for row in collapse_rows(cube, needs, found, reference))
    stamp = {"campaign": needs.campaign, "digest": JOB.digest(plan)}
    parquet.write_rows(tables.SCALING, campaign_table(results, tables.SCALING.name), exponents, **stamp)
    parquet.write_rows(tables.COLLAPSE, campaign_table(results, tables.COLLAPSE.name), collapses, **stamp)


def reference_speed_mps(needs: ScaleNeeds) -> float:
    """The speed that levels are given at: as stated, else the geometric mean of the nominal speeds; 1 without runs."""
    if needs.scaling.reference_speed_mps is not None:
        return needs.scaling.reference_speed_mps
    nominal = sorted({item.achieved.nominal_mps for item in needs.runs if item.achieved.nominal_mps})
    return math.exp(sum(map(math.log, nominal)) / len(nominal)) if nominal else 1.0
