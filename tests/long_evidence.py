"""How much is drawn: a few for `make test`, which are quick and the same every time; many for `make test-long`."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pytest


def few_or_many(few: int, many: int) -> list[Any]:
    """Two values of a parameter: so many draws at every change, and so many as long evidence."""
    return [few, pytest.param(many, marks=pytest.mark.long)]


def first_of(count: int, cases: Sequence[Any]) -> list[Any]:
    """All cases of a parameter, those beyond the first `count` as long evidence."""
    return [*cases[:count], *(pytest.param(case, marks=pytest.mark.long) for case in cases[count:])]
