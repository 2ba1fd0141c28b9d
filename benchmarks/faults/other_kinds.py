"""Pipes, sockets, devices, folders, endless files and files without permission, in the place of every file.

Kinds are those of tests/campaign/test_campaign_odd_files.py.
"""

from __future__ import annotations

import os
import shutil
import sys
from collections.abc import Callable
from functools import partial
from pathlib import Path

TESTS = Path(__file__).resolve().parents[2] / "tests" / "campaign"
sys.path.append(str(TESTS))

import test_campaign_odd_files as odd  # noqa: E402
from cases import CHECK, Bases, Case  # noqa: E402
from changed_inputs import DONE  # noqa: E402
from commands import Place  # noqa: E402
from planted_campaign import FILES, RECORDINGS  # noqa: E402

TITLE = "Other kinds of files, files without permission"
Make = Callable[[Path], None]
KINDS: dict[str, Make] = {
    **odd.KINDS,
    "a device that takes nothing (/dev/full)": lambda path: path.symlink_to("/dev/full"),
    "a file of 4 TiB": odd.make_endless,
}
NOBODY = 65_534
TEXT_FILES = (*FILES, "charts/s1.bin")
RESULTS_FILES = (
    "results/calibration/april.parquet",
    "results/quality/m1.parquet",
    "results/spectra/m1/spectra.parquet",
    "results/tables/comparisons.parquet",
    "results/tables/bands/session=april/part-0.parquet",
    "results/manifest.json",
    "results/report.html",
    "results/logs/spectra/m1.log",
)
FOLDERS = ("config", "recordings", "charts", "results", "results/tables", "results/quality", ".snakemake")


def cases(bases: Bases, quick: bool) -> list[Case]:
    """Nothing is waited for, nothing read without end; each is named; permission given, all is as undisturbed."""
    found = []
    for kind, make in KINDS.items():
        found += [
            _named(f"{kind} as one of {len(TEXT_FILES)} tables, charts and sheets", name, make) for name in TEXT_FILES
        ]
        for name in RECORDINGS:
            found.append(
                Case(
                    f"{kind} as {name}",
                    partial(_replace, name=f"recordings/{name}", make=make),
                    (0, 3),
                    name.partition(".")[0],
                    mend=partial(_put_back, name=f"recordings/{name}"),
                    mended="put back",
                    then_says=DONE,
                )
            )
        for name in ("results", "results/tables", ".snakemake", "config", "recordings"):
            if kind != "a folder":
                found.append(_unrun(f"{kind} as the folder {name}", partial(_replace, name=name, make=make)))
        for name in RESULTS_FILES:
            found.append(
                Case(
                    f"{kind} as a file of the results",
                    partial(_replace, name=name, make=make),
                    (0, 1, 2),
                    rf"{Path(name).name}|{DONE}",
                    mend=partial(_put_back, name=name),
                    mended="put back",
                    then_says=DONE,
                )
            )
    found += _without_permission()
    return found[::25] if quick else found


def _without_permission() -> list[Case]:
    found = [
        Case(
            f"no permission to read one of {len(TEXT_FILES)} tables, charts and sheets",
            partial(_lock, name=name),
            (2,),
            f"{Path(name).name}.*ermission|ermission.*{Path(name).name}",
            command=CHECK,
            again=False,
            bare=True,
            bound=True,
        )
        for name in TEXT_FILES
    ]
    for name in RECORDINGS:
        found.append(
            _locked(f"no permission to read recordings/{name}", f"recordings/{name}", (0, 3), name.split(".")[0])
        )
    for name in RESULTS_FILES:
        found.append(_locked(f"no permission to read {name}", name, (0, 1), rf"{Path(name).name}|{DONE}"))
    for name in FOLDERS:
        found.append(
            _locked(f"no permission to enter the folder {name}", name, (1, 2, 3), name.strip(".").split("/")[-1])
        )
    return found


def _named(fault: str, name: str, make: Make) -> Case:
    pattern = rf"{Path(name).name}.*found|found.*{Path(name).name}"
    plant = partial(_replace, name=name, make=make)
    return Case(fault, plant, (2,), pattern, command=CHECK, again=False, bare=True, start="inputs")


def _unrun(fault: str, plant: Callable[[Place], None]) -> Case:
    return Case(fault, plant, (1, 2, 3), "", again=False, bare=True)


def _locked(fault: str, name: str, statuses: tuple[int, ...], says: str) -> Case:
    return Case(
        fault,
        partial(_lock_and_touch, name=name),
        statuses,
        says,
        mend=partial(_unlock, name=name),
        mended="permission given",
        then_says=DONE,
        bound=True,
    )


def _replace(place: Place, name: str, make: Make) -> None:
    """The other kind in the place of what was there, which is kept for later."""
    path = place.campaign / name
    aside = place.root / "aside"
    path.rename(aside)
    make(path)


def _put_back(place: Place, name: str) -> None:
    path = place.campaign / name
    if path.is_dir() and not path.is_symlink():
        shutil.rmtree(path)
    else:
        path.unlink(missing_ok=True)
    (place.root / "aside").rename(path)


def _lock(place: Place, name: str) -> None:
    """Of another user, for that one alone; where this is no root, without any right."""
    path = place.campaign / name
    path.chmod(0o700 if path.is_dir() else 0o600)
    if os.geteuid() == 0:
        os.chown(path, NOBODY, NOBODY)
    else:
        path.chmod(0)


def _lock_and_touch(place: Place, name: str) -> None:
    """With something to make anew, so that the run has to look."""
    os.utime(place.campaign / "recordings" / "m1.wav")
    _lock(place, name)


def _unlock(place: Place, name: str) -> None:
    path = place.campaign / name
    if os.geteuid() == 0:
        os.chown(path, 0, 0)
    path.chmod(0o755 if path.is_dir() else 0o644)
