"""Which of a run's channels a section of the settings asks for."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal


def asked_channels(asked: Sequence[str] | Literal["all"], positions: Sequence[str]) -> list[int]:
    """Places of the asked positions among those of the run; a run need not have them all."""
    return [i for i, position in enumerate(positions) if asked == "all" or position in asked]
