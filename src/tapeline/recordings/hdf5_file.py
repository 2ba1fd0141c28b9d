"""Recordings in HDF5 files: the one two-dimensional dataset of numbers, its rate in the attribute sample_rate_hz.

Needs the optional extra `hdf5`. Datasets are found by hard links alone: nothing outside the file is opened.
"""

from __future__ import annotations

import importlib
import math
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np

from tapeline.arrays import Samples
from tapeline.limits import HDF5_PIECE_BYTES
from tapeline.recordings.raw_binary import RawLayout, frames_and_channels, require_described, stated_rate_hz
from tapeline.recordings.recording import RecordingError, block_frames
from tapeline.recordings.sample_words import INTEGER_BITS, SAMPLE_WORDS

RATE = "sample_rate_hz"
MEND_RATE = f"write it to the dataset's attribute {RATE}, or name a raw format with it in the run table's column format"


class Hdf5File:
    """The one dataset of shape (frames, channels) of a file; integers as fractions of full scale."""

    def __init__(self, path: Path, raw: RawLayout | None = None, rate_needed: bool = True) -> None:
        self._path = path
        with _opened(path) as file:
            self._name, dataset = _only_dataset(file)
            _require_read_alone(dataset, self._name)
            self.frames, self.channels = frames_and_channels(dataset.shape, planar=False)
            sample_type = dataset.dtype.name
            if sample_type not in SAMPLE_WORDS:
                raise RecordingError(
                    "recording-unreadable",
                    f"dataset {self._name} holds {sample_type}; read are int16, int32, float32 and float64",
                )
            if raw is not None:
                order = "big" if dataset.dtype.str.startswith(">") else "little"
                require_described(raw, sample_type, order, self.channels)
            self.sample_rate_hz = stated_rate_hz(_rate(dataset, self._name), raw, rate_needed, MEND_RATE)
            self._step = block_frames(self.channels)
        self.declared_frames = self.frames
        self.bits = INTEGER_BITS.get(sample_type)
        self.kind = f"HDF5 dataset {self._name}, {SAMPLE_WORDS[sample_type]}"

    def blocks(self, start: int, stop: int) -> Iterator[Samples]:
        """See Recording.blocks."""
        with _opened(self._path) as file:
            dataset = file[self._name]
            for first in range(start, stop, self._step):
                values = dataset[first : min(first + self._step, stop)]
                scale = 2.0 ** (1 - self.bits) if self.bits else 1.0
                yield np.ascontiguousarray((values * scale).astype(np.float32).T)


@contextmanager
def _opened(path: Path) -> Iterator[Any]:
    try:
        h5py = importlib.import_module("h5py")
    except ImportError as error:
        raise RecordingError(
            "recording-unreadable",
            'is an HDF5 file, which needs the extra "hdf5": install tapeline[hdf5] (the package h5py)',
        ) from error
    try:
        with h5py.File(path, "r", rdcc_nbytes=HDF5_PIECE_BYTES) as file:
            yield file
    except (OSError, RuntimeError, KeyError, ValueError, TypeError) as error:
        words = " ".join(str(error).split())[:200]
        sentence = f"{path.name}: the HDF5 file cannot be read, it is cut or damaged ({words})"
        raise RecordingError("recording-unreadable", sentence) from error


def _only_dataset(file: Any) -> tuple[str, Any]:
    """Name and dataset; raises RecordingError with all names unless exactly one is two-dimensional and of numbers."""
    found: dict[str, Any] = {}

    def look(name: str, item: Any) -> None:
        if hasattr(item, "shape") and hasattr(item, "dtype"):
            found[f"/{name}"] = item

    file.visititems(look)
    fitting = [name for name, item in found.items() if len(item.shape or ()) == 2 and item.dtype.kind in "iuf"]
    if len(fitting) == 1:
        return fitting[0], found[fitting[0]]
    every = ", ".join(f"{name} ({_size(item.shape)} {item.dtype})" for name, item in list(found.items())[:12])
    more = f" and {len(found) - 12} more" if len(found) > 12 else ""
    raise RecordingError(
        "recording-unreadable",
        f"the HDF5 file has {len(fitting) or 'no'} datasets of shape (frames, channels), exactly one is expected; "
        f"it holds {every or 'no datasets'}{more}",
    )


def _size(shape: tuple[int, ...] | None) -> str:
    return "x".join(map(str, shape or ())) or "single"


def _require_read_alone(dataset: Any, name: str) -> None:
    """The dataset's samples must all be in this file, in pieces that fit into memory: unwritten ones read as zeros."""
    if dataset.is_virtual or dataset.external:
        raise RecordingError("recording-unreadable", f"the samples of dataset {name} lie in other files")
    if dataset.chunks is None:
        whole = math.prod(dataset.shape) * dataset.dtype.itemsize
        if dataset.id.get_storage_size() < whole:
            raise RecordingError("recording-cut", f"the samples of dataset {name} were never written in full")
        return
    if math.prod(dataset.chunks) * dataset.dtype.itemsize > HDF5_PIECE_BYTES:
        raise RecordingError(
            "recording-unreadable",
            f"dataset {name} is stored in pieces of {_size(dataset.chunks)}: more than 64 MiB each",
        )
    expected = math.prod(-(-length // piece) for length, piece in zip(dataset.shape, dataset.chunks, strict=True))
    written = dataset.id.get_num_chunks()
    if written < expected:
        raise RecordingError(
            "recording-cut", f"of the {expected} pieces of dataset {name} {expected - written} were never written"
        )


def _rate(dataset: Any, name: str) -> float | None:
    if RATE not in dataset.attrs:
        return None
    try:
        rate = float(dataset.attrs[RATE])
    except (TypeError, ValueError) as error:
        raise RecordingError("recording-unreadable", f"attribute {RATE} of dataset {name} is no number") from error
    if not 0.0 < rate < math.inf:
        raise RecordingError("recording-unreadable", f"attribute {RATE} of dataset {name} is {rate:g} Hz")
    return rate
