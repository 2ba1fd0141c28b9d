"""All jobs of a campaign in one process, in the order of the workflow, without the report.

What is there from the same needs and the same files is left as it is, as the workflow leaves it: a campaign copied as
links from a finished one takes the time of what was changed.
"""

from __future__ import annotations

from pathlib import Path

from tapeline.campaign.load import load_campaign
from tapeline.campaign.plan import Plan
from tapeline.jobs import JOBS
from tapeline.jobs.calibrate import run as calibrate
from tapeline.jobs.catalogue import run as catalogue
from tapeline.jobs.compare import run as compare
from tapeline.jobs.repeat import run as repeat
from tapeline.jobs.sensitivity import run as sensitivity
from tapeline.jobs.spectra import run as spectra
from tapeline.jobs.tables import run as tables
from tapeline.jobs.verdicts import run as verdicts


def run_jobs(folder: Path, made: Path | None = None) -> None:
    """Make the tables of a campaign; `made` is the finished one that its files are links of."""
    plan = Plan(load_campaign(folder))
    before = None if made is None else Plan(load_campaign(made))

    def kept(job_name: str, key: str) -> bool:
        """Whether a job has the needs and the files that it had, so that what it made is still true."""
        if before is None or made is None or key not in {*before.sessions, *before.recordings}:
            return False
        job = JOBS[job_name]
        if job.digest(plan, key) != job.digest(before, key):
            return False
        here, there = (job.sources(each, key) for each in (plan, before))
        return here == there and all((folder / name).samefile(made / name) for name in here)

    changed = set()
    for session in plan.sessions:
        if not kept("calibrate", session):
            calibrate.run(plan, session)
            changed.add(session)
        sensitivity.run(plan, session)
        if not kept("sensitivity", session):
            changed.add(session)
    renewed = {session for session in plan.measured_sessions if not kept("verdicts", session)}
    for run in plan.recordings:
        session = plan.session_of(run)
        if session in changed or not kept("spectra", run):
            spectra.run(plan, run)
            renewed.add(session)
    for session in plan.measured_sessions:
        verdicts.run(plan, session)
    for session in plan.measured_sessions:
        used = plan.sessions_for_tables(session)
        if renewed.intersection(used) or session in changed or not kept("tables", session):
            tables.run(plan, session)
    catalogue.run(plan)
    compare.run(plan)
    repeat.run(plan)
