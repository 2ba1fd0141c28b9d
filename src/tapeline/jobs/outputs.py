"""The jobs of a campaign with the files that each one writes, and the files of the user's that it reads."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

from tapeline.campaign.plan import Plan
from tapeline.jobs import paths as places
from tapeline.store.file_records import record_of

SESSION_TABLES = ("narrowband", "bands", "overall", "history")
CAMPAIGN_TABLES = {
    "catalogue": ("runs", "positions", "checks", "calibration", "quality"),
    "compare": (
        "comparisons",
        "ranking",
        "areas",
        "area_differences",
        "mirror_differences",
        "additivity",
        "reference_drift",
        "session_means",
        "line_differences",
        "budgets",
    ),
    "scale": ("scaling", "collapse"),
    "repeat": ("repeatability", "control_values", "repeat_tests"),
}
"""The tables that each step writes once a campaign."""


@dataclass(frozen=True)
class Job:
    """One job: step and key, the files it writes, and the recordings and sheets it reads, relative to the campaign.

    Tables come first. Only files that stay are named, and only sources that are there.
    """

    step: str
    key: str
    files: tuple[Path, ...]
    sources: tuple[str, ...] = ()


def jobs(plan: Plan) -> Iterator[Job]:
    """The jobs in the order of the steps."""
    results, asked = plan.campaign.results, plan.on_request
    for session in plan.sessions:
        yield Job("calibrate", session, (places.checks(results, session),), plan.check_files(session))
        judged = (places.calibration(results, session), places.judged_checks(results, session))
        yield Job("sensitivity", session, judged, plan.data_sheet_files(session))
    kept = plan.campaign.settings.keep_pressure
    for run in plan.recordings:
        signals = (places.pressure(results, run),) if kept else ()
        yield Job("pressure", run, (places.quality(results, run), *signals), plan.source_files(run))
        made = (places.spectra(results, run), places.history(results, run))
        more = (places.asked(results, run, name) for name in asked)
        yield Job("spectra", run, (*made, *more), plan.flow_series_files(run))
    for session in plan.measured_sessions:
        yield Job("verdicts", session, (places.verdicts(results, session),))
        names = (*SESSION_TABLES, *asked)
        yield Job("tables", session, tuple(places.session_table(results, name, session) for name in names))
    for step, tables in CAMPAIGN_TABLES.items():
        yield Job(step, "", tuple(places.campaign_table(results, name) for name in tables))
    yield Job("manifest", "", (places.manifest(results),))
    yield Job("report", "", (places.report(results), *sorted(places.figures(results).glob("[!.]*"))))


def folders(results: Path, made: Iterable[Job]) -> list[Path]:
    """The folders within the results that jobs write into, and those above them, the upper ones first."""
    written: set[Path] = set()
    for job in made:
        written |= {path for file in job.files for path in (file, record_of(file))}
        written |= {results / kept / job.step / (job.key or job.step) for kept in ("logs", "benchmarks")}
    return sorted({above for path in written for above in path.parents if results in above.parents})
