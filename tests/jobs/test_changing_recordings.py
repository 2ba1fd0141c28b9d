"""Recordings that are still being written, vanish or may not be read: they cost their own rows and nothing else."""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest

from tapeline.arrays import Samples
from tapeline.campaign.load import load_campaign
from tapeline.campaign.plan import Plan
from tapeline.cli.recording_look import look
from tapeline.jobs import JOBS
from tapeline.jobs.calibrate import checks_file
from tapeline.jobs.calibrate import run as calibrate
from tapeline.jobs.spectra import history_file, quality_file, spectra_file
from tapeline.jobs.spectra import run as spectra
from tapeline.jobs.stale_results import misfits, shown
from tapeline.quality.reasons import FILE_FAULTS
from tapeline.recordings.raw_binary import RawBinary
from tapeline.recordings.recording import RecordingError
from tapeline.store import parquet, tables

RATE_HZ = 8_000
FILES = {
    "config/campaign.yaml": "campaign: roof\nconditions: {open: {applied: []}}\nraw_formats:\n"
    "  logger: {sample_type: float32, byte_order: little, layout: interleaved, channels: 2, sample_rate_hz: 8000}\n",
    "config/runs.csv": "run,recording,kind,session,condition,speed_kmh,calibrator,stage,format\n"
    "cal1,cal1.raw,calibration,april,,,speaker,before,logger\ncal2,cal2.raw,calibration,april,,,speaker,before,logger\n"
    "m1,m1.raw,measurement,april,open,100,,,logger\nm2,m2.raw,measurement,april,open,100,,,logger\n",
    "config/positions.csv": "position\np1\np2\n",
    "config/fittings.csv": "session,channel,position,sensor\napril,1,p1,s1\napril,2,p2,s2\n",
    "config/sensors.csv": "sensor,sensitivity_mv_per_pa\ns1,1000\ns2,1000\n",
    "config/calibrators.csv": "calibrator,kind,level_db,frequency_hz\nspeaker,feedback,94,1000\n",
}


@pytest.fixture
def root(tmp_path: Path) -> Path:
    """A campaign of recordings without headers: noise of 1 Pa, and a tone of 1 Pa on both channels in turn."""
    for name, text in FILES.items():
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_text(text, encoding="utf-8")
    (tmp_path / "recordings").mkdir()
    time = np.arange(8 * RATE_HZ) / RATE_HZ
    for seed, name in enumerate(("cal1", "cal2", "m1", "m2")):
        noise = np.random.default_rng(seed).normal(size=(time.size, 2))
        if name.startswith("cal"):
            noise *= 1e-4
            for channel in (0, 1):
                inside = (time >= 4 * channel + 0.5) & (time < 4 * channel + 3.5)
                noise[inside, channel] += np.sqrt(2.0) * np.sin(2 * np.pi * 1000.0 * time[inside])
        noise.astype("<f4").tofile(tmp_path / "recordings" / f"{name}.raw")
    return tmp_path


def grow(path: Path) -> None:
    with path.open("ab") as stream:
        stream.write(np.random.default_rng(9).normal(size=200).astype("<f4").tobytes())


def after_a_block(monkeypatch: pytest.MonkeyPatch, name: str, change: Callable[[Path], None]) -> None:
    """Let a recording change once its first block has been read."""
    real = RawBinary.blocks

    def blocks(self: RawBinary, start: int, stop: int) -> Iterator[Samples]:
        for number, block in enumerate(real(self, start, stop)):
            yield block
            if number == 0 and self._path.name == name and self._path.exists():
                change(self._path)

    monkeypatch.setattr(RawBinary, "blocks", blocks)


def plan_of(root: Path) -> Plan:
    return Plan(load_campaign(root, check=False))


def read_again(plan: Plan) -> list[str]:
    """Results that do not fit."""
    return [shown(misfit.task.files[0], plan.campaign.root) for misfit in misfits(plan, {})]


def quality_rows(root: Path, run: str) -> list[dict]:
    plan = plan_of(root)
    if not checks_file(plan.campaign.results, "april").exists():
        calibrate.run(plan, "april")
    spectra.run(plan, run)
    return parquet.read_rows(tables.QUALITY, quality_file(plan.campaign.results, run))


def test_sound_recordings_are_taken_with_the_hash_of_their_bytes(root: Path) -> None:
    rows = quality_rows(root, "m1")
    digest = hashlib.sha256((root / "recordings" / "m1.raw").read_bytes()).hexdigest()
    assert [(row["reasons"], row["recording_sha256"]) for row in rows] == [([], digest)] * 2
    checks = parquet.read_rows(tables.CHECKS, checks_file(root / "results", "april"))
    assert [(row["run"], row["reasons"]) for row in checks] == [(run, []) for run in ("cal1", "cal1", "cal2", "cal2")]
    assert all(row["recording_sha256"] for row in checks)
    assert read_again(plan_of(root)) == []


