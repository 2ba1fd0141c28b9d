"""Pipes, sockets, devices, folders, endless and locked files in the place of every file of a campaign: named faults.

Each kind is tried in a process of its own that is stopped after some seconds: what waits or never ends fails there.
"""

from __future__ import annotations

import ctypes
import json
import os
import socket
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from small_campaign import MINIMAL, write

PATIENCE_S = 60.0
"""For all places of one kind together, on a machine with other work to do."""

CHECK = """
import json, sys
from pathlib import Path
from tapeline.campaign.faults import CampaignFaults
from tapeline.campaign.load import load_campaign
from tapeline.recordings.opening import channel_count
from tapeline.cli.recording_warnings import recording_warnings
told = {}
for folder in map(Path, sys.argv[1:]):
    try:
        found = recording_warnings(load_campaign(folder, channel_count))
    except CampaignFaults as faults:
        found = faults
    told[folder.name] = [str(fault) for fault in found]
print(json.dumps(told))
"""
CHART = "frequency_hz,response_db\n20,0\n2000,0.5\n"
FILES = {
    **MINIMAL,
    "config/campaign.yaml": MINIMAL["config/campaign.yaml"]
    + "report: {outlines: [{file: config/side.csv}, {file: config/top.svg, plane: x-y}]}\n",
    "config/runs.csv": "run,recording,kind,session,condition,speed_kmh,calibrator,stage,flow_series\n"
    "cal1,cal1.wav,calibration,april,,,speaker,before,\nbg1,bg1.wav,background,april,,100,,,\n"
    "m1,m1.wav,measurement,april,open,100,,,m1.csv\nm2,m2.wav,measurement,april,sealed,100,,,\n",
    "config/sensors.csv": "sensor,sensitivity_mv_per_pa,chart,data_sheet\ns1,10,config/s1.csv,config/s1.bin\ns2,11,,\n",
    "config/cavities.csv": "cavity,length_m\n",
    "config/overrides.csv": "run,position,verdict,reason,who\n",
    "config/left_out.csv": "run,start_s,stop_s,position,lower_hz,upper_hz,reason\n",
    "config/s1.csv": CHART,
    "config/s1.bin": "12345678",
    "config/side.csv": "x_m,z_m\n0,0\n1,1\n",
    "config/top.svg": '<svg xmlns="http://www.w3.org/2000/svg"><line x1="0" y1="0" x2="1" y2="1"/></svg>',
    "recordings/m1.csv": "time_s,speed_mps\n0,30\n1,31\n",
}
TABLES = [name for name in FILES if name.endswith(("yaml", "runs.csv", "positions.csv", "fittings.csv", "sensors.csv",
                                                   "calibrators.csv", "cavities.csv", "overrides.csv",
                                                   "left_out.csv"))]  # fmt: skip
NAMED_IN_A_TABLE = ["config/s1.csv", "config/s1.bin", "recordings/m1.csv", "config/side.csv", "config/top.svg"]
RECORDING = "recordings/m1.wav"


def make_socket(path: Path) -> None:
    here = Path.cwd()
    os.chdir(path.parent)
    try:
        with socket.socket(socket.AF_UNIX) as made:
            made.bind(path.name)
    finally:
        os.chdir(here)


def make_endless(path: Path) -> None:
    """A regular file far larger than the memory, which takes no room on the disk."""
    path.touch()
    os.truncate(path, 2**42)


def make_locked(path: Path) -> None:
    path.write_text("locked")
    path.chmod(0)


KINDS: dict[str, Callable[[Path], None]] = {
    "a named pipe": os.mkfifo,
    "a socket": make_socket,
    "a device": lambda path: path.symlink_to("/dev/zero"),
    "a folder": Path.mkdir,
}


def bound_by_permissions() -> None:
    """Root reads everything: without these two rights it is held to what a file's owner may do."""
    for right in (1, 2):
        if ctypes.CDLL(None).prctl(24, right, 0, 0, 0):
            raise PermissionError("the right to pass over permissions cannot be given up")


