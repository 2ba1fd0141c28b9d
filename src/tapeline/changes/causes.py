"""What differs between two analyses, from their manifests, and through what each table moved."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from tapeline.changes.table_changes import TableChanges

Kind = Literal["setting", "input", "version", "step"]
ABSENT = "(absent)"
HASH_SHOWN = 8
NO_CAUSES = frozenset({("setting", "campaign"), ("setting", "results"), ("step", "report"), ("step", "manifest")})
"""What moves no number: names, and the jobs that write no table."""

STAGES = (
    ("runs", "positions"),
    ("checks",),
    ("calibration", "quality"),
    (
        "narrowband",
        "history",
        "band_history",
        "spectrogram",
        "cross_spectra",
        "conditioned_spectra",
        "flow_bins",
        "lines",
    ),
    ("bands", "overall"),
)
"""Tables in the order in which they are made, each from those of stages before; all others are made from the last."""

OWN = "Their own rows, settings or step differ"
THROUGH = "Moved through what they are made from"
NEITHER = "Moved though they were asked for alike and no table that they are made from moved"


@dataclass(frozen=True)
class Cause:
    """One difference that results may depend on; `old` and `new` as they are shown."""

    kind: Kind
    name: str
    old: str
    new: str


@dataclass(frozen=True)
class SensitivityChange:
    """The sensitivity of one channel that differs: a result, and a cause of all levels behind it.

    `change_db` is None where one of the two is missing. Values are V/Pa.
    """

    place: str
    old_v_per_pa: float | None
    new_v_per_pa: float | None
    old_source: str
    new_source: str
    change_db: float | None


@dataclass(frozen=True)
class Differences:
    """All that differs between two analyses, and the notes on it."""

    causes: tuple[Cause, ...]
    sensitivities: tuple[SensitivityChange, ...]
    channels: int
    notes: tuple[str, ...]


def differences(old: Mapping[str, Any], new: Mapping[str, Any]) -> Differences:
    """What differs between two manifests."""
    causes = [
        *(Cause("setting", *row) for row in _changed(_flat(_part(old, "settings")), _flat(_part(new, "settings")))),
        *(Cause("input", *row) for row in _changed(_hashes(old), _hashes(new))),
        *(Cause("version", *row) for row in _changed(_flat(_part(old, "versions")), _flat(_part(new, "versions")))),
        *(Cause("step", *row) for row in _changed(_flat(_part(old, "steps")), _flat(_part(new, "steps")))),
    ]
    causes = [cause for cause in causes if (cause.kind, cause.name) not in NO_CAUSES]
    names = [str(manifest.get("campaign", "")) for manifest in (old, new)]
    notes = [f"results of two campaigns: {names[0]} and {names[1]}"] if names[0] != names[1] else []
    sensitivities = tuple(_sensitivities(_part(old, "calibration"), _part(new, "calibration")))
    return Differences(
        tuple(causes),
        sensitivities,
        len({*_part(old, "calibration"), *_part(new, "calibration")}),
        tuple(notes),
    )


def _part(manifest: Mapping[str, Any], name: str) -> Mapping[str, Any]:
    part = manifest.get(name)
    return part if isinstance(part, Mapping) else {}


def _flat(settings: Mapping[str, Any], path: str = "") -> dict[str, str]:
    """Settings by their dotted path, as they would be written."""
    flat: dict[str, str] = {}
    for name, value in settings.items():
        dotted = f"{path}.{name}" if path else str(name)
        if isinstance(value, Mapping) and value:
            flat |= _flat(value, dotted)
        else:
            flat[dotted] = value if isinstance(value, str) and value else json.dumps(value, ensure_ascii=False)
    return flat


def _hashes(manifest: Mapping[str, Any]) -> dict[str, str]:
    """The start of each input's content hash; what was not there has none."""
    return {
        str(name): f"content {digest}" if isinstance(digest, str) else "missing"
        for name, digest in _part(manifest, "inputs").items()
    }


def _changed(old: Mapping[str, str], new: Mapping[str, str]) -> Iterator[tuple[str, str, str]]:
    for name in sorted({*old, *new}):
        before, after = old.get(name, ABSENT), new.get(name, ABSENT)
        if before != after:
            yield name, _short(before), _short(after)


def _short(text: str) -> str:
    kind, _, digest = text.partition(" ")
    return f"{kind} {digest[:HASH_SHOWN]}…" if kind == "content" and len(digest) == 64 else text


def _sensitivities(old: Mapping[str, Any], new: Mapping[str, Any]) -> Iterator[SensitivityChange]:
    for place in sorted({*old, *new}):
        before, after = ({} if not isinstance(side.get(place), Mapping) else side[place] for side in (old, new))
        values = [_positive(side.get("sensitivity_v_per_pa")) for side in (before, after)]
        sources = _sources(before, after)
        if values[0] == values[1] and sources[0] == sources[1]:
            continue
        change = None
        if values[0] is not None and values[1] is not None:
            change = 20.0 * (math.log10(values[1]) - math.log10(values[0]))
        yield SensitivityChange(place, values[0], values[1], sources[0], sources[1], change)


def _sources(old: Mapping[str, Any], new: Mapping[str, Any]) -> tuple[str, str]:
    """What the two sensitivities are from, with the sensors where these are others."""
    words = [str(entry.get("source") or "none") if entry else ABSENT for entry in (old, new)]
    sensors = [str(entry.get("sensor") or "no sensor") for entry in (old, new)]
    if sensors[0] != sensors[1] and old and new:
        words = [f"{sensor} by {word}" for sensor, word in zip(sensors, words, strict=True)]
    return words[0], words[1]


def _positive(value: Any) -> float | None:
    return float(value) if isinstance(value, int | float) and value > 0 else None


def moved_through(moved: Sequence[TableChanges], different: Differences) -> list[str]:
    """Sentences that say of the tables `moved`, all that changed, within a tolerance or beyond, what moved them.

    An input whose content differs counts among what a table is made from.
    """
    inputs = any(cause.kind == "input" for cause in different.causes)
    first = min((_stage(table.table) for table in moved), default=0)
    by_words: dict[str, list[str]] = {OWN: [], THROUGH: [], NEITHER: []}
    for table in sorted(moved, key=lambda each: each.table):
        below = inputs or first < _stage(table.table)
        by_words[OWN if table.own_needs_differ else THROUGH if below else NEITHER].append(table.table)
    return [f"{words}: {', '.join(names)}" for words, names in by_words.items() if names]


def _stage(table: str) -> int:
    return next((place for place, names in enumerate(STAGES) if table in names), len(STAGES))
