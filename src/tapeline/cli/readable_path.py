"""Paths as people read them."""

from __future__ import annotations

import os
from pathlib import Path


def readable(path: Path) -> str:
    """Relative to where the person stands, where that is shorter."""
    relative, absolute = os.path.relpath(path), str(path.resolve())
    return min(relative, absolute, key=len)
