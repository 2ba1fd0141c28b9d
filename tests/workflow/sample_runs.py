"""Copies of the sample campaign, run through the real workflow."""

from __future__ import annotations

import shutil
import subprocess
import sys
from collections import Counter
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from tapeline.campaign.load import load_campaign
from tapeline.campaign.plan import Plan
from tapeline.jobs.stale_results import affected, due_tasks, misfits
from tapeline.jobs.steps import done_digests

REPOSITORY = Path(__file__).resolve().parents[2]
COMMAND = Path(sys.executable).parent / "tapeline"


@dataclass(frozen=True)
class CampaignRun:
    """A campaign folder and what the command said of it."""

    folder: Path
    status: int
    output: str

    @property
    def results(self) -> Path:
        """The results folder."""
        return self.folder / "results"

    def planned(self) -> dict[str, int]:
        """Jobs that a run would do, by name: those that are due and those that follow."""
        plan = Plan(load_campaign(self.folder))
        found = misfits(plan, done_digests(plan))
        return dict(Counter(task.job.name for task in affected(plan, due_tasks(plan, found))))

    @contextmanager
    def edited(self, changes: Mapping[str, tuple[str, str]]) -> Iterator[None]:
        """Replace text in files of the campaign for a while: path to (old, new)."""
        kept = {name: (self.folder / name).read_bytes() for name in changes}
        try:
            for name, (old, new) in changes.items():
                text = kept[name].decode()
                assert old in text, f"{name} does not hold {old!r}"
                (self.folder / name).write_bytes(text.replace(old, new, 1).encode())
            yield
        finally:
            for name, content in kept.items():
                (self.folder / name).write_bytes(content)


def tapeline(*arguments: object) -> subprocess.CompletedProcess[str]:
    """Run the command as a person would."""
    return subprocess.run(
        [str(COMMAND), *map(str, arguments)], check=False, capture_output=True, text=True, cwd=REPOSITORY.parent
    )


def copy_sample(folder: Path) -> Path:
    """The sample's tables and recordings in a folder of their own."""
    shutil.copytree(REPOSITORY / "config", folder / "config")
    shutil.copytree(REPOSITORY / "data-sample", folder / "data-sample", ignore=shutil.ignore_patterns("__pycache__"))
    return folder


def run_campaign(folder: Path, cores: int) -> CampaignRun:
    """Run a campaign folder through the workflow."""
    done = tapeline("run", folder, "--cores", cores)
    return CampaignRun(folder, done.returncode, done.stdout + done.stderr)


TWO_RECORDINGS = {
    "campaign.yaml": "campaign: roof\nconditions: {open: {applied: []}}\nraw_formats:\n"
    "  logger: {sample_type: float32, byte_order: little, layout: interleaved, channels: 1, sample_rate_hz: 4000}\n"
    "bands: {range_hz: [250, 1000]}\noverall: [{weighting: Z, range_hz: [250, 1000]}]\n",
    "runs.csv": "run,recording,kind,session,condition,speed_kmh,format\n"
    "m1,m1.raw,measurement,april,open,100,logger\nm2,m2.raw,measurement,april,open,100,logger\n",
    "positions.csv": "position\np1\n",
    "fittings.csv": "session,channel,position,unit\napril,1,p1,Pa\n",
    "sensors.csv": "sensor,sensitivity_mv_per_pa\n",
    "calibrators.csv": "calibrator,kind,level_db,frequency_hz\n",
}


def two_recordings(folder: Path) -> Path:
    """A campaign of two recordings without headers (synthetic noise)."""
    for name in ("config", "recordings"):
        (folder / name).mkdir(parents=True, exist_ok=True)
    for name, text in TWO_RECORDINGS.items():
        (folder / "config" / name).write_text(text, encoding="utf-8")
    for seed, name in enumerate(("m1", "m2")):
        noise = np.random.default_rng(seed).normal(size=16_000)
        noise.astype("<f4").tofile(folder / "recordings" / f"{name}.raw")
    return folder


UNSTEADY = {"logs", "benchmarks", ".written"}


def outputs(run: CampaignRun, results: str = "results") -> dict[str, bytes]:
    """Every result file but logs, timings and the records, which hold times."""
    folder = run.folder / results
    files = (path for path in sorted(folder.rglob("*")) if path.is_file())
    found = {path.relative_to(folder): path for path in files}
    return {name.as_posix(): path.read_bytes() for name, path in found.items() if not UNSTEADY & {*name.parts}}