@pytest.mark.parametrize(("change", "words"), [(grow, "changed while it was read"), (Path.unlink, "went away")])
def test_a_recording_that_changes_costs_its_own_rows(
    root: Path, monkeypatch: pytest.MonkeyPatch, change: Callable[[Path], None], words: str
) -> None:
    after_a_block(monkeypatch, "m1.raw", change)
    rows = quality_rows(root, "m1")
    assert [(row["verdict"], row["reasons"], row["recording_sha256"]) for row in rows] == [
        ("unusable", ["still-changing"], None)
    ] * 2
    assert rows[0]["sentences"][0].startswith(f"run m1: m1.raw {words}")
    assert parquet.read_rows(tables.SPECTRA, spectra_file(root / "results", "m1")) == []
    assert parquet.read_rows(tables.HISTORY, history_file(root / "results", "m1")) == []
    assert [row["verdict"] for row in quality_rows(root, "m2")] == ["good", "good"]
    assert "still-changing" in FILE_FAULTS


def test_a_calibrator_recording_that_changes_costs_its_own_checks(root: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    after_a_block(monkeypatch, "cal1.raw", grow)
    calibrate.run(plan_of(root), "april")
    found = {
        (row["run"], row["position"]): (row["reasons"], row["found"], row["recording_sha256"] is None)
        for row in parquet.read_rows(tables.CHECKS, checks_file(root / "results", "april"))
    }
    changing, sound = (["still-changing"], False, True), ([], True, False)
    assert found == {("cal1", "p1"): changing, ("cal1", "p2"): changing, ("cal2", "p1"): sound, ("cal2", "p2"): sound}


def test_what_was_changing_is_read_again_and_no_more_once_it_is_whole(
    root: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A file finished while it was read is older than the results: by its time it would never be read again."""
    with monkeypatch.context() as patched:
        after_a_block(patched, "m1.raw", grow)
        after_a_block(patched, "cal1.raw", grow)
        quality_rows(root, "m1")
    assert read_again(plan_of(root)) == ["results/calibration/checks/april.parquet", "results/quality/m1.parquet"]
    calibrate.run(plan_of(root), "april")
    assert [row["verdict"] for row in quality_rows(root, "m1")] == ["good", "good"]
    assert read_again(plan_of(root)) == []


def test_a_recording_that_is_back_is_read_again(root: Path) -> None:
    path = root / "recordings" / "m2.raw"
    away = path.rename(path.with_name("away"))
    assert [row["reasons"] for row in quality_rows(root, "m2")] == [["recording-missing"]] * 2
    assert read_again(plan_of(root)) == []
    away.rename(path)
    assert read_again(plan_of(root)) == ["results/quality/m2.parquet"]


def test_a_look_at_a_recording_that_is_still_written(root: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    after_a_block(monkeypatch, "m1.raw", grow)
    with pytest.raises(RecordingError) as caught:
        look(root / "recordings" / "m1.raw", load_campaign(root, check=False), None, None)
    assert caught.value.code == "still-changing"


def test_pipes_and_sockets_are_no_recordings_and_hold_up_nobody(root: Path) -> None:
    """In a process of its own: hashing what reading refused waited for a writer for ever."""
    for name in ("cal1", "m1"):
        path = root / "recordings" / f"{name}.raw"
        path.unlink()
        os.mkfifo(path)
    code = (
        "import sys; from pathlib import Path\nfrom tapeline.campaign.load import load_campaign\n"
        "from tapeline.campaign.plan import Plan\nfrom tapeline.jobs.calibrate import run as calibrate\n"
        "from tapeline.jobs.spectra import run as spectra\n"
        "plan = Plan(load_campaign(Path(sys.argv[1]), check=False))\n"
        "calibrate.run(plan, 'april'); spectra.run(plan, 'm1')\nprint(plan.source_files('m1'))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(root)], capture_output=True, text=True, check=True, timeout=60
    )
    assert done.stdout == "()\n"
    for row in parquet.read_rows(tables.QUALITY, quality_file(root / "results", "m1")):
        assert (row["reasons"], row["recording_sha256"]) == (["recording-unreadable"], None)
        assert row["sentences"] == ["run m1: m1.raw is a named pipe, a file is expected"]


def test_what_may_not_be_read_is_no_input_of_the_workflow(root: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The workflow manager stops at inputs that it cannot open; the job itself leaves them out by name."""
    assert plan_of(root).source_files("m1") == ("recordings/m1.raw",)
    monkeypatch.setattr(os, "access", lambda path, _: Path(path).name not in ("m1.raw", "cal1.raw"))
    assert plan_of(root).source_files("m1") == ()
    assert JOBS["calibrate"].sources(plan_of(root), "april") == ("recordings/cal2.raw",)
