"""What a figure was drawn from, as a digest, so that one whose rows are the same is not drawn again."""

from __future__ import annotations

import dataclasses
import hashlib
import json
from collections.abc import Mapping, Set
from functools import partial
from typing import Any

import matplotlib
import numpy as np
import PIL
from matplotlib.colors import Colormap

from tapeline.report.figure_style import STYLE_FILE


def drawn_with(version: int) -> tuple[Any, ...]:
    """What all figures are drawn with: the job's version, the drawing libraries' and the style."""
    return version, matplotlib.__version__, PIL.__version__, STYLE_FILE.read_text(encoding="utf-8")


def digest_of_drawing(*parts: Any) -> str:
    """SHA-256 over plain values, rows, arrays, dataclasses and calls of functions yet to be made.

    The order of mappings counts: figures follow it. Raises TypeError for what has no plain form.
    """
    return hashlib.sha256(json.dumps(parts, default=_plain, ensure_ascii=False).encode()).hexdigest()


def _plain(value: Any) -> Any:
    if isinstance(value, partial):
        return [f"{value.func.__module__}.{value.func.__qualname__}", value.args, value.keywords]
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return [type(value).__qualname__, [getattr(value, field.name) for field in dataclasses.fields(value)]]
    if isinstance(value, np.ndarray) and not value.dtype.hasobject:
        return [value.dtype.str, value.shape, hashlib.sha256(value.tobytes()).hexdigest()]
    if isinstance(value, np.generic):
        return value.item()
    if isinstance(value, Mapping):
        return [[name, item] for name, item in value.items()]
    if isinstance(value, Set):
        return sorted(value)
    if isinstance(value, Colormap):
        return value.name
    raise TypeError(f"a figure is drawn from plain values: {type(value)} is none")
