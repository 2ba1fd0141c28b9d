"""Job `report`: the page that circulates."""

from __future__ import annotations

import json

from tapeline.campaign.plan import Plan
from tapeline.jobs.manifest import manifest_file
from tapeline.jobs.report import report_file
from tapeline.report.page import write_report
from tapeline.store.file_records import require_as_written


def run(plan: Plan) -> None:
    """Write report.html, the figures and a page a run; the page carries the analysis identity of the manifest."""
    results = plan.results
    require_as_written(manifest_file(results))
    manifest = json.loads(manifest_file(results).read_text(encoding="utf-8"))
    write_report(plan.campaign, results, report_file(results), manifest["analysis"])
