"""A finished results folder as it is compared: its manifest and the files of its tables."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pyarrow as pa

from tapeline.campaign.faults import CampaignFaults, Fault, listed
from tapeline.campaign.settings_source import SETTINGS_FILE, read_settings
from tapeline.store import parquet

MANIFEST = "manifest.json"
WHOLE = ""
"""The part of a table that is one file."""


class CannotCompareError(Exception):
    """Two results cannot be held against each other; the text says what is missing where, and how to mend it."""


@dataclass(frozen=True)
class ResultsFolder:
    """One results folder; `tables` holds the files of each table by the name of their part ("session=april")."""

    folder: Path
    manifest: Mapping[str, Any]
    tables: Mapping[str, Mapping[str, Path]]


def open_results(path: Path) -> ResultsFolder:
    """The results in `path`, which is a results folder or a campaign folder.

    Raises CannotCompareError where there are none or where they are half made; CampaignFaults for a campaign folder
    whose settings cannot be read.
    """
    folder = _results_of(path)
    manifest = _manifest(folder)
    tables: dict[str, dict[str, Path]] = {}
    for file in sorted((folder / "tables").rglob("*.parquet")):
        place = file.relative_to(folder / "tables")
        name = place.parts[0].removesuffix(".parquet")
        tables.setdefault(name, {})[WHOLE if len(place.parts) == 1 else "/".join(place.parts[1:-1])] = file
    results = ResultsFolder(folder, manifest, tables)
    _refuse_half_made(results)
    return results


def _results_of(path: Path) -> Path:
    if not path.is_dir():
        raise CannotCompareError(f"{path}: no such folder; name a results folder or a campaign folder")
    if not (path / SETTINGS_FILE).is_file():
        return path
    faults: list[Fault] = []
    source = read_settings(path, faults)
    if source is None:
        raise CampaignFaults(faults)
    return path / source.settings.results


def _manifest(folder: Path) -> Mapping[str, Any]:
    path = folder / MANIFEST
    again = "run `tapeline run` on its campaign to the end"
    if not path.is_file():
        made = "half made" if (folder / "tables").is_dir() else "no results"
        raise CannotCompareError(f"{folder}: {made}, there is no {MANIFEST} in it; {again}")
    try:
        manifest = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise CannotCompareError(f"{path}: cannot be read ({error}); {again}") from error
    if not isinstance(manifest, dict) or not isinstance(manifest.get("tables"), dict):
        raise CannotCompareError(f"{path}: no manifest of results, it names no tables; {again}")
    return manifest


def _refuse_half_made(results: ResultsFolder) -> None:
    """A table that its manifest does not describe, byte by byte, belongs to another analysis than the rest.

    The digest of what a table was made from does not tell: it is the same where the jobs before gave other values.
    """
    found = {
        file.relative_to(results.folder).as_posix(): file
        for parts in results.tables.values()
        for file in parts.values()
    }
    described = results.manifest["tables"]
    missing = sorted(set(described) - set(found))
    others = sorted(name for name, file in found.items() if not _is_described(described.get(name), file))
    if missing or others:
        said = [f"its manifest names what is not there: {listed(missing, 4)}"] if missing else []
        said += [f"made or changed after its manifest: {listed(others, 4)}"] if others else []
        mend = f"{'delete what was changed and ' if others else ''}run `tapeline run` on its campaign to the end"
        raise CannotCompareError(f"{results.folder}: half made, {'; '.join(said)}; {mend}")


def _is_described(entry: Any, file: Path) -> bool:
    """Whether a file is the one that its manifest's entry was written of."""
    if not isinstance(entry, Mapping) or entry.get("made_from") != made_from(file):
        return False
    with reading(file), file.open("rb") as stream:
        return bool(hashlib.file_digest(stream, "sha256").hexdigest() == entry.get("sha256"))


def made_from(path: Path) -> str:
    """What `parquet.made_from` says of a file; raises CannotCompareError for one that is no table."""
    with reading(path):
        return parquet.made_from(path)


@contextmanager
def reading(path: Path) -> Iterator[None]:
    """Turn what the table library says of a broken file into a CannotCompareError with the file's name."""
    try:
        yield
    except (pa.ArrowException, OSError) as error:
        said = " ".join(str(error).split())
        mend = "delete it and run `tapeline run` on its campaign"
        raise CannotCompareError(f"{path}: cannot be read as a Parquet table ({said}); {mend}") from error
