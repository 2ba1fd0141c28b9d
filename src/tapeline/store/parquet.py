"""Writing and reading the tables: checked against their schema, sorted, the same bytes every time."""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Generic, cast

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from tapeline import __version__
from tapeline.store.file_records import require_as_written, result_file
from tapeline.store.schema import CAMPAIGN, Row, Table

ROW_GROUP_ROWS = 65_536
ROW_GROUP_BYTES = 16 << 20
"""Most rows of a row group, and bytes in memory unless one part alone is larger: lists of lines are long rows."""

ROWS_AT_ONCE = 4096
"""Rows that are turned into columns together: as mappings they are several times as large."""

CAMPAIGN_FIELD = CAMPAIGN.arrow().with_nullable(False)


class SchemaMismatchError(Exception):
    """Rows do not fit the table they are written to: an error of the program, not of its input."""


def metadata_of(table: Table[Any], campaign: str, digest: str) -> dict[bytes, bytes]:
    """File metadata: schema and version, campaign, software version, digest of what it is made from."""
    entries = {
        "tapeline.schema": f"{table.name}/{table.version}",
        "tapeline.title": table.title,
        "tapeline.key": ",".join(table.key),
        "tapeline.campaign": campaign,
        "tapeline.version": __version__,
        "tapeline.made_from": digest,
        **{f"tapeline.{name}": text for name, text in table.notes},
    }
    return {name.encode(): text.encode() for name, text in entries.items()}


def to_arrow(table: Table[Any], *parts: Mapping[str, Any]) -> pa.Table:
    """Columns (arrays or lists, equally long) as an Arrow table of the schema, sorted by the table's order.

    Several `parts` follow each other before they are sorted; none give a table without rows.

    NaN in arrays stands for null, in lists where the column has gaps. Raises SchemaMismatchError for a missing or
    unknown column, and for NaN and infinity anywhere else.
    """
    schema = table.arrow()
    made = pa.concat_tables([schema.empty_table(), *(_unsorted(table, schema, columns) for columns in parts)])
    if made.num_rows < 2:
        return made
    return made.sort_by([(name, "ascending") for name in table.order])


def _unsorted(table: Table[Any], schema: pa.Schema, columns: Mapping[str, Any]) -> pa.Table:
    expected, found = set(table.column_names()), set(columns)
    if expected != found:
        missing, unknown = sorted(expected - found), sorted(found - expected)
        raise SchemaMismatchError(f"table {table.name}: missing columns {missing}, unknown {unknown}")
    arrays = [_array(columns[column.name], schema.field(column.name), bool(column.gap)) for column in table.columns]
    for column, array in zip(table.columns, arrays, strict=True):
        if column.type in ("real", "reals") and not _is_finite(array):
            raise SchemaMismatchError(f"table {table.name}: NaN or infinity in the column {column.name}")
    return pa.Table.from_arrays(arrays, schema=schema)


def _array(values: Any, field: pa.Field, gaps: bool) -> pa.Array | pa.ChunkedArray:
    if isinstance(values, pa.Array | pa.ChunkedArray):
        return values.cast(field.type)
    from_numpy = hasattr(values, "dtype") and getattr(values, "ndim", 0) == 1
    return pa.array(values, type=field.type, from_pandas=from_numpy or gaps)


def _is_finite(array: pa.Array | pa.ChunkedArray) -> bool:
    """Whether all numbers that are there are finite, those in lists too."""
    numbers = pc.list_flatten(array) if pa.types.is_list(array.type) else array
    return pc.all(pc.is_finite(numbers)).as_py() is not False


def rows_to_columns(table: Table[Row], rows: Iterable[Row]) -> dict[str, list[Any]]:
    """Rows (one mapping each, absent names are null) as columns of the table."""
    columns: dict[str, list[Any]] = {name: [] for name in table.column_names()}
    left = iter(cast(Iterable[Mapping[str, Any]], rows))
    while some := list(itertools.islice(left, ROWS_AT_ONCE)):
        unknown = set().union(*some) - set(columns)
        if unknown:
            raise SchemaMismatchError(f"table {table.name}: unknown columns {sorted(unknown)}")
        for name, cells in columns.items():
            cells += [row.get(name) for row in some]
    return columns


