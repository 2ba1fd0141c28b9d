"""Job `pressure`: the calibrated time signals of one recording as a file."""

from __future__ import annotations

from tapeline.campaign.plan import Plan
from tapeline.jobs.pressure import JOB, pressure_file
from tapeline.jobs.pressure import needs as needs_of
from tapeline.jobs.pressure.calibrated_recording import open_calibrated
from tapeline.jobs.sources import keep_sources, require_lenient, watched_source
from tapeline.recordings.recording import RecordingError
from tapeline.store import arrow_file


def run(plan: Plan, run_name: str) -> None:
    """Write the run's pressure file, an empty one for a faulty recording."""
    needs = needs_of(plan, run_name)
    root, path = plan.campaign.root, pressure_file(plan.results, run_name)
    metadata = {
        "tapeline.campaign": needs.campaign,
        "tapeline.run": run_name,
        "tapeline.made_from": JOB.digest(plan, run_name),
    }
    watched = watched_source(root, needs.source)
    try:
        source = open_calibrated(root, plan.results, needs)
        with arrow_file.writing(path, source.positions, source.sample_rate_hz, metadata) as writer:
            for block in source.blocks():
                writer.write(block)
            watched.content_hashes()
    except RecordingError as found:
        error, _ = watched.fault_and_hashes(found)
        require_lenient(run_name, error)
        with arrow_file.writing(path, [], 0.0, metadata):
            pass
    keep_sources(path, root, needs.source.paths, [watched])
