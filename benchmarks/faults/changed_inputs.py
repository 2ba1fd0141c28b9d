"""Recordings, charts, data sheets and flow series that change, before or while they are read."""

from __future__ import annotations

import io
import os
import subprocess
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path

import soundfile
from cases import RUN, Bases, Case, wait_until
from commands import Place
from planted_campaign import RATE_HZ, noise

TITLE = "Recordings and what belongs to them"
DONE = "^report +CAMPAIGN"
CHECKED = (*RUN, "--check-recordings")
AN_HOUR_NS = 3_600 * 10**9
WAV, RAW, SHEET = "recordings/m1.wav", "recordings/m2.raw", "charts/s1.bin"
NOTICED_OLDER = r"m1\.wav|m2\.raw"
"""What is to be said of a file that was replaced by one with an older time, or edited with its time set back."""

Change = Callable[[bytes], bytes]


def another_take(name: str) -> Change:
    """A recording of the same form, of other noise."""

    def change(content: bytes) -> bytes:
        samples = noise(Path(name).stem, seed=8)
        if name == RAW:
            return samples.astype("<f4").tobytes()
        stream = io.BytesIO()
        soundfile.write(stream, samples, RATE_HZ, format=Path(name).suffix[1:].upper(), subtype="PCM_24")
        return stream.getvalue()

    return change


def middle_edited(content: bytes) -> bytes:
    """Bytes in the middle, one by one the other way round."""
    middle = len(content) // 2
    return content[:middle] + bytes(255 - byte for byte in content[middle : middle + 4_096]) + content[middle + 4_096 :]


def write_newer(place: Place, name: str, change: Change) -> None:
    """Change a file as writing to it does."""
    path = place.campaign / name
    path.write_bytes(change(path.read_bytes()))


def write_older(place: Place, name: str, change: Change) -> None:
    """Replace a file by one that was last written an hour before it, as `cp -p` does."""
    written_ns = (place.campaign / name).stat().st_mtime_ns
    write_newer(place, name, change)
    os.utime(place.campaign / name, ns=(written_ns - AN_HOUR_NS, written_ns - AN_HOUR_NS))


def write_unseen(place: Place, name: str, change: Change) -> None:
    """Change a file and set its times back, as `touch -r` does."""
    before = (place.campaign / name).stat()
    write_newer(place, name, change)
    os.utime(place.campaign / name, ns=(before.st_atime_ns, before.st_mtime_ns))