def write(table: Table[Any], path: Path, columns: Mapping[str, Any], *, campaign: str, digest: str) -> None:
    """Write one Parquet file of the table: zstd, sorted, byte-stream split for numbers in lists."""
    write_arrow(table, path, to_arrow(table, columns), campaign=campaign, digest=digest)


def write_rows(table: Table[Row], path: Path, rows: Iterable[Row], *, campaign: str, digest: str) -> None:
    """Write rows given as mappings; see `write`."""
    RowsOfTable(table, rows).write(path, campaign=campaign, digest=digest)


@dataclass(frozen=True)
class RowsOfTable(Generic[Row]):
    """Rows with the table of their type, so that those of several tables may lie in one list."""

    table: Table[Row]
    rows: Iterable[Row]

    def to_arrow(self) -> pa.Table:
        """The rows as an Arrow table, see `to_arrow`."""
        return to_arrow(self.table, rows_to_columns(self.table, self.rows))

    def write(self, path: Path, *, campaign: str, digest: str) -> None:
        """Write one Parquet file, see `write`."""
        write_arrow(self.table, path, self.to_arrow(), campaign=campaign, digest=digest)


def write_arrow(table: Table[Any], path: Path, content: pa.Table, *, campaign: str, digest: str) -> None:
    """Write an Arrow table that already has the schema and the order."""
    stamped = _of_campaign(content, campaign).replace_schema_metadata(metadata_of(table, campaign, digest))
    with result_file(path) as temporary, parquet_writer(table, temporary, stamped.schema) as writer:
        writer.write_table(stamped, row_group_size=ROW_GROUP_ROWS)


def _of_campaign(content: pa.Table, campaign: str) -> pa.Table:
    """The table with the campaign's name as its first column; all row groups share the memory of one."""
    names = pa.repeat(pa.scalar(campaign), min(content.num_rows, ROW_GROUP_ROWS))
    starts = range(0, content.num_rows, ROW_GROUP_ROWS)
    chunks = [names[: content.num_rows - start] for start in starts]
    return content.add_column(0, CAMPAIGN_FIELD, pa.chunked_array(chunks, type=CAMPAIGN_FIELD.type))


class PartWriter(Generic[Row]):
    """Appends parts of a table too long to be held at once; each part is sorted, the file as a whole is not.

    Parts are held until they fill a row group: readers take a footer that names many small ones first, and then each
    by itself.
    """

    def __init__(self, table: Table[Row], writer: pq.ParquetWriter, campaign: str) -> None:
        self._table, self._writer, self._campaign = table, writer, campaign
        self._held: list[pa.Table] = []
        self._rows = self._bytes = 0

    def write(self, *columns: Mapping[str, Any]) -> None:
        """One part, as columns that may be of several parts; see `to_arrow`. Nothing for no rows."""
        self.write_table(to_arrow(self._table, *columns))

    def write_rows(self, rows: Iterable[Row]) -> None:
        """One part, as rows; nothing for none."""
        self.write(rows_to_columns(self._table, rows))

    def write_table(self, part: pa.Table) -> None:
        """One part that already has the schema and the order; nothing for no rows."""
        if part.num_rows:
            self._write(part)

    def _write(self, part: pa.Table) -> None:
        if self._rows + part.num_rows > ROW_GROUP_ROWS or self._bytes + part.nbytes > ROW_GROUP_BYTES:
            self.flush()
        self._held.append(part)
        self._rows += part.num_rows
        self._bytes += part.nbytes

    def flush(self) -> None:
        """Write what is held as a row group."""
        if self._held:
            named = _of_campaign(pa.concat_tables(self._held), self._campaign).cast(self._writer.schema)
            self._writer.write_table(named, row_group_size=ROW_GROUP_ROWS)
        self._held.clear()
        self._rows = self._bytes = 0


