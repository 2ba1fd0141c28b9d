"""Step `report`: the page that circulates."""

from __future__ import annotations

import json

from tapeline.campaign.plan import Plan
from tapeline.report.page import write_report


def run(plan: Plan) -> None:
    """Write report.html and the figures; the page carries the analysis identity of the manifest."""
    results = plan.campaign.results
    manifest = json.loads((results / "manifest.json").read_text(encoding="utf-8"))
    write_report(plan.campaign, results, results / "report.html", manifest["analysis"])
