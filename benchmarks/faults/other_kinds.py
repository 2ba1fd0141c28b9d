"""Pipes, sockets, devices, folders, endless files and files without permission, in the place of every file.

Kinds are those of tests/campaign/test_campaign_odd_files.py.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable
from functools import partial
from pathlib import Path

import test_campaign_odd_files as odd
from cases import CHECK, DONE, Bases, Case, once
from changed_inputs import WAV, another_take, write
from commands import Place
from planted_campaign import FILES, RECORDINGS

TITLE = "Other kinds of files, files without permission"
Make = Callable[[Path], None]
ENDLESS = "a file of 4 TiB"
KINDS: dict[str, Make] = {
    **odd.KINDS,
    "a device that takes nothing (/dev/full)": lambda path: path.symlink_to("/dev/full"),
    ENDLESS: odd.make_endless,
}
NOBODY = 65_534
TEXT_FILES = (*FILES, "charts/s1.bin")
TEXT_WORDS = f"one of {len(TEXT_FILES)} tables, charts and sheets"
RESULTS_FILES = (
    "results/calibration/april.parquet",
    "results/tables/bands/session=april/part-0.parquet",
    "results/quality/m1.parquet",
    "results/tables/comparisons.parquet",
    "results/spectra/m1/spectra.parquet",
    "results/manifest.json",
    "results/logs/spectra/april-1.log",
    "results/report.html",
)
FOLDERS = ("config", "recordings", "charts", "results", "results/tables", "results/quality", ".snakemake")


def cases(bases: Bases) -> list[Case]:
    """Nothing is waited for, nothing read without end; each is named; put right, all is as undisturbed."""
    found = []
    for kind, make in KINDS.items():
        for name in TEXT_FILES:
            plant = partial(_replace, makes={name: make})
            says = rf"{Path(name).name}.*found|found.*{Path(name).name}"
            found.append(once(f"{kind} as {TEXT_WORDS}", plant, 2, says, *CHECK))
        if kind != "a folder":
            found += [
                Case(
                    f"{kind} as the folder {name}",
                    partial(_replace, makes={name: make}),
                    (1, 2),
                    Path(name).name,
                    again=False,
                    bare=True,
                )
                for name in ("results", "results/tables", ".snakemake", "config", "recordings")
            ]
    for number, name in enumerate(RESULTS_FILES):
        kind = list(KINDS)[number % len(KINDS)]
        found.append(_put_right(f"{kind} as {name}", {name: KINDS[kind]}, (0, 1, 2), f"{Path(name).name}|{DONE}"))
    for turn in range(len(KINDS)):
        kinds = [list(KINDS)[(turn + number) % len(KINDS)] for number in range(len(RECORDINGS))]
        # Of a headerless file 4 TiB are a recording of years.
        kinds[-1] = kinds[-1].replace(ENDLESS, "a folder")
        makes = {f"recordings/{name}": KINDS[kind] for name, kind in zip(RECORDINGS, kinds, strict=True)}
        told = ", ".join(f"{kind} as {name}" for name, kind in zip(RECORDINGS, kinds, strict=True))
        found.append(_put_right(told, makes, (3,), tuple(rf"left out.* {Path(name).stem}\b" for name in RECORDINGS)))
    return found + _without_permission()


def _without_permission() -> list[Case]:
    found = []
    for name in TEXT_FILES:
        says = f"{Path(name).name}.*ermission|ermission.*{Path(name).name}"
        plant = partial(_lock, name=name)
        found.append(once(f"no permission to read {TEXT_WORDS}", plant, 2, says, *CHECK, bound=True))
    for name in RECORDINGS:
        words = f"no permission to read recordings/{name}"
        found.append(_locked(words, f"recordings/{name}", (3,), rf"left out.* {Path(name).stem}\b"))
    found += [
        _locked(f"no permission to read {name}", name, (0, 1), rf"{Path(name).name}|{DONE}")
        for name in RESULTS_FILES[::2]
    ]
    found += [
        _locked(f"no permission to enter the folder {name}", name, (1, 2, 3), Path(name).name) for name in FOLDERS
    ]
    return found


def _put_right(fault: str, makes: dict[str, Make], statuses: tuple[int, ...], says: str | tuple[str, ...]) -> Case:
    back = partial(_put_back, names=tuple(makes))
    return Case(fault, partial(_replace, makes=makes), statuses, says, mend=back, mended="put back")


def _locked(fault: str, name: str, statuses: tuple[int, ...], says: str) -> Case:
    unlock = partial(_unlock, name=name)
    plant = partial(_renew_and_lock, name=name)
    return Case(fault, plant, statuses, says, mend=unlock, mended="permission given", bound=True)


def _replace(place: Place, makes: dict[str, Make]) -> None:
    """Other kinds in the places of what was there, which is kept for later."""
    for name, make in makes.items():
        (place.root / "aside").mkdir(exist_ok=True)
        (place.campaign / name).rename(place.root / "aside" / Path(name).name)
        make(place.campaign / name)


def _put_back(place: Place, names: tuple[str, ...]) -> None:
    for name in names:
        path = place.campaign / name
        if path.is_dir() and not path.is_symlink():
            shutil.rmtree(path)
        path.unlink(missing_ok=True)
        (place.root / "aside" / path.name).rename(path)


def _lock(place: Place, name: str) -> None:
    """Of another user, for that one alone; where this is no root, without any right."""
    path = place.campaign / name
    path.chmod(0o700 if path.is_dir() else 0o600)
    if os.geteuid() == 0:
        os.chown(path, NOBODY, NOBODY)
    else:
        path.chmod(0)


def _renew_and_lock(place: Place, name: str) -> None:
    """With something to make anew, so that the run has to look."""
    write(place, WAV, partial(another_take, name=WAV))
    _lock(place, name)


def _unlock(place: Place, name: str) -> None:
    path = place.campaign / name
    if os.geteuid() == 0:
        os.chown(path, 0, 0)
    path.chmod(0o755 if path.is_dir() else 0o644)
