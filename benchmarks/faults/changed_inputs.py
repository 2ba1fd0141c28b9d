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
        # A chart is read with the tables: what depends on it is computed as after an edit, without a word of its own.
        noticed = DONE if name == CHART else f"not the file that results were made from.*{Path(name).name}"
        older = partial(write, name=name, change=change, set_back_ns=AN_HOUR_NS)
        unseen = partial(write, name=name, change=change, set_back_ns=0)
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
        plants = {name: partial(write, name=name, change=change) for name in (CHART, SHEET, WAV, RAW)}
        # Bytes without a header are a recording whatever they are; only none at all are none.
        raw = (3, _left_out(RAW)) if words == "emptied" else (0, DONE)
        found += [
            once(f"{CHART} {words}", plants[CHART], 2, Path(CHART).name),
            once(f"{SHEET} {words}", plants[SHEET], 0, "electronic data sheet|data sheet"),
            once(f"{WAV} {words}", plants[WAV], 3, _left_out(WAV)),
            once(f"{RAW} {words}", plants[RAW], *raw),
        ]
    found += [once(f"{name} deleted", partial(_delete, name=name), 2, Path(name).name) for name in (FLOW, CHART, SHEET)]
    found += [
        Case(f"{name} deleted", partial(_delete, name=name), (3,), _left_out(name), then_statuses=(3,), unharmed=True)
        for name in (WAV, "recordings/cal1.wav")
    ]
    flow_cut = partial(write, name=FLOW, change=spoilt["cut to a half"])
    found += [
        once(f"{FLOW} emptied", partial(write, name=FLOW, change=spoilt["emptied"]), 2, "m1_flow.csv"),
        _noticed(f"{FLOW} cut to a half", flow_cut, (DONE,)),
        _noticed(f"{WAV} replaced by FLAC of the same name", partial(write, name=WAV, change=_as_flac), (DONE,)),
    ]
    for name in (WAV, RAW):
        size = (bases.finished / name).stat().st_size
        grow, cut, vanish, back = (partial(do, name=name) for do in (_grow, _cut, _vanish, _come_back))
        found += [
            Case(f"{name} grows while it is read", nothing, (3,), _left_out(name), start="inputs", during=grow,
                 mend=partial(cut, size=size), mended="cut to what it was"),
            Case(f"{name} vanishes during the run", nothing, (3,), _left_out(name), start="inputs", during=vanish,
                 mend=back, mended="put back"),
        ]  # fmt: skip
    return found


def _left_out(name: str) -> str:
    return f"left out: run {Path(name).stem}"


def _noticed(fault: str, plant: Callable[[Place], None], says: tuple[str, ...], command: tuple[str, ...] = RUN) -> Case:
    return Case(fault, plant, (0,), says, command, unharmed=True)


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
            stream.write(bytes(8))
            # Often enough to fall into a reading of some milliseconds.
            time.sleep(0.001)


def _cut(place: Place, name: str, size: int) -> None:
    os.truncate(place.campaign / name, size)


def _vanish(place: Place, process: subprocess.Popen[str], name: str) -> None:
    wait_until((place.results / "calibration" / "checks" / "april.parquet").exists, process)
    (place.campaign / name).rename(place.campaign / f"away-{Path(name).name}")


def _come_back(place: Place, name: str) -> None:
    (place.campaign / f"away-{Path(name).name}").rename(place.campaign / name)
