"""What every file of the results was when it was written, and what was read to make it: kept beside the file.

A folder of results has a hidden folder with one small file a result: size, times and SHA-256. The times let a look
suffice where nothing was touched; where they differ the content decides.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from tapeline.file_stamps import Stamp, content_digest, stamp_of
from tapeline.store.atomic import replacing

FOLDER = ".written"


class NotAsWrittenError(Exception):
    """A file of the results that holds something else than what was written to it; `path` is the file's."""

    def __init__(self, path: Path, found: str = "was changed or damaged since it was written") -> None:
        super().__init__(f"{path} {found}")
        self.path = path


@dataclass(frozen=True)
class FileRecord:
    """What a file was: its stamp, and the SHA-256 of its content, empty where it was not read."""

    stamp: Stamp
    sha256: str

    def now(self, path: Path, *, whole: bool = False) -> FileRecord | None:
        """The record with the stamp that the file has now; None where its content is another.

        `whole` reads the content even where size and both times are as they were.
        """
        stamp = stamp_of(path)
        if stamp is None or stamp.size != self.stamp.size:
            return None
        if stamp == self.stamp and not (whole and self.sha256):
            return self
        is_same = bool(self.sha256) and content_digest(path, stamp.size) == self.sha256
        return FileRecord(stamp, self.sha256) if is_same else None


@contextmanager
def result_file(path: Path, *, flushed: bool = True) -> Iterator[Path]:
    """As `replacing`, and keeps a record of what was written."""
    with replacing(path, flushed=flushed) as temporary:
        yield temporary
        # A process that dies here leaves a file without a record, which is made again, not one that looks changed.
        record_of(path).unlink(missing_ok=True)
    stamp = stamp_of(path)
    digest = None if stamp is None else content_digest(path, stamp.size)
    if stamp is not None and digest is not None:
        _keep(record_of(path), _plain(FileRecord(stamp, digest)))


def written_record(path: Path) -> FileRecord | None:
    """What was written to a file of the results; None where nothing is known of it."""
    return _from_plain(_kept(record_of(path)))


def keep_written(path: Path, record: FileRecord) -> None:
    """Keep a record of a file with other times."""
    _keep(record_of(path), _plain(record))


def touch_written(path: Path) -> None:
    """Give a file of the results the time of now, and its record too."""
    record = written_record(path)
    os.utime(path)
    stamp = stamp_of(path)
    if record is not None and stamp is not None:
        keep_written(path, FileRecord(stamp, record.sha256))


def forget_written(path: Path) -> None:
    """Keep no record of a file that is removed."""
    with suppress(OSError):
        record_of(path).unlink(missing_ok=True)


def doubt_written(path: Path) -> None:
    """Keep no times, so that whoever looks next reads the content."""
    record = written_record(path)
    if record is not None:
        with suppress(OSError):
            keep_written(path, FileRecord(Stamp(record.stamp.size, 0), record.sha256))


def require_as_written(path: Path) -> FileRecord | None:
    """What was written to a file; None, and anything goes, where that is not known.

    Raises NotAsWrittenError where the content is something else.
    """
    record, stamp = written_record(path), stamp_of(path)
    if record is not None and stamp is not None and not _is_as_written(path, stamp, record):
        raise NotAsWrittenError(path)
    return record


@cache
def _is_as_written(path: Path, stamp: Stamp, record: FileRecord) -> bool:
    """Kept in a process, for tables that are read in many parts."""
    return stamp.size == record.stamp.size and content_digest(path, stamp.size) == record.sha256


def keep_read(path: Path, records: Mapping[str, FileRecord]) -> None:
    """Keep what was read to make the results file `path`: records by paths relative to the campaign folder."""
    _keep(_reading_of(path), {name: _plain(record) for name, record in sorted(records.items())})


def read_records(path: Path) -> dict[str, FileRecord]:
    """What was read to make a results file; nothing where that is not known."""
    found = {name: _from_plain(entry) for name, entry in _kept(_reading_of(path)).items()}
    return {name: record for name, record in found.items() if record is not None}


def keep_made_from(path: Path, digest: str, inputs: Iterable[Path]) -> None:
    """Keep what the results file `path` was made from: the digest of its needs, and results as they were written."""
    _keep(_beside(path, "made_from.json"), _made_from(path, digest, inputs))


def forget_made_from(path: Path) -> None:
    """Keep nothing of what a results file was made from: it is about to be made anew, and may not be finished."""
    _beside(path, "made_from.json").unlink(missing_ok=True)


def is_made_from(path: Path, digest: str, inputs: Iterable[Path]) -> bool:
    """Whether the results file `path` was made from these needs, and these results as they were written last."""
    return _kept(_beside(path, "made_from.json")) == _made_from(path, digest, inputs)


def _made_from(made: Path, digest: str, inputs: Iterable[Path]) -> dict[str, Any]:
    """Digest, and SHA-256 of results by their places, seen from another one: a folder of results may be moved."""
    records = {os.path.relpath(path, made.parent): written_record(path) for path in inputs}
    contents = {name: record.sha256 if record else "" for name, record in sorted(records.items())}
    return {"digest": digest, "results": contents}


def record_of(path: Path) -> Path:
    """The file that keeps what was written to a file of the results."""
    return _beside(path, "json")


def _reading_of(path: Path) -> Path:
    return _beside(path, "read.json")


def _beside(path: Path, kind: str) -> Path:
    """Not within a table of many files: who reads one takes every file in its folder for a part of it."""
    is_part = path.name.startswith("part-") and "=" in path.parent.name
    folder = path.parents[2] if is_part else path.parent
    return folder / FOLDER / path.relative_to(folder).with_name(f"{path.name}.{kind}")


def _keep(path: Path, content: Mapping[str, Any]) -> None:
    with replacing(path, flushed=False) as temporary:
        temporary.write_text(json.dumps(content, indent=1) + "\n", encoding="utf-8")


def _kept(path: Path) -> Mapping[str, Any]:
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return content if isinstance(content, dict) else {}


def _plain(record: FileRecord) -> dict[str, Any]:
    stamp = record.stamp
    times = {"written_ns": stamp.written_ns, "changed_ns": stamp.changed_ns}
    return {"sha256": record.sha256, "size": stamp.size, **times}


def _from_plain(entry: Any) -> FileRecord | None:
    try:
        stamp = Stamp(int(entry["size"]), int(entry["written_ns"]), int(entry["changed_ns"]))
        return FileRecord(stamp, str(entry["sha256"]))
    except (KeyError, TypeError, ValueError):
        return None
