"""A disk that runs full while a campaign on it is run."""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path

from cases import Bases, Case, NotHereError
from commands import Place

TITLE = "Full disk"
STAGES = 10
DISK_BYTES = 64 << 20
BLOCK_BYTES = 4_096
DISK = "disk"


def cases(bases: Bases) -> list[Case]:
    """Room for nothing, a tenth, two tenths and so on of what a run writes."""
    written = sum(
        -(-path.stat().st_size // BLOCK_BYTES) * BLOCK_BYTES
        for name in ("results", ".snakemake")
        for path in (bases.finished / name).rglob("*")
        if path.is_file()
    )
    return [
        Case(
            f"disk with room for {100 * stage // STAGES} % of what a run writes",
            partial(fill, room=stage * written // STAGES),
            (1,),
            "disk is full",
            start="inputs",
            name=f"{DISK}/campaign",
            around=small_disk,
            mend=lambda place: (place.root / DISK / "filler").unlink(),
            mended="room made",
        )
        for stage in range(STAGES)
    ]


def fill(place: Place, room: int) -> None:
    """Leave so many bytes on the disk."""
    disk = place.root / DISK
    state = os.statvfs(disk)
    left = state.f_bavail * state.f_frsize - room
    with (disk / "filler").open("wb") as stream:
        while left > 0:
            left -= stream.write(bytes(min(left, 1 << 20)))


@contextmanager
def small_disk(root: Path) -> Iterator[None]:
    """A disk of its own in the memory, mounted below a case's folder."""
    disk = root / DISK
    disk.mkdir(parents=True, exist_ok=True)
    if os.geteuid() != 0 or not shutil.which("mount"):
        raise NotHereError("only root mounts a disk")
    if subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={DISK_BYTES}", "tmpfs", str(disk)], check=False).returncode:
        raise NotHereError("this machine mounts no disk in memory")
    try:
        yield
    finally:
        subprocess.run(["umount", "-l", str(disk)], check=True)


def remount(place: Place, how: str) -> None:
    """Mount the disk anew, as "ro" or "rw"."""
    subprocess.run(["mount", "-o", f"remount,{how}", str(place.root / DISK)], check=True)
