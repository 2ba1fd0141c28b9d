"""Mutated recordings of every kind: reading one gives samples or a RecordingError, in bounded memory, and nothing else.

    python fuzz/fuzz_recordings.py --seconds 60 --seed 1

With the package atheris the mutations follow the branches that the reading code takes; without it they are drawn at
random from the seed, and the output says so. The first byte of an input chooses how the rest is opened. An input that
breaks the rule stays in the folder named by --keep (exit status 1); the input in hand is always in its file
in-hand.bin, so that one which ends the process is not lost either.
"""

from __future__ import annotations

import argparse
import contextlib
import importlib
import io
import os
import random
import resource
import sys
import time
import traceback
from collections import Counter
from pathlib import Path
from typing import Any

REPOSITORY = Path(__file__).resolve().parents[1]
MOST_BYTES = 65_536
MOST_FRAMES = 2**21
MEMORY_BYTES = 512 * 2**20
"""So much more than after reading the seeds may be taken; a block of 1024 channels needs 16 MiB."""

EDGES = (
    b"\0",
    b"\xff",
    b"\x7f",
    b"\x80",
    b"\0\0\0\0",
    b"\xff\xff\xff\xff",
    b"\xff\xff\xff\x7f",
    b"\0\0\0\x80",
    b"\xff" * 8,
)
NAMED = {"recording-cut", "recording-empty", "recording-missing", "recording-unreadable"}


class Target:
    """Opens and reads one input; counts how it ended."""

    def __init__(self, keep: Path) -> None:
        opening = importlib.import_module("tapeline.recordings.opening")
        recording = importlib.import_module("tapeline.recordings.recording")
        layout = importlib.import_module("tapeline.recordings.raw_binary").RawLayout
        self._open, self._fault = opening.open_recording, recording.RecordingError
        self._layouts = (
            None,
            layout("float32", "little", "interleaved", 3, 12_800.0),
            layout("int24", "big", "planar", 2, 12_800.0, 7),
        )
        self.in_hand = keep / "in-hand.bin"
        self.ended: Counter[str] = Counter()

    def __call__(self, data: bytes) -> None:
        """Raises whatever is no RecordingError with a known code; AssertionError where samples are missing."""
        if len(data) < 2:
            return
        self.in_hand.write_bytes(data)
        path = self.in_hand.with_name("recording.bin")
        path.write_bytes(data[1:MOST_BYTES])
        try:
            recording = self._open([path], self._layouts[data[0] % len(self._layouts)])
            stop, read = min(recording.frames, MOST_FRAMES), 0
            for block in recording.blocks(0, stop):
                assert block.shape[0] == recording.channels
                assert block.nbytes <= 2**25
                read += block.shape[1]
            assert read == stop > 0
            assert recording.declared_frames >= recording.frames
            self.ended["read whole"] += 1
        except self._fault as error:
            assert error.code in NAMED, error.code
            assert error.sentence.strip()
            self.ended[error.code] += 1


def seeds() -> list[bytes]:
    """Small synthetic files of every kind, each with the byte in front that opens it as it should be."""
    sys.path.insert(0, str(REPOSITORY / "tests" / "recordings"))
    containers = importlib.import_module("containers")
    files = [bytes([kind == "NumPy"]) + containers.file_bytes(kind, frames=60) for kind in containers.KINDS]
    files += [b"\1" + bytes(720), b"\2" + bytes(7 + 360), b"\0\x89HDF\r\n\x1a\n" + bytes(500)]
    with contextlib.suppress(ImportError):
        h5py, stream = importlib.import_module("h5py"), io.BytesIO()
        with h5py.File(stream, "w") as file:
            file.create_dataset("volts", data=containers.NOISE[:60]).attrs["sample_rate_hz"] = 12_800.0
        files.append(b"\0" + stream.getvalue())
    return files


