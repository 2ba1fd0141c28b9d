"""How a row's key and a value read."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

UNIT_WORDS = {"degree": "°"}


def key_words(part: str, key: Mapping[str, object], units: Sequence[str]) -> str:
    """A key in one line: "april: a05, line-1, 500 Hz"."""
    session = part.partition("=")[2] or part
    words = [value_words(value, unit) for value, unit in zip(key.values(), units, strict=True) if value is not None]
    return f"{session}: {', '.join(words)}" if session else ", ".join(words)


def value_words(value: object, unit: str = "") -> str:
    """A value with its unit."""
    if isinstance(value, float):
        text = "NaN" if math.isnan(value) else f"{value:.5g}"
        short = UNIT_WORDS.get(unit, f" {unit}" if unit else "")
        return f"{text}{short}"
    return f"{value} {unit}".strip()
