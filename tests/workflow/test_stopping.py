"""Runs that are asked to stop, and runs that are killed: one sentence, and no second run beside work that goes on."""

from __future__ import annotations

import os
import shlex
import signal
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import pytest
from background_campaign import write_background_campaign
from sample_runs import COMMAND

from tapeline import workflow
from tapeline.at_work import RUN_LOCK, BusyError, held, job_at_work, jobs_at_work
from tapeline.stopping import Stopped

pytestmark = [pytest.mark.workflow]

PATIENCE_S = 120.0
SESSIONS = 2
PARTLY = ("--cores", "2", "--", "--until", "calibrate")

SLOW_STEP = """
import os, sys
if "calibrate" in sys.orig_argv and "run" not in sys.orig_argv and os.environ.get("SLOW_JOBS"):
    import time
    import tapeline.jobs.calibrate.run as job
    def run(*given):
        open(f"started-{os.getpid()}", "w").close()
        time.sleep(600)
    job.run = run
"""


@pytest.fixture(scope="module")
def campaign(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("stopped")
    (folder / "path").mkdir()
    (folder / "path" / "sitecustomize.py").write_text(SLOW_STEP, encoding="utf-8")
    return write_background_campaign(folder / "campaign")


def environment(campaign: Path, slow: str) -> dict[str, str]:
    paths = [str(campaign.parent / "path"), *filter(None, [os.environ.get("PYTHONPATH")])]
    return os.environ | {"PYTHONPATH": os.pathsep.join(paths), "SLOW_JOBS": slow}


@contextmanager
def at_work(campaign: Path) -> Iterator[subprocess.Popen[str]]:
    """A run whose jobs are at work, and take longer than any test."""
    running = subprocess.Popen(
        [str(COMMAND), "run", str(campaign), *PARTLY],
        env=environment(campaign, "yes"),
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        preexec_fn=_listening,  # noqa: PLW1509 (no threads in this process)
    )
    started = wait_for(lambda: jobs(campaign) if len(jobs(campaign)) == SESSIONS else [])
    manager = int((campaign / RUN_LOCK).read_text(encoding="utf-8").splitlines()[1].split()[0])
    try:
        yield running
    finally:
        for kill, process in ((os.killpg, manager), *((os.kill, pid) for pid in started)):
            with suppress(ProcessLookupError):
                kill(process, signal.SIGKILL)
        running.kill()
        running.communicate()
        for path in campaign.glob("started-*"):
            path.unlink()


def _listening() -> None:
    """As in a terminal: tests that run in the background are started deaf to some of these."""
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        signal.signal(number, signal.SIG_DFL)


def jobs(campaign: Path) -> list[int]:
    return [int(path.name.partition("-")[2]) for path in campaign.glob("started-*")]


def wait_for(found: Callable[[], list[int]]) -> list[int]:
    until = time.monotonic() + PATIENCE_S
    while time.monotonic() < until:
        if seen := found():
            return seen
        time.sleep(0.05)
    raise AssertionError("nothing came")


def another_run(campaign: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [str(COMMAND), "run", str(campaign), *PARTLY],
        check=False,
        capture_output=True,
        text=True,
        env=environment(campaign, ""),
    )


@pytest.mark.parametrize(("number", "status"), [(signal.SIGINT, 130), (signal.SIGTERM, 143), (signal.SIGHUP, 129)])
def test_a_run_that_is_asked_to_stop_ends_all_its_work_in_one_line(
    campaign: Path, number: signal.Signals, status: int
) -> None:
    with at_work(campaign) as running:
        running.send_signal(number)
        said, _ = running.communicate(timeout=PATIENCE_S)
        assert running.returncode == status
        assert said.splitlines()[-1].startswith("tapeline run: stopped")
        assert not {"Traceback", "Error"} & set(said.replace(":", " ").split())
        assert jobs_at_work(campaign) == []
        with held(campaign / RUN_LOCK):
            assert list((campaign / ".snakemake" / "locks").glob("*.lock")) == []


def test_steps_are_not_interrupted_but_ended(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """At Ctrl-C: an interpreter that is still importing would leave a traceback of it in its log."""
    sent: list[int] = []
    # Tests that run in the background may be started deaf to it.
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    monkeypatch.setattr(workflow, "_signal_group", lambda group, number: sent.append(number))
    ready = tmp_path / "ready"
    press = threading.Thread(
        target=lambda: wait_for(lambda: [1] if ready.exists() else []) and os.kill(os.getpid(), signal.SIGINT)
    )
    press.start()
    try:
        with pytest.raises(Stopped, match=r"^stopped$"):
            workflow._work(["sh", "-c", f"touch {shlex.quote(str(ready))}; exec sleep {PATIENCE_S}"], tmp_path)
    finally:
        signal.signal(signal.SIGINT, before)
    press.join()
    assert sent == [signal.SIGTERM, signal.SIGKILL]


@pytest.mark.long
@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="states of processes are read from /proc")
def test_a_run_that_is_paused_pauses_its_work_and_goes_on(campaign: Path) -> None:
    with at_work(campaign) as running:
        work = [running.pid, *jobs(campaign)]
        running.send_signal(signal.SIGTSTP)
        wait_for(lambda: work if all(state(pid) == "T" for pid in work) else [])
        running.send_signal(signal.SIGCONT)
        wait_for(lambda: work if all(state(pid) == "S" for pid in work) else [])
        running.send_signal(signal.SIGTERM)
        running.communicate(timeout=PATIENCE_S)
        assert running.returncode == 143


def state(pid: int) -> str:
    return Path(f"/proc/{pid}/stat").read_text(encoding="utf-8").rpartition(")")[2].split()[0]


def test_a_second_run_is_told_who_is_at_work(campaign: Path) -> None:
    with at_work(campaign) as running:
        refused = another_run(campaign)
        assert refused.returncode == 1
        assert f"another `tapeline run` works on {campaign} (process {running.pid})" in refused.stderr.splitlines()[-1]


@pytest.mark.long
def test_steps_that_outlive_all_keep_others_away(campaign: Path) -> None:
    with at_work(campaign) as running:
        manager = int((campaign / RUN_LOCK).read_text(encoding="utf-8").splitlines()[1].split()[0])
        # The run cannot see to its jobs while it is stopped, nor once the manager is gone before it.
        os.kill(running.pid, signal.SIGSTOP)
        os.kill(manager, signal.SIGKILL)
        os.kill(running.pid, signal.SIGCONT)
        running.wait(PATIENCE_S)
        wait_for(lambda: [1] if lets_go(campaign) else [])
        refused = another_run(campaign)
        assert refused.returncode == 1
        last = refused.stderr.splitlines()[-1]
        assert "`tapeline step calibrate" in last and "still works on" in last
        assert any(f"(process {pid})" in last for pid in jobs(campaign))


def test_the_work_of_a_killed_run_ends_with_it(campaign: Path) -> None:
    with at_work(campaign) as running:
        running.kill()
        running.wait()
        done = another_run(campaign)
        assert done.returncode == 0, done.stderr
        assert "the lock of an earlier run that was killed is removed" in done.stderr.splitlines()
        assert "Traceback" not in done.stderr
        assert jobs_at_work(campaign) == []


def lets_go(campaign: Path) -> bool:
    try:
        with held(campaign / RUN_LOCK):
            return True
    except BusyError:
        return False


def test_a_step_made_by_hand_keeps_a_run_away_and_leaves_no_trace(tmp_path: Path) -> None:
    with job_at_work(tmp_path, "spectra r-open"):
        assert jobs_at_work(tmp_path) == [f"`tapeline spectra r-open` (process {os.getpid()})"]
    assert jobs_at_work(tmp_path) == []
    assert [path for path in tmp_path.rglob("*") if path.is_file()] == []


def test_the_lock_of_a_dead_process_is_free(tmp_path: Path) -> None:
    lock = tmp_path / RUN_LOCK
    lock.parent.mkdir()
    lock.write_text("1 elsewhere\n", encoding="utf-8")
    with held(lock):
        said = rf"another `tapeline run` works on .* \(process {os.getpid()}\)"
        with pytest.raises(BusyError, match=said), held(lock):
            pass
        assert lock.read_text(encoding="utf-8").split()[0] == str(os.getpid())
