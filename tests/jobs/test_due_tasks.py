"""What a step does again: the tasks whose results do not fit, and no recording is read for another's sake."""

from __future__ import annotations

import dataclasses
import os
from pathlib import Path

import numpy as np
import pytest

from tapeline.campaign.load import load_campaign
from tapeline.campaign.plan import Plan
from tapeline.jobs import due_tasks, sources, stale_results
from tapeline.jobs.spectra import quality_file, spectra_file
from tapeline.jobs.spectra import run as spectra
from tapeline.jobs.steps import STEPS
from tapeline.store import file_records

RATE_HZ, RUNS = 4_000, 12
FILES = {
    "campaign.yaml": "campaign: roof\nconditions: {open: {applied: []}}\nraw_formats:\n"
    "  logger: {sample_type: float32, byte_order: little, layout: interleaved, channels: 1, sample_rate_hz: 4000}\n"
    "bands: {range_hz: [250, 1000]}\noverall: [{weighting: Z, range_hz: [250, 1000]}]\nbatch_mb: 0.3\n",
    "runs.csv": "run,recording,kind,session,condition,speed_kmh,format\n"
    + "".join(f"m{i:02d},m{i:02d}.raw,measurement,april,open,100,logger\n" for i in range(RUNS)),
    "positions.csv": "position\np1\n",
    "fittings.csv": "session,channel,position,unit\napril,1,p1,Pa\n",
    "sensors.csv": "sensor,sensitivity_mv_per_pa\n",
    "calibrators.csv": "calibrator,kind,level_db,frequency_hz\n",
}


