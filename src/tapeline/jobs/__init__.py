"""The jobs of a campaign: a folder a rule, with what it needs, reads and writes, and the rows of its tables.

The commands of single jobs, the digests, what does not fit any more and the manifest follow from this list.
"""

from __future__ import annotations

from tapeline.jobs import (
    calibrate,
    catalogue,
    compare,
    manifest,
    pressure,
    repeat,
    report,
    scale,
    sensitivity,
    spectra,
    tables,
    tones,
    verdicts,
)

JOBS = {
    module.JOB.name: module.JOB
    for module in (
        calibrate,
        sensitivity,
        pressure,
        spectra,
        verdicts,
        tables,
        catalogue,
        compare,
        scale,
        tones,
        repeat,
        manifest,
        report,
    )
}
"""By name, in the order in which they are done."""
