"""Lines of a run: a progress line that is rewritten on a terminal and rare elsewhere, and lines of JSON."""

from __future__ import annotations

import io
import json
import sys

import pytest

from tapeline.cli.run_lines import ERASE_LINE, PROGRESS_EVERY_S, JsonLines, TextLines
from tapeline.cli.run_progress import Progress, duration


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


class Clock:
    now = 0.0

    def __call__(self) -> float:
        return self.now


def test_on_a_terminal_the_progress_is_one_line(monkeypatch: pytest.MonkeyPatch) -> None:
    shown = Terminal()
    monkeypatch.setattr(sys, "stderr", shown)
    monkeypatch.setenv("COLUMNS", "12")
    monkeypatch.setenv("TERM", "xterm")
    lines = TextLines()
    lines.progress("1 of 9 recordings")
    lines.progress("1 of 9 recordings")
    lines.say("run", "a05  good")
    lines.progress("2 of 9")
    lines.close()
    assert shown.getvalue() == f"1 of 9 reco{ERASE_LINE}a05  good\n2 of 9{ERASE_LINE}"


@pytest.mark.parametrize("terminal", [False, True])
def test_elsewhere_the_progress_is_a_line_now_and_then(monkeypatch: pytest.MonkeyPatch, terminal: bool) -> None:
    shown, clock = Terminal() if terminal else io.StringIO(), Clock()
    monkeypatch.setattr(sys, "stderr", shown)
    monkeypatch.setenv("TERM", "dumb")
    lines = TextLines(clock)
    lines.progress("1 of 9")
    clock.now = PROGRESS_EVERY_S
    lines.progress("2 of 9")
    lines.progress("3 of 9")
    lines.close()
    assert shown.getvalue() == "2 of 9\n"


def test_machines_get_one_object_a_line(capsys: pytest.CaptureFixture[str]) -> None:
    clock = Clock()
    lines = JsonLines(clock)
    lines.say("run", "a05  good\n      why", run="a05")
    lines.progress("1 of 9", done=1)
    clock.now = PROGRESS_EVERY_S
    lines.progress("2 of 9", done=2)
    lines.say("ended", "", status=0)
    output, errors = capsys.readouterr()
    found = [json.loads(line) for line in output.splitlines()]
    assert [{key: each[key] for key in each if key != "time"} for each in found] == [
        {"event": "run", "text": "a05 good why", "run": "a05"},
        {"event": "progress", "text": "2 of 9", "done": 2},
        {"event": "ended", "status": 0},
    ]
    assert errors == ""


def test_who_no_longer_reads_does_not_end_a_run(monkeypatch: pytest.MonkeyPatch) -> None:
    class Closed(io.StringIO):
        def write(self, text: str) -> int:
            raise BrokenPipeError

    monkeypatch.setattr(sys, "stderr", Closed())
    TextLines().say("run", "a05  good")


def test_time_left_goes_by_what_jobs_of_the_kind_took_for_their_bytes() -> None:
    sizes = {("spectra", "a"): 10, ("spectra", "b"): 20, ("spectra", "c"): 40, ("report", ""): 0}
    progress = Progress(sizes, cores=1)
    assert progress.left_s(0.0) is None
    assert progress.text(0.0) == "0 of 3 recordings, 0 of 4 jobs"
    progress.task("spectra", "a", due=True, seconds=100.0, now_s=100.0)
    # 60 bytes at 10 s a byte; nothing is known of the report.
    assert progress.left_s(100.0) == (600.0, False)
    assert progress.left_s(160.0) == (540.0, False)
    assert progress.text(100.0) == "1 of 3 recordings, 1 of 4 jobs, more than 10 min left"
    progress.task("report", "", due=True, seconds=30.0, now_s=130.0)
    assert progress.text(130.0) == "1 of 3 recordings, 2 of 4 jobs, about 10 min left"
    progress.task("spectra", "b", due=False, seconds=0.0, now_s=130.0)
    assert progress.left_s(130.0) == (400.0, True)
    progress.task("spectra", "c", due=True, seconds=400.0, now_s=530.0)
    assert progress.text(530.0) == "3 of 3 recordings, 4 of 4 jobs"


def test_two_cores_share_the_recordings_and_not_the_report() -> None:
    sizes = {**{("spectra", name): 10 for name in "abc"}, ("tables", "s"): 0, ("tables", "t"): 0, ("report", ""): 0}
    progress = Progress(sizes, cores=2)
    progress.task("spectra", "a", due=True, seconds=20.0, now_s=0.0)
    assert progress.left_s(0.0) == (20.0, False)
    progress.task("tables", "s", due=True, seconds=8.0, now_s=0.0)
    assert progress.left_s(0.0) == (28.0, False)


@pytest.mark.parametrize(
    ("seconds", "said"),
    [(0.0, "10 s"), (34.0, "30 s"), (54.9, "50 s"), (70.0, "1 min"), (3540.0, "59 min"), (4800.0, "1 h 20 min")],
)
def test_durations_are_said_as_people_say_them(seconds: float, said: str) -> None:
    assert duration(seconds) == said
