"""What the names of files say of runs, where they say it clearly: kind, speed, stage and condition."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from pathlib import PurePosixPath

from tapeline.campaign.cells import IDENTIFIER
from tapeline.campaign.table_columns import KMH_PER_MPS

SPEED = re.compile(
    r"(?<![A-Za-z0-9.])v?([0-9]{1,3}(?:\.[0-9]+)?)[ _-]?(kmh|km_h|kph|mps)(?![A-Za-z0-9])", re.IGNORECASE
)
BACKGROUND = re.compile(r"(?<![a-z])(background|bg)(?![a-z])", re.IGNORECASE)
WIND_OFF = re.compile(r"(?<![a-z])(wind[ _-]?off|no[ _-]?wind)(?![a-z])", re.IGNORECASE)
CALIBRATION = re.compile(r"(?<![a-z])(cal|calibrations?|calibrator|pistonphone)(?![a-z])", re.IGNORECASE)
STAGE = re.compile(r"(?<![a-z])(before|after)(?![a-z])", re.IGNORECASE)
WORD = re.compile(r"[A-Za-z]+(-[A-Za-z]+)*")
SEPARATORS = "_- ."


def stem(file: str) -> str:
    """The name of a file without folders and ending."""
    return PurePosixPath(file).stem


def speed_kmh(file: str) -> float | None:
    """The one speed that the name states with its unit, in km/h; 0 where it says that the wind was off; else None."""
    found = SPEED.findall(stem(file))
    if WIND_OFF.search(stem(file)) and not found:
        return 0.0
    if len(found) != 1:
        return None
    value, unit = found[0]
    return float(value) * (KMH_PER_MPS if unit.lower() == "mps" else 1.0)


def is_background(file: str) -> bool:
    """Whether the name says that a background was recorded."""
    return bool(BACKGROUND.search(stem(file)) or WIND_OFF.search(stem(file)))


def is_calibration(file: str) -> bool:
    """Whether the name says that a calibrator was recorded."""
    return bool(CALIBRATION.search(stem(file)))


def stage(file: str) -> str | None:
    """The one stage of a calibration that the name states, else None."""
    found = {word.lower() for word in STAGE.findall(stem(file))}
    return found.pop() if len(found) == 1 else None


def conditions(files: Sequence[str]) -> Mapping[str, str]:
    """The condition of each measurement by its file, where the names follow one pattern; else nothing.

    With one sign all names part into the same number of fields; in exactly one place the fields are words that differ,
    and at least one word stands in several names.
    """
    rests = [SPEED.sub("", stem(file)) for file in files]
    for sign in SEPARATORS:
        rows = [[field for field in rest.split(sign) if field] for rest in rests]
        if len({len(row) for row in rows}) != 1:
            continue
        places = list(zip(*rows, strict=True))
        varying = [place for place in places if len(set(place)) > 1 and all(map(WORD.fullmatch, place))]
        if len(varying) == 1 and _are_groups(varying[0]):
            return dict(zip(files, varying[0], strict=True))
    return {}


def _are_groups(words: Sequence[str]) -> bool:
    """Whether words group names: fewer than there are names, and told apart by more than case."""
    names = set(words)
    return len(names) < len(words) and len({name.casefold() for name in names}) == len(names)


def run_names(files: Sequence[str], reserved: frozenset[str]) -> dict[str, str]:
    """A name for the run of each file: its own name as far as it may stand, with a number where it is taken."""
    taken, found = set(reserved), {}
    for file in files:
        name = re.sub(r"[^A-Za-z0-9_.-]+", "-", stem(file)).strip("-_.")[:100]
        name = name if IDENTIFIER.fullmatch(name) else "run"
        number, own = 1, name
        while own.casefold() in taken:
            number += 1
            own = f"{name}-{number}"
        taken.add(own.casefold())
        found[file] = own
    return found
