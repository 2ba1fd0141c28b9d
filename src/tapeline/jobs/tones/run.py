"""Job `tones`: the tones of all runs."""

from __future__ import annotations

from pathlib import Path

from tapeline.campaign.plan import Plan
from tapeline.jobs.table_files import campaign_table
from tapeline.jobs.tones import JOB
from tapeline.jobs.tones import needs as needs_of
from tapeline.jobs.tones.session_tones import Verdicts, session_tones
from tapeline.jobs.tones.tone_rows import tone_rows
from tapeline.store import parquet, tables


def run(plan: Plan) -> None:
    """Write the table of tones, session by session."""
    needs = needs_of(plan)
    results, stamp = plan.results, {"campaign": needs.campaign, "digest": JOB.digest(plan)}
    verdicts = _verdicts(results)
    with parquet.writing_parts(tables.TONES, campaign_table(results, tables.TONES.name), **stamp) as writer:
        for session in needs.sessions:
            writer.write_rows(tone_rows(needs, session_tones(results, session, needs, verdicts)))


def _verdicts(results: Path) -> Verdicts:
    path = campaign_table(results, tables.QUALITY.name)
    rows = parquet.read_rows(tables.QUALITY, path, ("run", "position", "verdict", "reasons"))
    doubted = (row for row in rows if row["verdict"] != "good")
    return Verdicts({(row["run"], row["position"]): (row["verdict"], tuple(row["reasons"])) for row in doubted})