def mutated(data: bytes, others: list[bytes], draw: random.Random) -> bytes:
    """One to six changes, most of them near the beginning, where headers are."""
    content = bytearray(data)
    for _ in range(draw.randint(1, 6)):
        place = (
            min(int(draw.expovariate(1 / 60)), len(content) - 1)
            if draw.random() < 0.8
            else draw.randrange(len(content))
        )
        kind = draw.randrange(6)
        if kind == 0:
            content[place] ^= 1 << draw.randrange(8)
        elif kind == 1:
            edge = draw.choice(EDGES)
            content[place : place + len(edge)] = edge
        elif kind == 2:
            content[place : place + 4] = draw.randbytes(4)
        elif kind == 3:
            del content[place : place + draw.choice((1, 2, 4, 8, 10_000))]
        elif kind == 4:
            other = draw.choice(others)
            start = draw.randrange(len(other))
            content[place:place] = other[start : start + draw.randint(1, 48)]
        else:
            content[place : place + 8] = draw.choice(others)[place : place + 8]
        if not content:
            return b"\0\0"
    return bytes(content[:MOST_BYTES])


def by_chance(target: Target, seconds: float, seed: int, keep: Path) -> int:
    """Seeded random mutations until the time is over; a file that is read whole is mutated further."""
    draw, files, most = random.Random(seed), seeds(), 400
    end, tried = time.monotonic() + seconds, 0
    while time.monotonic() < end:
        data = mutated(draw.choice(files), files, draw)
        before = target.ended["read whole"]
        try:
            target(data)
        except Exception:
            traceback.print_exc()
            broken = keep / f"broken-{seed}-{tried}.bin"
            broken.write_bytes(data)
            print(
                f"after {tried} inputs: neither samples nor a RecordingError; the input is in {broken}", file=sys.stderr
            )
            return 1
        tried += 1
        if target.ended["read whole"] > before and len(files) < most:
            files.append(data)
    print(f"{tried} inputs: " + ", ".join(f"{count} {ended}" for ended, count in sorted(target.ended.items())))
    return 0


def by_coverage(atheris: Any, target: Target, seconds: float, seed: int, keep: Path) -> int:
    """Mutations that follow the branches taken; ends the process itself, not with 0 for a broken rule."""
    corpus = keep / "corpus"
    corpus.mkdir(exist_ok=True)
    for number, data in enumerate(seeds()):
        (corpus / f"seed-{number}").write_bytes(data)
    options = [
        f"-max_total_time={int(seconds)}",
        f"-seed={seed}",
        f"-max_len={MOST_BYTES}",
        f"-artifact_prefix={keep}/",
    ]
    atheris.Setup([sys.argv[0], *options, str(corpus)], target)
    atheris.Fuzz()
    return 0


def limit_memory(target: Target) -> None:
    """Beyond the limit an allocation fails, and the failure is no RecordingError."""
    for data in seeds():
        target(data)
    target.ended.clear()
    pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[0])
    limit = pages * os.sysconf("SC_PAGE_SIZE") + MEMORY_BYTES
    resource.setrlimit(resource.RLIMIT_AS, (limit, limit))


def main() -> int:
    """Entry point; returns the exit status."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seconds", type=float, default=60.0, help="how long (default: 60)")
    parser.add_argument("--seed", type=int, default=1, help="of the mutations (default: 1)")
    parser.add_argument("--keep", type=Path, default=REPOSITORY / "build" / "fuzz", help="folder for inputs")
    options = parser.parse_args()
    options.keep.mkdir(parents=True, exist_ok=True)
    try:
        atheris = importlib.import_module("atheris")
    except ImportError:
        target = Target(options.keep)
        limit_memory(target)
        print(f"atheris is not installed: random mutations from seed {options.seed} for {options.seconds:g} s instead")
        return by_chance(target, options.seconds, options.seed, options.keep)
    with atheris.instrument_imports(include=["tapeline.recordings"]):
        target = Target(options.keep)
    limit_memory(target)
    print(f"atheris: mutations led by coverage for {options.seconds:g} s")
    return by_coverage(atheris, target, options.seconds, options.seed, options.keep)


if __name__ == "__main__":
    sys.exit(main())