@contextmanager
def writing_parts(table: Table[Row], path: Path, *, campaign: str, digest: str) -> Iterator[PartWriter[Row]]:
    """Open a Parquet file to be written part by part; it takes its name when the block ends without an error."""
    schema = table.arrow().insert(0, CAMPAIGN_FIELD).with_metadata(metadata_of(table, campaign, digest))
    with result_file(path) as temporary, parquet_writer(table, temporary, schema) as writer:
        parts = PartWriter(table, writer, campaign)
        yield parts
        parts.flush()


def write_in_parts(
    table: Table[Row], path: Path, parts: Iterable[Iterable[Row]], *, campaign: str, digest: str
) -> None:
    """Write rows part by part, see `PartWriter`."""
    with writing_parts(table, path, campaign=campaign, digest=digest) as writer:
        for part in parts:
            writer.write_rows(part)


def parquet_writer(table: Table[Any], path: Path, schema: pa.Schema) -> pq.ParquetWriter:
    """A writer with the settings that every file shares; lists of floats are split by byte."""
    split = [f"{column.name}.list.element" for column in table.columns if column.type == "reals"]
    plain = {*split, *(f"{column.name}.list.element" for column in table.columns if column.type == "states")}
    dictionary = [column.name for column in table.stored_columns if column.type in ("text", "yes_no")]
    dictionary += [f"{column.name}.list.element" for column in table.columns if column.type == "texts"]
    return pq.ParquetWriter(
        path,
        schema,
        compression="zstd",
        compression_level=3,
        use_dictionary=[name for name in dictionary if name not in plain],
        column_encoding=dict.fromkeys(split, "BYTE_STREAM_SPLIT") or None,
        version="2.6",
        write_statistics=True,
        write_page_checksum=True,
    )


def made_from(path: Path) -> str:
    """Digest of what the file's own job depends on: its rows of the run table, its settings, the job's version."""
    metadata = pq.read_schema(path).metadata or {}
    return str(metadata.get(b"tapeline.made_from", b"").decode())


def opened(path: Path, **how: Any) -> pq.ParquetFile:
    """One file, open for reading, with the checksums of its pages; raises NotAsWrittenError as `require_as_written`."""
    require_as_written(path)
    return pq.ParquetFile(path, page_checksum_verification=True, **how)


def read(path: Path, columns: Sequence[str] | None = None) -> pa.Table:
    """One file, all columns that a job made or some.

    Raises NotAsWrittenError for one that is not as it was written.
    """
    file = opened(path)
    return file.read(columns=list(columns or _made_by_jobs(file.schema_arrow)), use_threads=False)


def _made_by_jobs(schema: pa.Schema) -> list[str]:
    """All columns but the campaign's name, which is the same in all rows that a job reads."""
    return [name for name in schema.names if name != CAMPAIGN.name]


def read_where(path: Path, filters: Any, columns: Sequence[str] | None = None) -> pa.Table:
    """The rows of one file that pass the filters, columns and errors as `read`."""
    require_as_written(path)
    wanted = list(columns or _made_by_jobs(pq.read_schema(path)))
    checked = {"partitioning": None, "use_threads": False, "page_checksum_verification": True}
    return pq.read_table(path, columns=wanted, filters=filters, **checked)


def read_batches(path: Path, columns: Sequence[str], rows: int) -> Iterator[pa.RecordBatch]:
    """One file, so many rows at a time and no more of it in memory: for spectra."""
    file = opened(path, pre_buffer=False, buffer_size=1 << 20)
    yield from file.iter_batches(batch_size=rows, columns=list(columns), use_threads=False)


def read_rows(table: Table[Row], path: Path, columns: Sequence[str] | None = None) -> list[Row]:
    """One file of the table as rows."""
    return rows_of(table, read(path, columns))


def rows_of(table: Table[Row], content: pa.Table) -> list[Row]:
    """What was read of a table as rows, all of its columns or some."""
    rows: list[Row] = content.to_pylist()
    return rows


def read_partitions(folder: Path, columns: Sequence[str] | None = None) -> dict[str, pa.Table]:
    """The files of a partitioned table, by the value in their folder's name, in sorted order."""
    found: dict[str, pa.Table] = {}
    for path in sorted(folder.glob("*=*/part-0.parquet")):
        found[path.parent.name.partition("=")[2]] = read(path, columns)
    return found