def told(root: Path, places: list[str], make: Callable[[Path], None], locked: bool = False) -> dict[str, list[str]]:
    """What is said of campaigns with one odd file each, by its place."""
    folders = {}
    for place in places:
        folder = root / place.replace("/", "-")
        write(folder, dict(FILES))
        (folder / "recordings").mkdir(exist_ok=True)
        (folder / place).unlink(missing_ok=True)
        make(folder / place)
        folders[place] = folder
    done = subprocess.run(
        [sys.executable, "-c", CHECK, *map(str, folders.values())],
        capture_output=True,
        text=True,
        check=False,
        timeout=PATIENCE_S,
        preexec_fn=bound_by_permissions if locked and os.geteuid() == 0 else None,
    )
    assert done.returncode == 0, done.stderr
    by_folder = json.loads(done.stdout)
    return {place: by_folder[folder.name] for place, folder in folders.items()}


def faults_with(lines: list[str], words: str) -> list[str]:
    return [line for line in lines if words in line]


def test_the_campaign_has_no_fault_of_its_own(tmp_path: Path) -> None:
    (lines,) = told(tmp_path, [RECORDING], lambda _: None).values()
    assert len(lines) == 1 and "4 recordings that are not there" in lines[0]


@pytest.mark.parametrize("kind", KINDS)
def test_another_kind_of_file_is_one_named_fault(tmp_path: Path, kind: str) -> None:
    said = told(tmp_path, [*TABLES, *NAMED_IN_A_TABLE, RECORDING], KINDS[kind])
    for place in TABLES:
        expected = f"{place}: found {kind}, which cannot be read as text, expected a file of text"
        assert faults_with(said[place], kind) == [expected]
    for place in NAMED_IN_A_TABLE:
        (line,) = faults_with(said[place], kind)
        assert f'found {kind}, "{place}", expected a file, by its path' in line
    (line,) = faults_with(said[RECORDING], "m1.wav is")
    assert line.startswith('config/runs.csv:4, column "recording": found ')
    assert f"m1.wav is {kind}, a file is expected" in line and "run m1 will be left out" in line


def test_endless_files_are_not_read_into_memory(tmp_path: Path) -> None:
    said = told(tmp_path, [*TABLES, *NAMED_IN_A_TABLE, RECORDING], make_endless)
    drawings = {"config/side.csv", "config/top.svg"}
    for place in {*TABLES, *NAMED_IN_A_TABLE} - drawings - {"config/s1.bin"}:
        assert faults_with(said[place], "bytes") == [
            f"{place}: found a path that cannot be read (more than 50,000,000 bytes), expected a readable file"
        ]
    (line,) = faults_with(said["config/s1.bin"], "bytes")
    assert 'found "config/s1.bin" of 4,398,046,511,104 bytes, expected a data sheet' in line
    for place in drawings:
        assert faults_with(said[place], "expected at most 1,000,000") != []
    assert faults_with(said[RECORDING], "m1.wav is of no known kind") != []


def test_files_without_permission_are_named(tmp_path: Path) -> None:
    try:
        said = told(tmp_path, [*TABLES, *NAMED_IN_A_TABLE, RECORDING], make_locked, locked=True)
    except (subprocess.SubprocessError, OSError) as error:
        pytest.skip(f"permissions do not bind this user: {error}")
    for place in {*TABLES, *NAMED_IN_A_TABLE} - {"config/s1.bin"}:
        assert faults_with(said[place], "ermission") == [
            f"{place}: found a path that cannot be read (Permission denied), expected a readable file; "
            "give yourself permission to read it"
        ]
    (line,) = faults_with(said["config/s1.bin"], "ermission")
    assert 'column "data_sheet": found no permission to read "config/s1.bin", expected a file' in line
    (line,) = faults_with(said[RECORDING], "ermission")
    assert "m1.wav may not be read (Permission denied): give yourself permission" in line


def test_a_name_that_leads_nowhere_is_no_table_that_is_not_there(tmp_path: Path) -> None:
    """A link to a lost table of overrides must not read as "nobody overruled anything"."""
    places = ["config/overrides.csv", "config/left_out.csv", "config/cavities.csv", "config/campaign.yaml"]
    for place, lines in told(tmp_path, places, lambda path: path.symlink_to("lost.csv")).items():
        assert len(faults_with(lines, f"{place}: found no such file")) == 1
