"""Work shared among processes: its order, what is raised in them, and that none of them stays."""

from __future__ import annotations

import errno
import os
import signal
from pathlib import Path

import pytest

from tapeline.report.figure_processes import shared_out
from tapeline.stopping import Stopped, raise_stopped


@pytest.mark.parametrize("processes", [1, 2, 3, 20])
def test_results_come_in_the_order_of_the_pieces(processes: int) -> None:
    made = shared_out(lambda index: (index, os.getpid()), 7, processes)
    assert [index for index, _ in made] == list(range(7))
    assert (os.getpid() in {pid for _, pid in made}) == (processes == 1)
    assert shared_out(lambda index: index, 0, processes) == []


def test_an_error_is_raised_as_it_was_with_its_place() -> None:
    def work(index: int) -> int:
        if index == 3:
            raise OSError(errno.ENOSPC, "No space left on device", "levels.png")
        return index

    with pytest.raises(OSError, match="No space left") as raised:
        shared_out(work, 5, 2)
    assert (raised.value.errno, raised.value.filename) == (errno.ENOSPC, "levels.png")
    assert "in work" in raised.value.__notes__[0]


class TwoWordsError(Exception):
    def __init__(self, one: str, other: str) -> None:
        super().__init__(f"{one} {other}")


def test_an_error_that_cannot_be_sent_is_told_in_its_words() -> None:
    def work(index: int) -> int:
        raise TwoWordsError("no", "figure")

    with pytest.raises(RuntimeError, match="TwoWordsError: no figure"):
        shared_out(work, 2, 2)


def test_a_process_that_is_killed_is_said() -> None:
    def work(index: int) -> int:
        if index == 1:
            os.kill(os.getpid(), signal.SIGKILL)
        return index

    with pytest.raises(ChildProcessError, match="ended by itself"):
        shared_out(work, 4, 2)


@pytest.mark.parametrize("stop", ["a fault", "a signal"])
def test_no_process_outlives_a_fault_or_a_stop(tmp_path: Path, stop: str, capfd: pytest.CaptureFixture[str]) -> None:
    """One process waits for ever, the other brings the work to its end."""
    caller, is_waiting = os.getpid(), os.pipe()

    def work(index: int) -> int:
        if index == 0:
            (tmp_path / "pid").write_text(str(os.getpid()))
            os.write(is_waiting[1], b"!")
            signal.pause()
        os.read(is_waiting[0], 1)
        if stop == "a fault":
            raise ValueError("no figure")
        os.kill(caller, signal.SIGTERM)
        signal.pause()
        return index

    before = signal.signal(signal.SIGTERM, raise_stopped)
    try:
        with pytest.raises(ValueError if stop == "a fault" else Stopped):
            shared_out(work, 2, 2)
    finally:
        signal.signal(signal.SIGTERM, before)
        for end in is_waiting:
            os.close(end)
    assert capfd.readouterr() == ("", "")
    with pytest.raises(ProcessLookupError):
        os.kill(int((tmp_path / "pid").read_text()), 0)


def test_processes_that_come_to_their_end_say_nothing(capfd: pytest.CaptureFixture[str]) -> None:
    before = signal.signal(signal.SIGTERM, raise_stopped)
    try:
        for _ in range(20):
            shared_out(lambda index: index, 4, 2)
    finally:
        signal.signal(signal.SIGTERM, before)
    assert capfd.readouterr() == ("", "")
