"""Folders begun from whatever recordings there are: what is refused, what is left open; `check` reads it all."""

from __future__ import annotations

import contextlib
import errno
import json
import os
import struct
from pathlib import Path

import hall_recordings as hall
import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st

from tapeline.campaign.faults import CampaignFaults, Gap
from tapeline.campaign.load import load_campaign
from tapeline.cli import main
from tapeline.new_campaign.begun_folder import begin
from tapeline.new_campaign.calibrator_tones import calibrator_tone
from tapeline.new_campaign.campaign_files import SCHEMA_FILE, campaign_files
from tapeline.new_campaign.refusal import RefusedError
from tapeline.recordings.opening import channel_count

Captured = pytest.CaptureFixture[str]


def short(path: Path, ended_s: float | None = None, channels: int = 2, seed: int = 1) -> Path:
    return hall.write(path, hall.noise(0.5, seed, 1.0, channels), ended_s)


def files_of(folder: Path) -> dict[Path, bytes]:
    return {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def refused(capsys: Captured, *arguments: object) -> str:
    """The one sentence that the command ends with."""
    assert main(["new", *map(str, arguments)]) == 2
    (sentence,) = capsys.readouterr().err.splitlines()
    return sentence.removeprefix("tapeline new: ")


def test_a_folder_with_files_is_left_as_it_is(tmp_path: Path, capsys: Captured) -> None:
    (tmp_path / "kept.txt").write_text("kept")
    sentence = refused(capsys, tmp_path)
    assert sentence == f"{tmp_path} holds files already (kept.txt); name a new folder or an empty one"
    assert files_of(tmp_path) == {tmp_path / "kept.txt": b"kept"}
    assert "is a file" in refused(capsys, tmp_path / "kept.txt")


def test_recordings_that_cannot_be_had_are_one_sentence_and_no_folder(tmp_path: Path, capsys: Captured) -> None:
    recordings, folder = tmp_path / "recordings", tmp_path / "campaign"
    ends = "name the folder of the recordings with --from"
    assert refused(capsys, folder, "--from", recordings) == f"{recordings} is not there; {ends}"
    recordings.mkdir()
    sentence = refused(capsys, folder, "--from", recordings)
    assert sentence == f"{recordings} holds no recording (it is empty); {ends}"
    (recordings / "notes.txt").write_text("no recording")
    assert "notes.txt is of no known kind" in refused(capsys, folder, "--from", recordings)
    assert refused(capsys, folder, "--from", recordings / "notes.txt").endswith(f"is a file; {ends}")
    assert not folder.exists()


def test_a_folder_that_may_not_be_looked_into(
    tmp_path: Path, capsys: Captured, monkeypatch: pytest.MonkeyPatch
) -> None:
    def closed(path: Path) -> None:
        raise PermissionError(errno.EACCES, os.strerror(errno.EACCES), str(path))

    monkeypatch.setattr(os, "scandir", closed)
    recordings = tmp_path / "recordings"
    sentence = refused(capsys, tmp_path / "campaign", "--from", recordings)
    assert sentence == f"{recordings} cannot be looked into (Permission denied); give yourself permission"


def test_a_folder_among_its_own_recordings_is_refused(tmp_path: Path, capsys: Captured) -> None:
    short(tmp_path / "recordings" / "a.wav")
    sentence = refused(capsys, tmp_path / "recordings" / "campaign", "--from", tmp_path / "recordings")
    assert sentence.endswith("lies in the folder of the recordings; name a folder beside it")


def test_what_is_no_recording_is_named_and_left_out(tmp_path: Path, capsys: Captured) -> None:
    recordings = tmp_path / "recordings"
    short(recordings / "a.wav")
    (recordings / "notes.dat").write_text("times by hand\n" * 9)
    whole = short(recordings / "sub" / "cut.wav", seed=2).read_bytes()
    (recordings / "sub" / "cut.wav").write_bytes(whole[:-100])
    short(recordings / "price$.wav", seed=3)
    os.mkfifo(recordings / "pipe.wav")
    assert main(["new", str(tmp_path / "campaign"), "--from", str(recordings)]) == 0
    said = capsys.readouterr()
    left_out = [line for line in said.err.splitlines() if line.startswith("left out: ")]
    starts = [
        "notes.dat is of no known kind",
        "pipe.wav is a named pipe",
        'found "price$.wav"',
        "sub/cut.wav: the header",
    ]
    assert all(any(line.startswith(f"left out: {start}") for line in left_out) for start in starts)
    assert len(left_out) == 4
    assert ": 1 recording, 1 session" in said.out


def test_files_copied_without_their_times_have_none(tmp_path: Path) -> None:
    for number in range(3):
        short(tmp_path / "recordings" / f"r{number}.wav", 0.1 * number, seed=number)
    hall.write(tmp_path / "recordings" / "long.wav", hall.noise(0.5, 9, 4.0, 2), 0.5)
    proposed, _ = begin(tmp_path / "campaign", tmp_path / "recordings")
    assert proposed.notes[0].partition(",")[0] == ("the files' times do not tell when they were recorded")
    assert all("recorded_at" not in run and run["session"] == "session-1" for run in proposed.runs)


def test_recordings_weeks_apart_are_proposed_as_sessions(tmp_path: Path) -> None:
    day = 86_400.0
    for number, ended in enumerate((60.0, 3600.0, 2.9 * day, 20.0 * day)):
        short(tmp_path / "recordings" / f"r{number}.wav", ended, seed=number)
    proposed, _ = begin(tmp_path / "campaign", tmp_path / "recordings")
    assert {name: len(files) for name, files in proposed.sessions.items()} == {"2025-03-04": 3, "2025-03-24": 1}
    assert len(proposed.fittings) == 2 * 2


def test_two_recorders_leave_the_session_of_the_fewer_open(tmp_path: Path) -> None:
    for number in range(3):
        short(tmp_path / "recordings" / f"r{number}.wav", 60.0 * (number + 1), seed=number)
    short(tmp_path / "recordings" / "other.wav", 61.0, channels=4)
    proposed, gaps = begin(tmp_path / "campaign", tmp_path / "recordings")
    assert proposed.notes[0] == (
        "two recorders in session 2025-03-04: other.wav with 4 channels, the others with 2; a session holds one "
        "recorder: name another session for them"
    )
    assert [run["run"] for run in proposed.runs if run["session"] == "???"] == ["other"]
    assert [gap.column for gap in gaps if gap.file == "config/runs.csv"].count("session") == 1


def test_samples_without_a_header_get_a_format_to_describe(tmp_path: Path) -> None:
    (tmp_path / "recordings").mkdir()
    hall.noise(1.0, 1, 0.1, 2).astype("<i2").tofile(tmp_path / "recordings" / "m1.bin")
    np.save(tmp_path / "recordings" / "m2.npy", hall.noise(1.0, 1, 0.1, 2).astype(np.float32))
    proposed, gaps = begin(tmp_path / "campaign", tmp_path / "recordings")
    assert set(proposed.formats) == {"headerless-bin", "npy-float32-2-channels"}
    named = {(gap.expected.partition(":")[0], gap.file) for gap in gaps}
    assert {
        ("how one sample is stored", "config/campaign.yaml"),
        ("number of channels in the recording", "config/campaign.yaml"),
        ("bytes to skip before the first sample", "config/campaign.yaml"),
    } <= named
    assert sum(gap.expected == "sampling rate in Hz" for gap in gaps) == 2


def dated(path: Path, begun: str) -> None:
    """Put a broadcast extension chunk before the others of a WAV file: date and time at bytes 320 to 338."""
    octets, written_s = path.read_bytes(), path.stat().st_mtime
    extension = b"\0" * 320 + begun.encode() + b"\0" * 264
    chunk = struct.pack("<4sI", b"bext", len(extension)) + extension
    path.write_bytes(octets[:4] + struct.pack("<I", len(octets) - 8 + len(chunk)) + octets[8:12] + chunk + octets[12:])
    os.utime(path, (written_s, written_s))


def test_recordings_that_overlap_are_told(tmp_path: Path) -> None:
    for number, begun in enumerate(("2024-05-0614:15:16", "2024-05-0614:15:18", "2024-05-0614:30:00")):
        path = tmp_path / "recordings" / f"r{number}.wav"
        dated(hall.write(path, hall.noise(0.5, number, 6.0, 2)), begun)
    proposed, _ = begin(tmp_path / "campaign", tmp_path / "recordings")
    assert proposed.notes[0].startswith("r0.wav and r1.wav overlap in time: two recorders, or a clock that was wrong;")


@pytest.mark.parametrize("begun", ["0000-00-0000:00:00", "\0" * 18, "2024-05-06"])
def test_a_header_without_a_date_states_no_start(tmp_path: Path, begun: str) -> None:
    dated(short(tmp_path / "recordings" / "a.wav", 60.0), begun)
    proposed, _ = begin(tmp_path / "campaign", tmp_path / "recordings")
    assert proposed.runs[0]["recorded_at"].startswith("2025-03-04T09:00:59")


def test_a_cut_recording_of_an_odd_name_is_not_taken_for_headerless(tmp_path: Path) -> None:
    whole = short(tmp_path / "recordings" / "a.wav").read_bytes()
    (tmp_path / "recordings" / "b.dat").write_bytes(whole[:-100])
    proposed, _ = begin(tmp_path / "campaign", tmp_path / "recordings")
    assert [one.file for one in proposed.left_out] == ["b.dat"]


def test_the_start_that_a_header_states_counts(tmp_path: Path) -> None:
    dated(short(tmp_path / "recordings" / "a.wav"), "2024-05-0614:15:16")
    proposed, _ = begin(tmp_path / "campaign", tmp_path / "recordings")
    assert proposed.runs[0]["recorded_at"] == "2024-05-06T14:15:16"
    assert list(proposed.sessions) == ["2024-05-06"]


@pytest.mark.parametrize("hertz", [250.0, 1000.0])
def test_a_calibrator_is_told_by_its_tone(tmp_path: Path, hertz: float) -> None:
    path = hall.write(tmp_path / "c.wav", hall.calibrator(hertz, (2, 3, 1), 4, 6400), rate_hz=6400)
    tone = calibrator_tone(path)
    assert tone is not None and (tone.frequency_hz, tone.channels) == (hertz, (2, 3, 1))


@pytest.mark.parametrize("case", ["on all channels", "wavering", "faint", "noise"])
def test_what_is_no_calibrator(tmp_path: Path, case: str) -> None:
    pascal = hall.noise(0.05, 3, 8.0, 3)
    time = np.arange(pascal.shape[0]) / hall.RATE_HZ
    tone = 3.0 * np.sin(2.0 * np.pi * 1000.0 * time)
    if case == "on all channels":
        pascal += tone[:, None]
    elif case == "wavering":
        pascal[:, 1] += tone * (1.0 + 0.3 * np.sin(2.0 * np.pi * 1.1 * time))
    elif case == "faint":
        pascal[:, 1] += 0.02 * tone
    assert calibrator_tone(hall.write(tmp_path / "r.wav", pascal)) is None


def test_a_calibration_by_name_alone_is_proposed_with_gaps(tmp_path: Path) -> None:
    short(tmp_path / "recordings" / "cal_1.wav", 60.0)
    short(tmp_path / "recordings" / "m_2.wav", 120.0, seed=2)
    proposed, gaps = begin(tmp_path / "campaign", tmp_path / "recordings")
    run = proposed.runs[0]
    assert (run["kind"], run["calibrator"], run["stage"]) == ("calibration", "???", "before")
    assert run["remark"] == "1.000 s; proposed from the file's name: kind"
    assert proposed.notes == ("cal_1.wav: a calibration by the name, no steady tone of 250 or 1000 Hz was found",)
    assert [gap.column for gap in gaps if gap.file == "config/calibrators.csv"] == [
        "calibrator", "frequency_hz", "kind", "level_db",
    ]  # fmt: skip


def test_without_recordings_the_tables_wait_for_rows(tmp_path: Path, capsys: Captured) -> None:
    assert main(["new", str(tmp_path / "Roof seam, may"), "--with", "cavities", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert [gap["column"] for gap in found["gaps"]] == [7, 13]
    assert (tmp_path / "Roof seam, may" / "recordings").is_dir()
    assert (tmp_path / "Roof seam, may" / "config" / "cavities.csv").is_file()
    assert not (tmp_path / "Roof seam, may" / "config" / "overrides.csv").exists()
    assert 'campaign: "Roof-seam-may"' in (tmp_path / "Roof seam, may" / "config" / "campaign.yaml").read_text()


@pytest.mark.parametrize("name", ["recordings", "wav/may"])
def test_recordings_in_the_folder_itself_stay_where_they_are(tmp_path: Path, name: str) -> None:
    folder = tmp_path / "campaign"
    short(folder / name / "a.wav")
    before = files_of(folder)
    begin(folder, folder / name)
    assert before.items() <= files_of(folder).items()
    assert "inputs_outside" not in (folder / "config" / "campaign.yaml").read_text(encoding="utf-8")


def test_a_begun_folder_is_not_begun_again(tmp_path: Path) -> None:
    begin(tmp_path / "campaign", None)
    before = files_of(tmp_path)
    with pytest.raises(RefusedError, match="holds files already"):
        begin(tmp_path / "campaign", None)
    assert files_of(tmp_path) == before


NAMES = st.text(st.characters(codec="utf-8", exclude_characters="/\0"), min_size=1, max_size=12) | st.sampled_from(
    [
        "open_100kmh",
        "sealed_100kmh",
        "open_27.8mps",
        "background_1",
        "cal_before",
        "none",
        "???",
        "Open_100kmh",
        "a,b",
        '"x"',
        "#1",
    ]
)
ENDINGS = st.sampled_from([".wav", ".bin", ".npy", ".txt", "", ".flac"])
CONTENTS = st.sampled_from(["whole", "float", "cut", "empty", "words", "samples", "array", "slow", "fast"])
RATES_HZ = {"slow": 1, "fast": 2_000_000_000}
WRITTEN_S = st.integers(0, 10**9) | st.sampled_from([-(10**10), 2**33, 10**12])


@settings(max_examples=40)
@given(st.lists(st.tuples(NAMES, ENDINGS, CONTENTS, st.integers(1, 3), WRITTEN_S), min_size=1, max_size=5))
def test_whatever_recordings_there_are_check_reads_what_is_begun(
    tmp_path_factory: pytest.TempPathFactory, drawn: list[tuple[str, str, str, int, int]]
) -> None:
    folder = tmp_path_factory.mktemp("any")
    recordings = folder / "recordings"
    recordings.mkdir()
    for number, (name, ending, content, channels, written_s) in enumerate(drawn):
        path = recordings / f"{name}{ending}"
        if len(path.name.encode()) > 200 or path.exists() or name in (".", ".."):
            continue
        samples = np.random.default_rng(number).uniform(-0.5, 0.5, (800, channels))
        if content in ("whole", "float", "cut", "slow", "fast"):
            kind = "FLOAT" if content == "float" else "PCM_16"
            soundfile.write(folder / "made", samples, RATES_HZ.get(content, 8000), subtype=kind, format="WAV")
            path.write_bytes((folder / "made").read_bytes()[: -100 if content == "cut" else None])
        elif content == "array":
            with path.open("wb") as stream:
                np.save(stream, samples.astype(np.float32))
        else:
            path.write_bytes({"empty": b"", "words": b"no recording"}.get(content, samples.astype("<f4").tobytes()))
        # Not every file system keeps every time.
        with contextlib.suppress(OSError, OverflowError):
            os.utime(path, (written_s, written_s))
    there = files_of(recordings)
    try:
        proposed, gaps = begin(folder / "campaign", recordings)
    except RefusedError:
        assert not (folder / "campaign").exists()
        return
    assert files_of(recordings) == there
    with pytest.raises(CampaignFaults) as found:
        load_campaign(folder / "campaign", channel_count)
    assert tuple(fault for fault in found.value if isinstance(fault, Gap)) == gaps
    written = campaign_files("campaign", str(recordings.resolve()), proposed)
    lines = [line for name, text in written.items() if name != SCHEMA_FILE for line in text.splitlines()]
    assert len(gaps) == sum(line.count("???") for line in lines if not line.startswith("#")) > 0


def test_json_says_what_was_found_and_proposed(tmp_path: Path, capsys: Captured) -> None:
    recordings = tmp_path / "recordings"
    hall.write(recordings / "c.wav", hall.calibrator(250.0, (2, 1), 2, 6400), 60.0, 6400)
    hall.write(recordings / "m.wav", hall.noise(0.5, 1, 1.0, 2), 120.0)
    assert main(["new", str(tmp_path / "campaign"), "--from", str(recordings), "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    first, second = found["recordings"]
    assert (first["file"], first["calibrator_hz"], first["calibrated_channels"]) == ("c.wav", 250.0, [2, 1])
    assert (first["run"]["kind"], first["run"]["stage"]) == ("calibration", "before")
    assert (second["kind"], second["channels"], second["length_s"]) == ("WAV, 24-bit integer", 2, 1.0)
    assert second["run"]["kind"] == second["run"]["condition"] == second["run"]["speed_kmh"] == "???"
    assert found["sessions"] == {"2025-03-04": ["c.wav", "m.wav"]}
    runs = [gap for gap in found["gaps"] if gap["file"] == "config/runs.csv"]
    assert [gap["column"] for gap in runs] == ["condition", "kind", "speed_kmh"]
