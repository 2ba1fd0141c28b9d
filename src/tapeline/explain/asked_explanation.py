"""The explanation of what the command line names: a run's level, a comparison's difference, a condition's gain."""

from __future__ import annotations

from tapeline.campaign.plan import Plan
from tapeline.explain.asked_number import asked_item, known_name
from tapeline.explain.difference_explanation import AskedView, explain_difference
from tapeline.explain.explanation import Explanation
from tapeline.explain.level_explanation import explain_level
from tapeline.explain.treatment_explanation import explain_treatment


def asked_explanation(plan: Plan, name: str, position: str, band: str, view: AskedView) -> Explanation:
    """The explanation of a run's level, a comparison's difference or a condition's gain.

    A name of several is taken for the first of these.

    Raises NotExplainedError for names that are not known, and where there are no results.
    """
    runs, comparisons = plan.campaign.runs, plan.settings.comparisons
    known_name("run, comparison or condition", name, [*comparisons, *plan.settings.conditions, *runs])
    known_name("position", position, plan.campaign.positions)
    item = asked_item(plan.settings, band)
    if name in runs:
        return explain_level(plan, name, position, item)
    explain = explain_difference if name in comparisons else explain_treatment
    return explain(plan, name, position, item, view)
