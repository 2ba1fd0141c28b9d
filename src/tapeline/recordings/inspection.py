"""What one file holds, as lines for the terminal: its kind, and what its samples amount to, channel by channel."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from tabulate import tabulate

from tapeline.acoustics.sample_checks import bits_used
from tapeline.arrays import Reals, Samples
from tapeline.recordings.opening import open_file
from tapeline.recordings.recording import Recording
from tapeline.recordings.watched_files import WatchedFiles

SIDE_BY_SIDE_ABOVE = 16
"""With more channels the table runs in as many columns as the terminal has room for."""

GAP = "    "

Counts = NDArray[np.int64]

EXACT_BITS = 24
"""float32 holds every integer of so many bits; wider samples come rounded to them."""


def inspection(path: Path, width: int = 80) -> list[str]:
    """Lines on the file at `path`, at most `width` characters wide where the table allows it; reads it once, in blocks.

    Raises RecordingError for whatever cannot be read in full.
    """
    watched = WatchedFiles([path])
    recording = open_file(path, rate_needed=False)
    found = contents(recording.blocks(0, recording.frames), recording.channels, recording.bits)
    watched.require_unchanged()
    return [str(path), *_heading(recording, found), "", *_beside(_rows(recording, found), width)]


def _heading(recording: Recording, found: Contents) -> list[str]:
    rate = recording.sample_rate_hz
    known = not math.isnan(rate)
    length = f"{recording.frames} frames" + (f", {recording.frames / rate:.3f} s" if known else "")
    lines = [
        f"kind      {recording.kind}",
        f"rate      {f'{rate:.10g} Hz' if known else 'not stated in the file'}",
        f"channels  {recording.channels}",
        f"length    {length}",
    ]
    if recording.declared_frames != recording.frames:
        lines.append(f"declared  {recording.declared_frames} frames: {recording.frames} are there")
    if found.used_bits is not None and recording.bits is not None:
        most = int(found.used_bits.max())
        if most == 0:
            lines.append("bits      none used: every sample is zero")
        elif most < recording.bits and not _beyond_exact(most):
            lines.append(
                f"bits      {most} of {recording.bits} used: the lowest {recording.bits - most} are always zero"
            )
    if found.not_finite.any():
        channels = ", ".join(str(number) for number in np.flatnonzero(found.not_finite)[:8] + 1)
        lines.append(f"damaged   {found.not_finite.sum()} samples are no numbers, first on channels {channels}")
    if recording.channels > SIDE_BY_SIDE_ABOVE and not np.isnan(found.peak).all():
        loudest, faintest = int(np.nanargmax(found.peak)), int(np.nanargmin(found.rms))
        lines.append(f"highest   peak {_peak(recording, found.peak[loudest])} on channel {loudest + 1}")
        lines.append(f"lowest    rms {found.rms[faintest]:.4g} on channel {faintest + 1}")
    return lines


def _rows(recording: Recording, found: Contents) -> list[str]:
    """Heading and one line a channel; peak in dB re full scale for integers, rms and mean as parts of full scale."""
    integer = found.used_bits is not None
    columns = {
        "channel": [str(channel + 1) for channel in range(recording.channels)],
        "peak dBFS" if integer else "peak": [_peak(recording, peak) for peak in found.peak],
        "rms": [f"{rms:.4g}" for rms in found.rms],
        "mean": [f"{mean:.3g}" for mean in found.mean],
    }
    if found.used_bits is not None:
        columns["bits used"] = [_bits(int(used)) for used in found.used_bits]
    rows = [tuple(columns), *zip(*columns.values(), strict=True)]
    table: str = tabulate(rows, tablefmt="plain", stralign="right", disable_numparse=True)
    return table.split("\n")


def _peak(recording: Recording, peak: float) -> str:
    if recording.bits is None:
        return f"{peak:.4g}"
    return f"{20.0 * math.log10(peak):.2f}" if peak > 0 else "zeros"


def _bits(used: int) -> str:
    return "> 24" if _beyond_exact(used) else str(used)


def _beyond_exact(used: int) -> bool:
    return used > EXACT_BITS


def _beside(rows: list[str], width: int) -> list[str]:
    """The table in columns from top to bottom where it has many channels, each column under its heading."""
    heading, body = rows[0], rows[1:]
    columns = max(1, (width + len(GAP)) // (len(heading) + len(GAP))) if len(body) > SIDE_BY_SIDE_ABOVE else 1
    height = -(-len(body) // columns)
    columns = -(-len(body) // height)
    lines = [GAP.join([heading] * columns)]
    lines += [GAP.join(body[line::height]) for line in range(height)]
    return lines


@dataclass(frozen=True)
class Contents:
    """Figures of the channels, each of shape (channels,), in the unit of the samples (full scale 1 for integers).

    `used_bits` is None for floats; 0 for a channel of zeros. Of samples wider than 24 bits a figure above 24 says no
    more than that: they are looked at in float32.
    """

    frames: int
    peak: Reals
    rms: Reals
    mean: Reals
    not_finite: Counts
    used_bits: Counts | None


def contents(blocks: Iterable[Samples], channels: int, bits: int | None) -> Contents:
    """Take in blocks of shape (channels, frames), one at a time; constant memory.

    `bits`: of an integer sample, None for floats. Samples that are no finite numbers are counted and left out of the
    other figures; a channel of nothing else gets nan. `frames` counts all of them.
    """
    frames = 0
    peak, total, power = np.zeros(channels), np.zeros(channels), np.zeros(channels)
    not_finite, used = np.zeros(channels, dtype=np.int64), np.zeros(channels, dtype=np.int64)
    for block in blocks:
        values = block.astype(np.float64)
        finite = np.isfinite(values)
        if not finite.all():
            not_finite += np.count_nonzero(~finite, axis=1)
            values[~finite] = 0.0
        frames += values.shape[1]
        np.maximum(peak, np.abs(values).max(axis=1, initial=0.0), out=peak)
        total += values.sum(axis=1)
        power += np.vecdot(values, values)
        if bits is not None:
            codes = np.rint(values * 2.0 ** (bits - 1)).astype(np.int64)
            used |= np.bitwise_or.reduce(codes, axis=1)
    count = np.where(not_finite < frames, frames - not_finite, np.nan)
    return Contents(
        frames,
        np.where(np.isnan(count), np.nan, peak),
        np.sqrt(power / count),
        total / count,
        not_finite,
        None if bits is None else bits_used(used, bits),
    )
