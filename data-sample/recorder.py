"""From pressure to the bytes of a recording: sensitivity, gain, polarity, digital full scale, file formats."""

from __future__ import annotations

import struct

import numpy as np
from numpy.typing import NDArray

from calibrator_applications import calibrator_pressures
from entry_tables import Entry, Run, generator
from planted import CUT_RUN, CUT_SHARE, sensitivity_in
from run_signals import run_pressures

Reals = NDArray[np.float64]

APRIL_RATE_HZ = 12800
APRIL_CALIBRATOR_RATE_HZ = 3200
NOTE = "synthetic data: invented wind-tunnel entry of a camper van, made by data-sample/make_sample.py"


def sample_rate_hz(entry: Entry, run: Run) -> float:
    """As the run's raw format says; WAV recordings have the rates of April's recorder."""
    if run.format:
        return entry.sample_rate_hz[run.format]
    return float(APRIL_CALIBRATOR_RATE_HZ if run.kind == "calibration" else APRIL_RATE_HZ)


def run_counts(entry: Entry, run: Run) -> NDArray[np.int64]:
    """The samples of a recording as whole numbers, shape (channels, frames)."""
    rate = sample_rate_hz(entry, run)
    pressures = calibrator_pressures if run.kind == "calibration" else run_pressures
    pascal = pressures(entry, run, rate)
    bits = 16 if run.format else 24
    top = 2 ** (bits - 1)
    rows = []
    for row, pressure in zip(entry.fittings[run.session], pascal, strict=True):
        gain_db = row.gain_db if run.gain_db is None else run.gain_db
        volts = row.polarity * sensitivity_in(entry, run, row) * 10.0 ** (gain_db / 20.0) * pressure
        offset_v = 0.002 * float(generator("offset", row.session, str(row.channel)).standard_normal())
        rows.append(np.clip(np.rint((volts + offset_v) / row.full_scale_v * top), -top, top - 1))
    return np.stack(rows).astype(np.int64)


def recording_bytes(entry: Entry, run: Run) -> bytes:
    """The whole file."""
    counts = run_counts(entry, run)
    if run.format:
        return raw_bytes(counts, run, entry.header_bytes[run.format])
    whole = wave_bytes(counts, round(sample_rate_hz(entry, run)))
    if run.name != CUT_RUN:
        return whole
    frame = 3 * counts.shape[0]
    missing = frame * counts.shape[1] - (round(CUT_SHARE * counts.shape[1]) * frame + 7)
    return whole[:-missing]


def raw_bytes(counts: NDArray[np.int64], run: Run, header_bytes: int) -> bytes:
    """Headerless 16-bit samples, interleaved, little-endian, after a block of text."""
    head = f"{NOTE}; run {run.name}\n".encode("ascii").ljust(header_bytes, b" ")
    return head + counts.T.astype("<i2").tobytes()


def wave_bytes(counts: NDArray[np.int64], rate_hz: int) -> bytes:
    """24-bit WAV (extensible, no speaker places) with a comment in its INFO list."""
    channels, frames = counts.shape
    samples = np.ascontiguousarray(counts.T.astype("<i4")).view(np.uint8).reshape(frames * channels, 4)[:, :3].tobytes()
    frame_bytes = 3 * channels
    pcm = bytes.fromhex("0100000000001000800000aa00389b71")
    form = struct.pack("<HHIIHHHHI", 0xFFFE, channels, rate_hz, rate_hz * frame_bytes, frame_bytes, 24, 22, 24, 0) + pcm
    comment = _chunk(b"ICMT", NOTE.encode("ascii") + b"\0")
    body = b"WAVE" + _chunk(b"fmt ", form) + _chunk(b"LIST", b"INFO" + comment) + _chunk(b"data", samples)
    return b"RIFF" + struct.pack("<I", len(body)) + body


def _chunk(name: bytes, content: bytes) -> bytes:
    return name + struct.pack("<I", len(content)) + content + b"\0" * (len(content) % 2)
