"""Job `calibrate`: find the calibrator tones in a session's calibrator recordings and measure them."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from tapeline.acoustics.levels import ratio_db
from tapeline.calibration.all_together import FitCheck, leaking, noise_scatter_db
from tapeline.calibration.tone import octave_width_hz
from tapeline.campaign.plan import Plan
from tapeline.jobs.calibrate import JOB, CalibrateNeeds, CalibratorCheck, checks_file
from tapeline.jobs.calibrate import needs as needs_of
from tapeline.jobs.calibrate.calibrator_recording import doubt, empty_row, rows_of_recording
from tapeline.jobs.cell_values import given
from tapeline.jobs.sources import keep_sources, open_source, watched_source
from tapeline.limits import LEAK_BELOW_HZ, TONE_LEVEL_STEP_S
from tapeline.recordings.recording import RecordingError
from tapeline.recordings.watched_files import WatchedFiles
from tapeline.store import parquet, tables

if TYPE_CHECKING:
    from tapeline.store.rows import ChecksRow


def run(plan: Plan, session: str) -> None:
    """Write the session's checks table."""
    needs = needs_of(plan, session)
    root = plan.campaign.root
    found = [check_rows(root, needs, check) for check in needs.checks]
    path = checks_file(plan.results, session)
    stamp = {"campaign": needs.campaign, "digest": JOB.digest(plan, session)}
    parquet.write_rows(tables.CHECKS, path, (row for rows, _ in found for row in rows), **stamp)
    names = [name for check in needs.checks for name in check.source.paths]
    keep_sources(path, root, names, (watched for _, watched in found))


def check_rows(root: Path, needs: CalibrateNeeds, check: CalibratorCheck) -> tuple[list[ChecksRow], WatchedFiles]:
    """A row for every channel that was calibrated in this recording or should have been, and the files read for it."""
    channels = [c for c in needs.channels if c.unit == "V"]
    expected = [c for c in channels if not check.positions or c.position in check.positions]
    watched = watched_source(root, check.source)
    try:
        recording, part = open_source(root, check.source)
        rows = rows_of_recording(needs, check, channels, recording, part)
        hashes = watched.content_hashes()
    except RecordingError as found:
        error, hashes = watched.fault_and_hashes(found)
        said = f"run {check.source.run}: {error.sentence}"
        rows = [
            empty_row(needs, check, channel) | {"reasons": [error.code], "sentences": [said]} for channel in expected
        ]
    else:
        if check.frequency_hz < LEAK_BELOW_HZ:
            _doubt_leaks(needs, rows)
    return [row | {"recording_sha256": hashes} for row in rows], watched


def _doubt_leaks(needs: CalibrateNeeds, rows: Sequence[ChecksRow]) -> None:
    """Fits that look leaky beside others of the same recording; sensors without a chart cannot be judged."""
    charts = {c.position: c.sensitivity_v_per_pa for c in needs.channels}
    checks = [
        FitCheck(
            row["position"],
            float(ratio_db(given(row["sensitivity_v_per_pa"]) / stated)),
            given(row["unsteadiness_db"]),
            noise_scatter_db(
                given(row["tone_to_noise_db"]), octave_width_hz(given(row["tone_frequency_hz"])), TONE_LEVEL_STEP_S
            ),
        )
        for row in rows
        if row["found"] and (stated := charts[row["position"]]) is not None
    ]
    found = leaking(checks, needs.limits.leak_low_db, needs.limits.leak_unsteadiness_db)
    for row in rows:
        leak = found.get(row["position"])
        if leak is not None:
            than = "the others' fits let expect" if leak.beside_others else "the sensor table lets expect"
            words = f"{leak.low_db:.2f} dB lower than {than} and unsteady by {leak.unsteadiness_db:.2f} dB"
            doubt(row, "leak", f"{words}: the coupler may leak")
