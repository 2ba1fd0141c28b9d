"""The explanation of what the command line names: a run's level, a comparison's difference, a condition's gain."""

from __future__ import annotations

from dataclasses import dataclass

from tapeline.campaign.plan import Plan
from tapeline.explain.asked_number import asked_item, known_name
from tapeline.explain.explanation import Explanation
from tapeline.explain.level_explanation import explain_level


@dataclass(frozen=True)
class AskedView:
    """Which of several differences is meant, as written; None leaves it open."""

    speed: str | None = None
    yaw: str | None = None
    session: str | None = None


def asked_explanation(plan: Plan, name: str, position: str, band: str, view: AskedView) -> Explanation:
    """See the modules of the kinds; raises NotExplainedError for names that are not known."""
    runs = plan.campaign.runs
    known_name("run", name, runs)
    known_name("position", position, plan.campaign.positions)
    item = asked_item(plan.settings, band)
    return explain_level(plan, name, position, item)
