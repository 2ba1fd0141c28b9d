"""Calibrated time signals: Arrow IPC files, one float32 column a position, written and read in blocks."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path

import pyarrow as pa

from tapeline import __version__
from tapeline.arrays import Samples
from tapeline.store.file_records import require_as_written, result_file

RATE_KEY = b"tapeline.sample_rate_hz"


class PressureWriter:
    """Appends blocks of pressure, float32 of shape (positions, frames)."""

    def __init__(self, writer: pa.RecordBatchFileWriter, schema: pa.Schema) -> None:
        self._writer, self._schema = writer, schema

    def write(self, block: Samples) -> None:
        """One record batch."""
        arrays = [pa.array(row, type=pa.float32()) for row in block]
        self._writer.write_batch(pa.RecordBatch.from_arrays(arrays, schema=self._schema))


@contextmanager
def writing(
    path: Path, positions: Sequence[str], sample_rate_hz: float, metadata: Mapping[str, str]
) -> Iterator[PressureWriter]:
    """Open a pressure file; it takes its name when the block ends without an error.

    It is not flushed to disk: most go as soon as their spectra are made, and one that is broken cannot be opened.
    """
    fields = [
        pa.field(name, pa.float32(), metadata={"unit": "Pa", "description": "calibrated sound pressure"})
        for name in positions
    ]
    entries = {
        "tapeline.schema": "pressure/1",
        "tapeline.version": __version__,
        RATE_KEY.decode(): repr(float(sample_rate_hz)),
        **metadata,
    }
    schema = pa.schema(fields, metadata=entries)
    with (
        result_file(path, flushed=False) as temporary,
        pa.OSFile(str(temporary), "wb") as sink,
        pa.ipc.new_file(sink, schema) as writer,
    ):
        yield PressureWriter(writer, schema)


def made_from(path: Path) -> str:
    """Digest of what the file's own job depends on."""
    with pa.OSFile(str(path), "rb") as source:
        metadata = pa.ipc.open_file(source).schema.metadata or {}
    return str(metadata.get(b"tapeline.made_from", b"").decode())


class PressureFile:
    """A pressure file open for reading; one batch at a time is in memory.

    Raises NotAsWrittenError for one that is not as it was written.
    """

    def __init__(self, path: Path) -> None:
        require_as_written(path)
        # One job has one core: threads that read ahead would only hold 50 MB more.
        self._reader = pa.ipc.open_file(pa.OSFile(str(path), "rb"), options=pa.ipc.IpcReadOptions(use_threads=False))
        self.positions: tuple[str, ...] = tuple(self._reader.schema.names)
        self.sample_rate_hz = float(self._reader.schema.metadata[RATE_KEY])

    def blocks(self) -> Iterator[list[Samples]]:
        """Blocks in order: one array (frames,) a position, all equally long."""
        for i in range(self._reader.num_record_batches):
            batch = self._reader.get_batch(i)
            yield [column.to_numpy() for column in batch.columns]
