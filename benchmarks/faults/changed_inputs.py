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
from cases import DONE, RUN, Bases, Case, nothing, once, wait_until
from commands import Place
from planted_campaign import RATE_HZ, noise

TITLE = "Recordings and what belongs to them"
CHECKED = (*RUN, "--check-recordings")
AN_HOUR_NS = 3_600 * 10**9
WAV, RAW, FLOW, CHART, SHEET = (
    "recordings/m1.wav",
    "recordings/m2.raw",
    "recordings/m1_flow.csv",
    "charts/s1.csv",
    "charts/s1.bin",
)
Change = Callable[[bytes], bytes]


def cases(bases: Bases) -> list[Case]:
    """Every change is noticed and its results made again; what cannot be read is left out and said."""
    changes: dict[str, Change] = {
        WAV: partial(another_take, name=WAV),
        RAW: partial(another_take, name=RAW),
        FLOW: lambda content: content.replace(b"30.1", b"31.1"),
        CHART: lambda content: content.replace(b"2500,0.5", b"2500,1.5"),
        SHEET: _other_sheet,
    }
    found = []
    for name, change in changes.items():
        noticed = f"not the file that results were made from.*{Path(name).name}"
        older = partial(write, name=name, change=change, set_back_ns=AN_HOUR_NS)
        unseen = partial(write, name=name, change=_middle_edited if name in (WAV, RAW) else change, set_back_ns=0)
        found += [
            _noticed(f"{name} replaced by one of the same size with an older time (`cp -p`)", older, (noticed, DONE)),
            _noticed(f"{name} edited, its time set back, `--check-recordings`", unseen, (noticed, DONE), CHECKED),
        ]
    anew = partial(write, name=WAV, change=changes[WAV])
    found.append(_noticed(f"{WAV} written anew", anew, (DONE,)))
    spoilt: dict[str, Change] = {
        "cut to a half": lambda content: content[: len(content) // 2],
        "emptied": lambda content: b"",
        "replaced by a picture (PNG)": lambda content: b"\x89PNG\r\n\x1a\n" + bytes(4_000),
    }
    for words, change in spoilt.items():
        found.append(_left_out(f"{WAV} {words}", partial(write, name=WAV, change=change), "m1"))
        for name in (CHART, SHEET):
            plant = partial(write, name=name, change=change)
            found.append(once(f"{name} {words}", plant, 2, Path(name).name))
    flow_cut = partial(write, name=FLOW, change=spoilt["cut to a half"])
    found += [
        _left_out(f"{RAW} emptied", partial(write, name=RAW, change=spoilt["emptied"]), "m2"),
        _left_out(f"{WAV} deleted", partial(_delete, name=WAV), "m1"),
        _left_out("recordings/cal1.wav deleted", partial(_delete, name="recordings/cal1.wav"), "cal1"),
        _noticed(f"{WAV} replaced by FLAC of the same name", partial(write, name=WAV, change=_as_flac), (DONE,)),
        _noticed(f"{FLOW} cut to a half", flow_cut, (DONE,)),
        once(f"{FLOW} emptied", partial(write, name=FLOW, change=spoilt["emptied"]), 2, "m1_flow.csv"),
        once(f"{FLOW} deleted", partial(_delete, name=FLOW), 2, "m1_flow.csv"),
        once(f"{CHART} deleted", partial(_delete, name=CHART), 2, "s1.csv"),
        once(f"{SHEET} deleted", partial(_delete, name=SHEET), 2, "s1.bin"),
    ]
    for name, run in ((WAV, "m1"), (RAW, "m2")):
        says = f"left out: run {run}"
        grow, vanish, back = (partial(do, name=name) for do in (_grow, _vanish, _come_back))
        words = f"{name} grows while it is read"
        cut = partial(write, name=name, change=lambda content: content[:400_000])
        again = {"start": "inputs", "mended": "the growing ended", "mend": cut, "then_statuses": (0, 3)}
        found.append(Case(words, nothing, (3,), says, during=grow, **again))  # type: ignore[arg-type]
        words = f"{name} vanishes during the run"
        found.append(Case(words, nothing, (3,), says, start="inputs", during=vanish, mend=back, mended="put back"))
    return found


def _noticed(fault: str, plant: Callable[[Place], None], says: tuple[str, ...], command: tuple[str, ...] = RUN) -> Case:
    return Case(fault, plant, (0,), says, command, unharmed=True)


def _left_out(fault: str, plant: Callable[[Place], None], run: str) -> Case:
    return Case(fault, plant, (3,), f"left out: run {run}", then_statuses=(3,), unharmed=True)


def write(place: Place, name: str, change: Change, set_back_ns: int | None = None) -> None:
    """Change a file as writing to it does; or with its time so long before what it was, as `cp -p`, `touch -r` do."""
    path = place.campaign / name
    before = path.stat()
    path.write_bytes(change(path.read_bytes()))
    if set_back_ns is not None:
        os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns - set_back_ns))


def another_take(content: bytes, name: str) -> bytes:
    """A recording of the same form and size, of other noise."""
    samples = noise(Path(name).stem, seed=8)
    if name == RAW:
        return samples.astype("<f4").tobytes()
    stream = io.BytesIO()
    soundfile.write(stream, samples, RATE_HZ, format="WAV", subtype="PCM_24")
    return stream.getvalue()


def _middle_edited(content: bytes) -> bytes:
    """Samples in the middle, set to zero."""
    middle = len(content) // 8 * 4
    return content[:middle] + bytes(4_096) + content[middle + 4_096 :]


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
    (place.campaign / name).rename(place.campaign / f"away-{Path(name).name}")


def _come_back(place: Place, name: str) -> None:
    (place.campaign / f"away-{Path(name).name}").rename(place.campaign / name)
