"""The same content under two run names is a fault; so is a copy among the parts of a split recording."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest
from small_campaign import faults_of

from tapeline.campaign import recording_checks
from tapeline.campaign.recording_checks import END_BYTES, equal_files

RUNS = "config/runs.csv"
HEADER = "run,recording,kind,session,condition,speed_kmh,calibrator,stage,start_s,stop_s,use,replaces\n"


def record(root: Path, name: str, seed: int, size: int = 300_000) -> Path:
    """A file of reproducible noise below the recordings folder."""
    path = root / "recordings" / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(np.random.default_rng(seed).bytes(size))
    return path


def runs(root: Path, *rows: str) -> None:
    """A run table of measurements: run, recording, start, stop, use, replaces."""
    lines = []
    for row in rows:
        run, recording, start, stop, use, replaces = (row.split(",") + [""] * 6)[:6]
        lines.append(f"{run},{recording},measurement,april,open,100,,,{start},{stop},{use},{replaces}\n")
    first = "cal1,cal1.wav,calibration,april,,,speaker,before,,,,\nm0,m0.wav,measurement,april,sealed,100,,,,,,\n"
    (root / RUNS).write_text(HEADER + first + "".join(lines), encoding="utf-8")


def same_faults(root: Path) -> list[str]:
    """The faults of equal content, and no others."""
    found = faults_of(root)
    assert all("byte for byte" in fault.found for fault in found), [str(fault) for fault in found]
    return [str(fault) for fault in found]


def test_a_copy_under_another_run_name_names_both_lines(minimal: Path) -> None:
    for name in ("m1.wav", "day2/m2.wav"):
        record(minimal, name, seed=1)
    record(minimal, "m3.wav", seed=2)
    runs(minimal, "m1,m1.wav", "m3,m3.wav", "m2,day2/m2.wav")
    assert same_faults(minimal) == [
        'config/runs.csv:6, column "recording": found "day2/m2.wav", byte for byte the same as "m1.wav", '
        'which run "m1" in line 4 uses, expected a recording of its own; '
        'name the file that belongs to the run, or write "no" in the column "use" of one of the two'
    ]


def test_three_copies_are_two_faults(minimal: Path) -> None:
    for name in ("a.wav", "b.wav", "c.wav"):
        record(minimal, name, seed=1)
    runs(minimal, "a,a.wav", "b,b.wav", "c,c.wav")
    assert [fault.split(":")[1].split(",")[0] for fault in same_faults(minimal)] == ["5", "6"]


@pytest.mark.parametrize(
    "rows",
    [
        ("a,a.wav", "b,b.wav,,,no"),
        ("a,a.wav,,,no", "b,b.wav"),
        ("a,a.wav", "b,b.wav,,,,a"),
        ("a,a.wav", "x,x.wav,,,no,a", "b,b.wav,,,,x"),
        ("a,a.wav,0,10", "b,b.wav,10,20"),
        ("a,a.wav,10,20", "b,b.wav,0,10"),
        ("a,a.wav,,10", "b,b.wav,12,"),
        ("a,a.wav,0,10", "b,a.wav,10,20"),
    ],
)
def test_copies_of_which_one_does_not_count_and_parts_of_one_recording(minimal: Path, rows: tuple[str, ...]) -> None:
    for name in ("a.wav", "b.wav"):
        record(minimal, name, seed=1)
    runs(minimal, *rows)
    assert same_faults(minimal) == []


@pytest.mark.parametrize(
    "rows", [("a,a.wav,0,10", "b,b.wav,9,20"), ("a,a.wav,,", "b,b.wav,9,20"), ("a,a.wav", "b,b.wav")]
)
def test_copies_of_which_the_same_part_is_used(minimal: Path, rows: tuple[str, ...]) -> None:
    for name in ("a.wav", "b.wav"):
        record(minimal, name, seed=1)
    runs(minimal, *rows)
    assert len(same_faults(minimal)) == 1


def test_one_path_under_two_runs_is_said_once_and_not_as_a_copy(minimal: Path) -> None:
    record(minimal, "a.wav", seed=1)
    runs(minimal, "a,a.wav", "b,a.wav")
    (fault,) = faults_of(minimal)
    assert (fault.line, "byte for byte" in fault.found) == (5, False)


def test_parts_of_split_recordings_count_file_by_file(minimal: Path) -> None:
    for name, seed in (("a1.wav", 1), ("a2.wav", 2), ("b1.wav", 3), ("b2.wav", 2), ("c1.wav", 4), ("c2.wav", 4)):
        record(minimal, name, seed)
    runs(minimal, "a,a1.wav | a2.wav,0,5", "b,b1.wav | b2.wav,6,9", "c,c1.wav | c2.wav")
    first, second = same_faults(minimal)
    assert '"b2.wav", byte for byte the same as "a2.wav", which run "a" in line 4 uses' in first
    assert '"c2.wav", byte for byte the same as "c1.wav" in the same row, expected each part' in second


def test_missing_empty_and_unreadable_files_are_not_this_check_s_faults(minimal: Path) -> None:
    for name in ("a.wav", "b.wav"):
        record(minimal, name, seed=1, size=0)
    (minimal / "recordings" / "d.wav").mkdir()
    (minimal / "recordings" / "e.wav").symlink_to("e.wav")
    runs(minimal, "a,a.wav", "b,b.wav", "c,gone.wav", "d,d.wav", "e,e.wav")
    assert same_faults(minimal) == []


def test_links_are_the_file_they_lead_to(minimal: Path) -> None:
    file = record(minimal, "a.wav", seed=1)
    (minimal / "recordings" / "b.wav").symlink_to("a.wav")
    os.link(file, minimal / "recordings" / "c.wav")
    runs(minimal, "a,a.wav", "b,b.wav", "c,c.wav")
    assert len(same_faults(minimal)) == 2


def test_few_files_are_read_whole(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Equal sizes are the rule in a campaign; files that differ in their first or last bytes are not read between."""
    whole: list[str] = []

    def digest(path: Path, plain=recording_checks.whole_digest) -> bytes:  # type: ignore[no-untyped-def]
        whole.append(path.name)
        return plain(path)

    monkeypatch.setattr(recording_checks, "whole_digest", digest)
    size = 5 * END_BYTES
    same = record(tmp_path, "same", 1, size).read_bytes()
    folder = tmp_path / "recordings"
    (folder / "copy").write_bytes(same)
    (folder / "other-end").write_bytes(same[:-1] + bytes([same[-1] ^ 1]))
    (folder / "other-start").write_bytes(bytes([same[0] ^ 1]) + same[1:])
    (folder / "other-middle").write_bytes(same[: size // 2] + bytes([same[size // 2] ^ 1]) + same[size // 2 + 1 :])
    (folder / "longer").write_bytes(same + b"\0")
    for number in range(50):
        record(tmp_path, f"noise{number}", 100 + number, size)
    assert equal_files(sorted(folder.iterdir())) == [[folder / "copy", folder / "same"]]
    assert sorted(whole) == ["copy", "other-middle", "same"]
