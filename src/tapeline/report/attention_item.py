"""One line of what needs attention."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Attention:
    """One line: how bad, where, what was found, what to do next."""

    severity: str
    where: str
    found: str
    action: str
