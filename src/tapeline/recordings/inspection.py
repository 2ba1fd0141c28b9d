"""What one file holds, as lines for the terminal."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
from tabulate import tabulate

from tapeline.recordings.contents import EXACT_BITS, Contents, contents
from tapeline.recordings.opening import open_file
from tapeline.recordings.recording import Recording
from tapeline.recordings.watched_files import WatchedFiles

SIDE_BY_SIDE_ABOVE = 16
"""With more channels the table runs in as many columns as the terminal has room for."""

GAP = "    "


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
