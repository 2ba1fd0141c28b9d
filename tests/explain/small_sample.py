"""A few runs of the sample campaign with their results, made in this process: two sessions, three conditions."""

from __future__ import annotations

import shutil
from pathlib import Path

from tapeline.campaign.load import load_campaign
from tapeline.campaign.plan import Plan
from tapeline.jobs.due_tasks import do
from tapeline.jobs.tasks import tasks

REPOSITORY = Path(__file__).resolve().parents[2]

APRIL = ("a01", "a02", "a03", "a04", "a05", "a07", "a08", "a10", "a12", "a14", "a15", "a16", "a17", "a19", "a20")
MAY = ("m01", "m02", "m04", "m06", "m08", "m10", "m12")
RUNS = (*APRIL, *MAY)
"""Calibrations, backgrounds, repeats at 100 km/h, one run with a gain of its own, one cut, two left out."""

UNTIL = ("report", "manifest", "tones", "scale", "repeat", "pressure")
"""Jobs whose results explain nothing here."""


def small_sample(folder: Path) -> Path:
    """The campaign folder with its results; bands below 100 Hz are asked for and hold too few lines."""
    shutil.copytree(REPOSITORY / "config", folder / "config")
    shutil.copytree(REPOSITORY / "data-sample" / "charts", folder / "data-sample" / "charts")
    recordings = folder / "data-sample" / "recordings"
    recordings.mkdir(parents=True)
    table = folder / "config" / "runs.csv"
    lines = table.read_text(encoding="utf-8").splitlines()
    kept = [line for line in lines if line.startswith(("#", "run,")) or line.split(",")[0] in RUNS]
    table.write_text("\n".join(kept) + "\n", encoding="utf-8")
    for line in kept:
        if not line.startswith(("#", "run,")):
            name = line.split(",")[1]
            (recordings / name).symlink_to(REPOSITORY / "data-sample" / "recordings" / name)
    settings = folder / "config" / "campaign.yaml"
    text = settings.read_text(encoding="utf-8")
    settings.write_text(
        text.replace("  range_hz: [100, 4000]\n\noverall", "  range_hz: [50, 4000]\n\noverall"), "utf-8"
    )
    plan = Plan(load_campaign(folder))
    for task in tasks(plan):
        if task.job.name not in UNTIL:
            do(plan, task)
    return folder