@pytest.fixture(scope="module")
def root(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Twelve recordings in three batches, all jobs but the page done."""
    folder = tmp_path_factory.mktemp("batches")
    (folder / "config").mkdir()
    (folder / "recordings").mkdir()
    for name, text in FILES.items():
        (folder / "config" / name).write_text(text, encoding="utf-8")
    for seed in range(RUNS):
        noise = np.random.default_rng(seed).normal(size=4 * RATE_HZ)
        noise.astype("<f4").tofile(folder / "recordings" / f"m{seed:02d}.raw")
    assert all(was_due for _, _, was_due in done(folder))
    return folder


def plan_of(root: Path) -> Plan:
    return Plan(load_campaign(root, check=False))


def done(root: Path) -> list[tuple[str, str, bool]]:
    """Every task of every step but the page, and whether it was due."""
    plan = plan_of(root)
    pageless = [
        dataclasses.replace(step, jobs=tuple(job for job in step.jobs if job != "report")) for step in STEPS.values()
    ]
    steps = [(step, key) for step in pageless for key in step.keys(plan)]
    return [(task.job.name, task.key, due) for step, key in steps for task, due in due_tasks.do_step(plan, step, key)]


def due(root: Path) -> list[tuple[str, str]]:
    return [(name, key) for name, key, was_due in done(root) if was_due]


def replace(path: Path, seed: int) -> bytes:
    before = path.read_bytes()
    np.random.default_rng(seed).normal(size=4 * RATE_HZ).astype("<f4").tofile(path)
    return before


def test_recordings_of_a_session_are_in_batches_of_the_size_asked_for(root: Path) -> None:
    assert [len(runs) for runs in plan_of(root).batches.values()] == [4, 4, 4]
    assert list(plan_of(root).batches) == ["april-1", "april-2", "april-3"]


def test_nothing_is_done_where_all_fits(root: Path) -> None:
    assert due(root) == []


def test_one_changed_recording_is_the_only_one_that_is_read(root: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """By the files that are opened, and hashed: what was touched alone is hashed once and not decoded."""
    opened: list[str] = []
    real = sources.open_recording

    def noted(paths: list[Path], layout: object) -> object:
        opened.extend(path.name for path in paths)
        return real(paths, layout)

    monkeypatch.setattr(sources, "open_recording", noted)
    before = replace(root / "recordings" / "m06.raw", 99)
    assert due(root)[:3] == [("spectra", "m06"), ("verdicts", "april"), ("tables", "april")]
    assert opened == ["m06.raw"]
    (root / "recordings" / "m06.raw").write_bytes(before)
    due(root)


def test_what_came_out_the_same_makes_nothing_follow(root: Path) -> None:
    plan = plan_of(root)
    quality = quality_file(plan.results, "m03")
    content = quality.read_bytes()
    quality.unlink()
    assert due(root) == [("spectra", "m03")]
    assert quality.read_bytes() == content


def test_another_size_of_batches_reads_nothing(root: Path) -> None:
    settings = root / "config" / "campaign.yaml"
    text = settings.read_text(encoding="utf-8")
    settings.write_text(text.replace("batch_mb: 0.3", "batch_mb: 50"), encoding="utf-8")
    try:
        assert list(plan_of(root).batches) == ["april-1"]
        assert due(root) == []
    finally:
        settings.write_text(text, encoding="utf-8")


def test_a_batch_that_is_killed_goes_on_with_the_next_recording(root: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    plan = plan_of(root)
    for run in plan.batches["april-2"]:
        quality_file(plan.results, run).unlink()
    with monkeypatch.context() as patched:
        patched.setattr(due_tasks, "result_file", None)
        step = due_tasks.do_step(plan, STEPS["spectra"], "april-2")
        assert [next(step)[0].key, next(step)[0].key] == ["m04", "m05"]
        step.close()
    assert due(root) == [("spectra", "m06"), ("spectra", "m07")]


def test_a_result_made_anew_by_hand_makes_what_reads_it_due(root: Path) -> None:
    """The file of its step knows nothing of it."""
    plan = plan_of(root)
    quality = quality_file(plan.results, "m01")
    record = file_records.written_record(quality)
    assert record is not None
    file_records.keep_written(quality, file_records.FileRecord(record.stamp, "0" * 64))
    found = stale_results.due_tasks(plan, [])
    assert [(task.job.name, task.key) for task in found] == [
        ("verdicts", "april"),
        ("tables", "april"),
        ("manifest", ""),
        ("report", ""),
    ]
    file_records.keep_written(quality, record)


def test_a_step_that_is_there_before_its_task_is_forced(root: Path) -> None:
    from tapeline.jobs.steps import outdated

    plan = plan_of(root)
    due_now = [task for task in stale_results.due_tasks(plan, []) if task.job.name != "report"]
    assert (due_now, outdated(plan, due_now)) == ([], [])
    path = plan.results / "tables" / "scaling.parquet"
    content, times = path.read_bytes(), path.stat()
    path.unlink()
    (task,) = [task for task in stale_results.due_tasks(plan, []) if task.job.name != "report"]
    assert outdated(plan, [task]) == [plan.results / "steps" / "findings.json"]
    path.write_bytes(content)
    os.utime(path, ns=(times.st_atime_ns, times.st_mtime_ns))


def test_a_job_that_did_not_end_is_due_though_its_settings_are_as_before(
    root: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Ctrl-C on seeing a wrong setting, which is then taken back: nothing of what was begun may stay."""
    settings = root / "config" / "campaign.yaml"
    text = settings.read_text(encoding="utf-8")
    before = spectra_file(plan_of(root).results, "m02").read_bytes()
    settings.write_text(text + "spectra: {resolution_hz: 16}\n", encoding="utf-8")
    try:
        with monkeypatch.context() as patched:
            patched.setattr(spectra, "quality_file", interrupted)
            with pytest.raises(KeyboardInterrupt):
                list(due_tasks.do_step(plan_of(root), STEPS["spectra"], "april-1"))
    finally:
        settings.write_text(text, encoding="utf-8")
    assert due(root) == [("spectra", "m00")]
    assert spectra_file(plan_of(root).results, "m02").read_bytes() == before


def interrupted(results: Path, run: str) -> Path:
    raise KeyboardInterrupt


def test_a_run_that_was_added_is_not_called_gone(root: Path) -> None:
    from tapeline.jobs.steps import done_digests

    runs = root / "config" / "runs.csv"
    text = runs.read_text(encoding="utf-8")
    runs.write_text(text + "m99,m00.raw,measurement,april,open,120,logger\n", encoding="utf-8")
    try:
        plan = plan_of(root)
        unfit = stale_results.misfits(plan, done_digests(plan))
        assert [misfit.gone for misfit in unfit if misfit.task.key == "m99"] == []
        assert ("spectra", "m99") in [(task.job.name, task.key) for task in stale_results.due_tasks(plan, unfit)]
    finally:
        runs.write_text(text, encoding="utf-8")


def test_results_that_went_with_their_records_are_gone(root: Path) -> None:
    from tapeline.jobs.steps import done_digests

    plan = plan_of(root)
    folder = spectra_file(plan.results, "m05").parent
    away = folder.rename(folder.with_name("away"))
    try:
        (misfit,) = stale_results.misfits(plan, done_digests(plan))
        assert (misfit.task.name, len(misfit.gone)) == ("spectra m05", 2)
    finally:
        away.rename(folder)


def test_time_signals_that_do_not_fit_are_forced_by_themselves(root: Path) -> None:
    from tapeline.jobs import JOBS
    from tapeline.jobs.pressure import pressure_file
    from tapeline.jobs.steps import outdated
    from tapeline.jobs.tasks import task_of

    settings = root / "config" / "campaign.yaml"
    text = settings.read_text(encoding="utf-8")
    settings.write_text(text + "keep_pressure: true\n", encoding="utf-8")
    try:
        plan = plan_of(root)
        for run in plan.recordings:
            due_tasks.do(plan, task_of(plan, JOBS["pressure"], run))
        path = pressure_file(plan.results, "m04")
        assert stale_results.misfits(plan, {}) == []
        path.write_bytes(path.read_bytes()[:-1])
        (misfit,) = stale_results.misfits(plan, {})
        # The page, which is never made here, is due too.
        due_now = [task for task in stale_results.due_tasks(plan, [misfit]) if task.job.name != "report"]
        assert outdated(plan, due_now) == [path]
    finally:
        settings.write_text(text, encoding="utf-8")