def cases(bases: Bases, quick: bool) -> list[Case]:
    """Every change is noticed and its results made again; what cannot be read is left out and said."""
    found = []
    for name in (WAV, RAW):
        take = another_take(name)
        found += [
            _case(f"{name} written anew", partial(write_newer, name=name, change=take)),
            _case(
                f"{name} replaced by one of the same size and an older time",
                partial(write_older, name=name, change=take),
                says=NOTICED_OLDER,
            ),
            _case(
                f"{name} edited in the middle, its times set back",
                partial(write_unseen, name=name, change=middle_edited),
                says=NOTICED_OLDER,
                command=CHECKED,
            ),
        ]
    found += [
        _case(
            "recordings/m1.wav cut to a half", partial(write_newer, name=WAV, change=_half), (3,), "left out: run m1"
        ),
        _case("recordings/m1.wav emptied", partial(write_newer, name=WAV, change=_nothing), (3,), "left out: run m1"),
        _case("recordings/m2.raw emptied", partial(write_newer, name=RAW, change=_nothing), (3,), "left out: run m2"),
        _case(
            "recordings/m1.wav replaced by a picture (PNG)",
            partial(write_newer, name=WAV, change=lambda _: b"\x89PNG\r\n\x1a\n" + bytes(4_000)),
            (3,),
            "left out: run m1",
        ),
        _case(
            "recordings/m1.wav replaced by FLAC under the same name",
            partial(write_newer, name=WAV, change=_as_flac),
            (0, 3),
            DONE,
        ),
        _case("recordings/m1.wav deleted", partial(_delete, name=WAV), (3,), "left out: run m1"),
        _case("recordings/cal1.wav deleted", partial(_delete, name="recordings/cal1.wav"), (0, 3), "cal1"),
    ]
    for name, run in ((WAV, "m1"), (RAW, "m2")):
        found.append(
            Case(
                f"{name} grows while the run reads it",
                lambda place: None,
                (3,),
                f"left out: run {run}",
                start="inputs",
                during=partial(_grow, name=name),
                mended="the growing ended",
                then_statuses=(0, 3),
                then_says=DONE,
            )
        )
        found.append(
            Case(
                f"{name} vanishes during the run",
                lambda place: None,
                (3,),
                f"left out: run {run}",
                start="inputs",
                during=partial(_vanish, name=name),
                mend=partial(_come_back, name=name),
                mended="put back",
                then_says=DONE,
            )
        )
    for name, change in (
        ("charts/s1.csv", lambda content: content.replace(b"2500,0.5", b"2500,1.5")),
        ("recordings/m1_flow.csv", lambda content: content.replace(b"30.1", b"31.1")),
        (SHEET, _other_sheet),
    ):
        found += [
            _case(f"{name} written anew", partial(write_newer, name=name, change=change)),
            _case(
                f"{name} replaced by one of the same size and an older time",
                partial(write_older, name=name, change=change),
            ),
            _case(
                f"{name} edited, its times set back",
                partial(write_unseen, name=name, change=change),
                command=CHECKED,
            ),
            _case(f"{name} emptied", partial(write_newer, name=name, change=_nothing), (0, 2), mended_by=name),
            _case(f"{name} cut to a half", partial(write_newer, name=name, change=_half), (0, 2), mended_by=name),
            _case(f"{name} deleted", partial(_delete, name=name), (0, 2), mended_by=name),
        ]
    return found[::4] if quick else found


def _case(
    fault: str,
    plant: Callable[[Place], None],
    statuses: tuple[int, ...] = (0,),
    says: str = "",
    command: tuple[str, ...] = RUN,
    mended_by: str = "",
) -> Case:
    """A change after a finished run, which the next run makes good where the file is as it should be or left out."""
    if mended_by:
        pattern = rf"{Path(mended_by).name}|{DONE}"
        return Case(fault, plant, statuses, pattern, command=command, then_statuses=statuses, then_says=pattern)
    return Case(
        fault, plant, statuses, says or DONE, command=command, then_statuses=statuses, then_says=DONE, unharmed=True
    )


def _half(content: bytes) -> bytes:
    return content[: len(content) // 2]


def _nothing(content: bytes) -> bytes:
    return b""


def _as_flac(content: bytes) -> bytes:
    samples, rate_hz = soundfile.read(io.BytesIO(content))
    stream = io.BytesIO()
    soundfile.write(stream, samples, rate_hz, format="FLAC", subtype="PCM_24")
    return stream.getvalue()


def _other_sheet(content: bytes) -> bytes:
    """Another serial number and the checksum that belongs to it."""
    return content[:7] + bytes([content[7] + 1, (content[8] - 1) % 256]) + content[9:]


def _delete(place: Place, name: str) -> None:
    (place.campaign / name).unlink()


def _grow(place: Place, process: subprocess.Popen[str], name: str) -> None:
    with (place.campaign / name).open("ab", buffering=0) as stream:
        while process.poll() is None:
            stream.write(bytes(64))
            time.sleep(0.01)


def _vanish(place: Place, process: subprocess.Popen[str], name: str) -> None:
    wait_until((place.results / "calibration" / "checks" / "april.parquet").exists, process)
    path = place.campaign / name
    path.rename(place.campaign / f"away-{path.name}")


def _come_back(place: Place, name: str) -> None:
    path = place.campaign / name
    (place.campaign / f"away-{path.name}").rename(path)
