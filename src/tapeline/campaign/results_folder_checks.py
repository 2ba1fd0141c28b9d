"""Where results may be written: inside the campaign folder, apart from all that is read."""

from __future__ import annotations

import os
import posixpath
import unicodedata
from collections.abc import Iterable, Iterator
from pathlib import Path

from tapeline.campaign.faults import Fault, quoted
from tapeline.campaign.material import Material
from tapeline.campaign.settings_source import SETTINGS_FILE, SettingsSource

MANAGER_FOLDER = ".snakemake"
"""Where the workflow manager keeps its record of what was made."""
RESULTS = ("results",)


def check_results_folder(material: Material, source: SettingsSource) -> None:
    """Note a results folder that lies outside the campaign, holds what is read, or lies among it.

    Links are followed, so that a link cannot lead the results elsewhere.
    """
    found = _misplaced(material, source)
    if found is not None:
        material.note(found)


def check_entries(material: Material, source: SettingsSource) -> None:
    """Note what among the results, or the workflow manager's records, may not be written over.

    That is a link, which would have another file overwritten, and a pipe, socket or device, which takes for ever.
    """
    found = None if _misplaced(material, source) else _not_to_write(material.root, source)
    if found is not None:
        material.note(found)


def _misplaced(material: Material, source: SettingsSource) -> Fault | None:
    root, settings, document = material.root, source.settings, source.document
    home, results = _real(root), _real(root / settings.results)
    shown = quoted(settings.results)
    if not _within(results, home):
        expected = "a folder inside the campaign folder, without links that lead out of it"
        mend = "keep the campaign where there is room, and link its recordings"
        return document.fault(RESULTS, f"{shown}, which leads to {quoted(results)}", expected, mend)
    for step in _steps(root, settings.results):
        if step.exists() and not step.is_dir():
            return document.fault(RESULTS, f"{shown}, where {quoted(step.name)} is a file", "a folder for the results")
    mend = 'name a folder of their own, such as "results"'
    for what, folder in _read_from(material, source, only_apart=False):
        if _within(_real(root / folder), results):
            expected = f"a folder without {what}"
            return document.fault(RESULTS, f"{shown}, which holds {what}", expected, mend)
    for what, folder in _read_from(material, source, only_apart=True):
        real = _real(root / folder)
        # Recordings that lie in the campaign folder itself leave room beside them.
        if _within(results, real) and not _within(home, real):
            expected = f"a folder apart from {what}"
            return document.fault(RESULTS, f"{shown}, which lies in {quoted(folder)}", expected, mend)
    return None


def _read_from(material: Material, source: SettingsSource, only_apart: bool) -> Iterable[tuple[str, str]]:
    """The folders that are read from, with words for them; with `only_apart` those that nothing is written into."""
    settings = source.settings
    yield "the campaign's settings and tables", posixpath.dirname(SETTINGS_FILE)
    yield "the workflow manager's records", MANAGER_FOLDER
    yield "the recordings", settings.recordings
    files = {part for run in material.runs.rows for part in run.recordings}
    files |= {run.flow_series for run in material.runs.rows if run.flow_series}
    for folder in sorted({posixpath.dirname(file) for file in files}):
        yield "the recordings", posixpath.join(settings.recordings, folder)
    if only_apart:
        return
    named = {path for sensor in material.sensors.rows for path in (sensor.chart, sensor.data_sheet) if path}
    named |= {outline.file for outline in settings.report.outlines}
    named |= {str(path) for path in settings.tables.model_dump().values()}
    for folder in sorted({posixpath.dirname(path) for path in named}):
        yield "tables, charts or outlines", folder or "."


def _not_to_write(root: Path, source: SettingsSource) -> Fault | None:
    for name in (source.settings.results, MANAGER_FOLDER):
        real = _real(root / name)
        if not _within(real, _real(root)):
            return _link(name)
        for path in sorted(_odd_entries(root / name)):
            shown = path.relative_to(root).as_posix()
            if not path.is_symlink():
                found = "a pipe, socket or device"
                return Fault(shown, None, None, found, "files and folders that tapeline wrote", "delete it")
            if not _within(_real(path), real):
                return _link(shown)
    return None


def _odd_entries(folder: Path) -> Iterator[Path]:
    """All below a folder that is neither a file nor a folder; folders that cannot be listed are passed over."""
    try:
        with os.scandir(folder) as entries:
            for entry in entries:
                if entry.is_symlink():
                    yield Path(entry.path)
                elif entry.is_dir():
                    yield from _odd_entries(Path(entry.path))
                elif not entry.is_file():
                    yield Path(entry.path)
    except OSError:
        return


def _link(path: str) -> Fault:
    expected = "files and folders that are written in place"
    return Fault(path, None, None, "a link that leads out of its folder", expected, "delete the link")


def _steps(root: Path, below: str) -> Iterable[Path]:
    parts = below.split("/")
    return (root.joinpath(*parts[: count + 1]) for count in range(len(parts)))


def _real(path: Path) -> str:
    return os.path.realpath(path)


def _within(inner: str, outer: str) -> bool:
    """Whether one real path is another or lies below it, names that some file systems take for equal being so here."""
    inner, outer = (unicodedata.normalize("NFC", path).casefold() for path in (inner, outer))
    return inner == outer or inner.startswith(outer.rstrip("/") + "/")
