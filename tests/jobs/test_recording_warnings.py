"""What `tapeline check` says of recordings before a run: whatever the run would leave out, by header alone."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tapeline import cli
from tapeline.campaign.load import load_campaign
from tapeline.cli.recording_warnings import recording_warnings
from tapeline.recordings.raw_binary import RawBinary
from tapeline.recordings.sound_file import SoundFile

RUNS = "config/runs.csv"
FITTINGS = "config/fittings.csv"
FILES = {
    "config/campaign.yaml": "campaign: roof\nconditions:\n  open: {applied: []}\n",
    RUNS: "run,recording,kind,session,condition,speed_kmh,start_s,stop_s,calibrator,stage\n"
    "cal1,cal1.wav,calibration,april,,,,,speaker,before\n"
    "m1,m1.wav,measurement,april,open,100,,,,\n"
    "m2,m2a.wav | m2b.wav,measurement,april,open,100,,,,\n",
    "config/positions.csv": "position\nseam1\nseam2\n",
    FITTINGS: "session,channel,position,sensor,full_scale_v\napril,1,seam1,s1,5\napril,2,seam2,s2,5\n",
    "config/sensors.csv": "sensor,sensitivity_mv_per_pa\ns1,10\ns2,11\n",
    "config/calibrators.csv": "calibrator,kind,level_db,frequency_hz\nspeaker,feedback,94,1000\n",
}
RATE = 8000


def wave(path: Path, channels: int = 2, rate: int = RATE, subtype: str = "PCM_16") -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    noise = np.random.default_rng(list(path.name.encode())).normal(0.0, 0.1, (RATE, channels))
    soundfile.write(path, noise, rate, subtype=subtype)


@pytest.fixture
def root(tmp_path: Path) -> Path:
    """A sound campaign with all its recordings."""
    for name, text in FILES.items():
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_text(text, encoding="utf-8")
    for name in ("cal1", "m1", "m2a", "m2b"):
        wave(tmp_path / "recordings" / f"{name}.wav")
    return tmp_path


def told(root: Path) -> list[tuple[str, int | None, int | str | None, str]]:
    return [(w.file, w.line, w.column, str(w)) for w in recording_warnings(load_campaign(root))]


def only(root: Path) -> tuple[str, int | None, int | str | None, str]:
    found = told(root)
    assert len(found) == 1, found
    return found[0]


def test_nothing_is_said_of_whole_recordings_and_no_samples_are_read(
    root: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: object) -> None:
        raise AssertionError("samples are read")

    monkeypatch.setattr(SoundFile, "blocks", refuse)
    monkeypatch.setattr(RawBinary, "blocks", refuse)
    assert told(root) == []


def test_missing_recordings_are_told_together(root: Path) -> None:
    (root / "recordings" / "m1.wav").unlink()
    (root / "recordings" / "cal1.wav").unlink()
    file, line, column, text = only(root)
    assert (file, line, column) == (RUNS, 2, "recording")
    assert "2 recordings that are not there: cal1.wav, m1.wav" in text
    assert text.endswith("runs cal1, m1 will be left out")


def cut(path: Path) -> None:
    path.write_bytes(path.read_bytes()[:-4000])


def folder(path: Path) -> None:
    path.unlink()
    path.mkdir()


def pipe(path: Path) -> None:
    path.unlink()
    os.mkfifo(path)


@pytest.mark.parametrize(
    ("harm", "said"),
    [
        (cut, "the last 1000 (0.125 s) are missing"),
        (folder, "is a folder, a file is expected"),
        (pipe, "is a named pipe, a file is expected"),
        (lambda path: path.write_bytes(b"no sound at all"), "is of no known kind"),
        (lambda path: path.write_bytes(b""), "is empty"),
    ],
)
def test_odd_files_are_named_and_never_waited_for(root: Path, harm: object, said: str) -> None:
    harm(root / "recordings" / "m1.wav")  # type: ignore[operator]
    file, line, column, text = only(root)
    assert (file, line, column) == (RUNS, 3, "recording")
    assert said in text
    assert text.endswith("run m1 will be left out")


def test_a_file_without_permission_is_named(root: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    opened = Path.open

    def guarded(path: Path, *args: object, **more: object) -> object:
        if path.name == "m1.wav":
            raise PermissionError(13, "Permission denied", str(path))
        return opened(path, *args, **more)  # type: ignore[call-overload]

    monkeypatch.setattr(Path, "open", guarded)
    _, line, _, text = only(root)
    assert line == 3
    assert "m1.wav may not be read (Permission denied)" in text


def test_parts_that_differ(root: Path) -> None:
    wave(root / "recordings" / "m2b.wav", rate=16_000)
    _, line, column, text = only(root)
    assert (line, column) == (4, "recording")
    assert "part 2 has 2 channels at 16000 Hz, part 1 has 2 at 8000 Hz, expected parts alike" in text


def test_a_part_beyond_the_recording(root: Path) -> None:
    (root / RUNS).write_text(FILES[RUNS].replace("100,,,,\nm2", "100,0,2,,\nm2"), encoding="utf-8")
    _, line, column, text = only(root)
    assert (line, column) == (3, "stop_s")
    assert "the recording lasts 1.000 s" in text


def test_integers_in_volts_without_full_scale(root: Path) -> None:
    (root / FITTINGS).write_text(FILES[FITTINGS].replace("seam2,s2,5", "seam2,s2,"), encoding="utf-8")
    file, line, column, text = only(root)
    assert (file, line, column) == (FITTINGS, 3, "full_scale_v")
    assert "runs cal1, m1, m2" in text
    assert text.endswith("position seam2 will be left out of them")
    for name in ("cal1", "m1", "m2a", "m2b"):
        wave(root / "recordings" / f"{name}.wav", subtype="FLOAT")
    assert told(root) == []


def test_channels_that_no_fitting_names(root: Path) -> None:
    wave(root / "recordings" / "m1.wav", channels=4)
    file, line, column, text = only(root)
    assert (file, line, column) == (RUNS, 3, "recording")
    assert "channels 3, 4 of run m1 in no fitting of session april" in text


def test_channels_that_one_recording_lacks(root: Path) -> None:
    wave(root / "recordings" / "m1.wav", channels=1)
    file, line, column, text = only(root)
    assert (file, line, column) == (FITTINGS, 3, "channel")
    assert "no such channel in run m1" in text


def test_the_command_prints_them_and_finds_no_fault(root: Path, capsys: pytest.CaptureFixture[str]) -> None:
    cut(root / "recordings" / "m1.wav")
    assert cli.main(["check", str(root)]) == 0
    out, err = capsys.readouterr()
    assert "no faults" in out
    assert err.count("warning: ") == 2, "the other one is the missing background"
    assert "run m1 will be left out" in err
