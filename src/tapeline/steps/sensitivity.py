"""Step `sensitivity`: decide the sensitivity of every channel of a session from its checks and charts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from tapeline.calibration.decision import Check, Evidence, Limits, Policy, choose_sensitivity, decide
from tapeline.campaign.plan import Plan
from tapeline.campaign.slices import Channel, SensitivityNeeds
from tapeline.quality.reasons import FILE_FAULTS, worst
from tapeline.steps import places
from tapeline.store import parquet, tables

INVALID = {"too-short-tone", "off-frequency", "noisy-tone", "not-listed"}
"""Reasons that make a check unfit to give a sensitivity."""


def run(plan: Plan, session: str) -> None:
    """Write the session's calibration table."""
    needs = plan.sensitivity_needs(session)
    results = plan.campaign.results
    checks = parquet.read_rows(places.checks(results, session))
    parquet.write_rows(
        tables.CALIBRATION,
        places.calibration(results, session),
        [_row(needs, channel, checks) for channel in needs.channels],
        campaign=needs.campaign,
        digest=plan.digest("sensitivity", session),
    )


def sensitivities(
    path: Path, channels: Sequence[Channel], policy: Policy, chart_uncertainty_db: float
) -> dict[str, float]:
    """The sensitivity of every position that has one, from a session's checks table: what `pressure` uses."""
    checks = parquet.read_rows(path)
    found: dict[str, float] = {}
    for channel in channels:
        value = 1.0
        if channel.unit == "V":
            chosen, _ = choose_sensitivity(evidence_of(channel, checks, chart_uncertainty_db), policy)
            if chosen is None:
                continue
            value = chosen
        found[channel.position] = value
    return found


def evidence_of(channel: Channel, checks: Sequence[Mapping[str, Any]], chart_uncertainty_db: float) -> Evidence:
    """What the checks and the sensor table say of one channel."""
    own = [row for row in checks if row["position"] == channel.position]
    valid = [row for row in own if row["found"] and not INVALID.intersection(row["reasons"])]
    stated = channel.sensitivity_uncertainty_db
    return Evidence(
        checks=tuple(
            Check(
                stage=row["stage"],
                sensitivity_v_per_pa=row["sensitivity_v_per_pa"],
                scatter_db=row["unsteadiness_db"],
                calibrator_uncertainty_db=row["standard_uncertainty_db"],
                reasons=tuple(row["reasons"]),
            )
            for row in valid
        ),
        chart_v_per_pa=channel.sensitivity_v_per_pa,
        chart_uncertainty_db=chart_uncertainty_db if stated is None else stated,
    )


def _row(needs: SensitivityNeeds, channel: Channel, checks: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    limits = needs.calibration
    common = {
        "session": needs.session,
        "position": channel.position,
        "sensor": channel.sensor,
        "channel": channel.channel,
        "mount": channel.mount,
    }
    if channel.unit != "V":
        return common | {"source": "pascal", "verdict": "good", "reasons": [], "standard_uncertainty_db": 0.0}
    decision = decide(
        evidence_of(channel, checks, limits.chart_uncertainty_db),
        limits.sensitivity,
        Limits(limits.deviation_limit_db, limits.drift_limit_db),
    )
    unfit = [
        code
        for row in checks
        if row["position"] == channel.position
        for code in row["reasons"]
        if code in INVALID or not row["found"]
    ]
    reasons = tuple(dict.fromkeys([*unfit, *decision.reasons]))
    return common | {
        "sensitivity_v_per_pa": decision.sensitivity_v_per_pa,
        "source": decision.source,
        "before_v_per_pa": decision.before_v_per_pa,
        "after_v_per_pa": decision.after_v_per_pa,
        "chart_v_per_pa": channel.sensitivity_v_per_pa,
        "deviation_db": decision.deviation_db,
        "drift_db": decision.drift_db,
        "standard_uncertainty_db": decision.standard_uncertainty_db,
        "verdict": worst([code for code in reasons if code not in FILE_FAULTS]),
        "reasons": list(reasons),
    }
