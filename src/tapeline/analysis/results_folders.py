"""One or several finished results folders, opened for reading: every table whole or some rows of it."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq

from tapeline import __version__
from tapeline.campaign.faults import CampaignFaults, did_you_mean, quoted
from tapeline.changes.results_folder import CannotCompareError, ResultsFolder, open_results, reading
from tapeline.store.schema import ARROW_TYPES, Table
from tapeline.store.tables import BY_NAME, MADE_ON_REQUEST

MAKE_AGAIN = "run `tapeline run` on its campaign to the end"


class ResultsError(Exception):
    """Results cannot be opened, or do not hold what was named; the text says what, where, and how to mend it."""


@dataclass(frozen=True)
class ResultsFolders:
    """Finished results by the name of their campaign; every table that is read begins with the column `campaign`."""

    by_campaign: dict[str, ResultsFolder]

    @property
    def names(self) -> list[str]:
        """The names of the tables that any of the campaigns has, in the order of docs/tables.md."""
        made = {name for folder in self.by_campaign.values() for name in folder.tables}
        return [name for name in BY_NAME if name in made]

    def table(self, name: str, where: Sequence[tuple[str, str, Any]] = (), *, only: str | None = None) -> pa.Table:
        """The rows of a table that pass the filters `where`, of all campaigns or one; with the session it lies under.

        Raises ResultsError for a name that is no table, and for a table that none of the campaigns has.
        """
        if name not in BY_NAME:
            hint = did_you_mean(name, BY_NAME)
            raise ResultsError(f"found no table {quoted(name)}; {hint or 'docs/tables.md names them all'}")
        if name not in self.names:
            why = "it is made on request alone" if name in MADE_ON_REQUEST else "nothing was made for it"
            raise ResultsError(f"the table {name} is not in the results of {', '.join(self.by_campaign)}: {why}")
        return self.table_or_none(name, where, only=only)

    def table_or_none(
        self,
        name: str,
        where: Sequence[tuple[str, str, Any]] = (),
        *,
        only: str | None = None,
        columns: Collection[str] | None = None,
    ) -> pa.Table:
        """The same, all columns or some, without rows where no campaign has the table."""
        table = BY_NAME[name]
        schema = _schema(table, columns)
        folders = [folder for campaign, folder in self.by_campaign.items() if only in (None, campaign)]
        parts = [_read(table, schema, part, file, where) for folder in folders for part, file in _files(folder, name)]
        return pa.concat_tables([schema.empty_table(), *parts])


def open_folders(results: Path | str | Iterable[Path | str]) -> ResultsFolders:
    """The results in one folder or several, each a results folder or a campaign folder.

    Raises ResultsError where there are no results, where they are half made or of another version, and for two folders
    of one campaign, whose runs could not be told apart.
    """
    named = [results] if isinstance(results, Path | str) else list(results)
    if not named:
        raise ResultsError("found no folder, expected a results folder or a campaign folder")
    opened: dict[str, ResultsFolder] = {}
    for each in named:
        folder, campaign = _opened(Path(each))
        if campaign in opened:
            both = f"{opened[campaign].folder} and {folder.folder}"
            raise ResultsError(f"{both} are both of the campaign {quoted(campaign)}; open one of them")
        opened[campaign] = folder
    return ResultsFolders(opened)


def _opened(path: Path) -> tuple[ResultsFolder, str]:
    with _one_error():
        folder = open_results(path)
        if "runs" not in folder.tables:
            raise ResultsError(f"{folder.folder}: half made, there is no table runs in it; {MAKE_AGAIN}")
        for name, parts in folder.tables.items():
            for file in parts.values():
                _require_version(name, file)
        (runs,) = folder.tables["runs"].values()
        return folder, _stamps(runs).get(b"tapeline.campaign", b"").decode()


def _require_version(name: str, file: Path) -> None:
    found = _stamps(file).get(b"tapeline.schema", b"no version").decode()
    table = BY_NAME.get(name)
    expected = f"{name}/{table.version}" if table else "no such table"
    if found != expected:
        raise ResultsError(
            f"{file}: made by another version of tapeline (found {found}, tapeline {__version__} reads {expected}); "
            f"{MAKE_AGAIN}"
        )


def _stamps(file: Path) -> dict[bytes, bytes]:
    with reading(file):
        return pq.read_schema(file).metadata or {}


def _files(folder: ResultsFolder, name: str) -> list[tuple[str, Path]]:
    return sorted(folder.tables.get(name, {}).items())


def _read(
    table: Table[Any], schema: pa.Schema, part: str, file: Path, where: Sequence[tuple[str, str, Any]]
) -> pa.Table:
    with _one_error(), reading(file):
        there = [name for name in schema.names if name in pq.read_schema(file).names]
        checked = {"partitioning": None, "page_checksum_verification": True}
        found = pq.read_table(file, columns=there, filters=list(where) or None, **checked)
    arrays = []
    for field in schema:
        if field.name == table.partition:
            arrays.append(pa.repeat(pa.scalar(part.partition("=")[2]), found.num_rows))
        elif field.name in there:
            arrays.append(found[field.name].cast(field.type))
        else:
            # Made before the column was added.
            arrays.append(pa.nulls(found.num_rows, field.type))
    return pa.table(arrays, schema=schema)


def _schema(table: Table[Any], columns: Collection[str] | None) -> pa.Schema:
    """The columns of a table as it is read, all or some: after the campaign's name the session of its folders."""
    fields = [pa.field(column.name, ARROW_TYPES[column.type]) for column in table.stored_columns]
    partition = [pa.field(table.partition, pa.string())] if table.partition else []
    every = [*fields[:1], *partition, *fields[1:]]
    return pa.schema([field for field in every if columns is None or field.name in columns])


@contextmanager
def _one_error() -> Iterator[None]:
    """Say in one class of error what other modules say of folders, settings and files."""
    try:
        yield
    except (CannotCompareError, CampaignFaults) as error:
        raise ResultsError(str(error)) from error
