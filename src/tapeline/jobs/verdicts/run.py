"""Job `verdicts`: judge a session's channels beside each other and take overrides into account."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from tapeline.campaign.plan import Overrule, Plan
from tapeline.jobs.spectra import quality_file
from tapeline.jobs.verdicts import JOB, VerdictsNeeds, verdicts_file
from tapeline.jobs.verdicts import needs as needs_of
from tapeline.quality.across_runs import AcrossLimits, findings_across
from tapeline.quality.level_table import RunLevel
from tapeline.quality.reasons import worst
from tapeline.store import parquet, tables

if TYPE_CHECKING:
    from tapeline.store.rows import QualityRow


def run(plan: Plan, session: str) -> None:
    """Write the session's final verdicts."""
    needs = needs_of(plan, session)
    results = plan.results
    rows = [row for item in needs.runs for row in parquet.read_rows(tables.QUALITY, quality_file(results, item.run))]
    parquet.write_rows(
        tables.QUALITY,
        verdicts_file(results, session),
        final_rows(needs, rows),
        campaign=needs.campaign,
        digest=JOB.digest(plan, session),
    )


def final_rows(needs: VerdictsNeeds, rows: Sequence[QualityRow]) -> list[QualityRow]:
    """The rows of all runs with what only shows beside each other, and with verdicts set by hand."""
    limits = AcrossLimits(needs.odd_level_db, needs.area_level_db, needs.speed_level_db, needs.silent_level_db)
    across = findings_across(_levels(needs, rows), dict(needs.areas), limits)
    set_by_hand = {(item.run, item.position): item for item in needs.overrules}
    final: list[QualityRow] = []
    for row in rows:
        found = across.get((row["run"], row["position"]), [])
        reasons = [*row["reasons"], *(finding.code for finding in found)]
        whole: QualityRow = {
            **row,
            "reasons": reasons,
            "sentences": [*row["sentences"], *(finding.sentence for finding in found)],
            "verdict": worst(reasons),
        }
        for_all = set_by_hand.get((row["run"], None))
        overrule = set_by_hand.get((row["run"], row["position"]), for_all)
        final.append(whole if overrule is None else _overruled(whole, overrule))
    return final


def _levels(needs: VerdictsNeeds, rows: Sequence[QualityRow]) -> list[RunLevel]:
    runs, gains = {item.run: item for item in needs.runs}, dict(needs.gains_db)
    return [
        RunLevel(
            **dataclasses.asdict(runs[row["run"]]),
            position=row["position"],
            level_db=20.0 * math.log10(row["rms_pa"]),
            usable=row["verdict"] != "unusable",
            frequency_hz=row["rms_frequency_hz"],
            sample_rate_hz=row["sample_rate_hz"],
            fitted_gain_db=gains.get(row["position"]),
        )
        for row in rows
        if row["rms_pa"]
    ]


def _overruled(row: QualityRow, overrule: Overrule) -> QualityRow:
    sentence = (
        f"position {row['position']}: {row['verdict']} was found, {overrule.verdict} set by {overrule.who}: "
        f"{overrule.reason}"
    )
    return {
        **row,
        "verdict": overrule.verdict,
        "found_verdict": row["verdict"],
        "overruled_by": overrule.who,
        "override_reason": overrule.reason,
        "reasons": [*row["reasons"], "overruled"],
        "sentences": [*row["sentences"], sentence],
    }
