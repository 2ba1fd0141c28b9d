"""The terms of an uncertainty as the list columns of a table, and back."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import Any

from tapeline.statistics.combined_uncertainty import Term
from tapeline.statistics.uncertainty_terms import SINE_FIT


def term_columns(terms: Iterable[Term]) -> dict[str, list[Any]]:
    """Names, contributions in dB and evidence of the terms, in their order."""
    listed = list(terms)
    return {
        "terms": [term.name for term in listed],
        "terms_db": [term.contribution for term in listed],
        "terms_evidence": [term.evidence for term in listed],
    }


def terms_of(row: Mapping[str, Any]) -> tuple[Term, ...]:
    """The terms of a row of the checks table; the fit's degrees of freedom follow from its number of levels."""
    levels = row["level_count"] or 0
    columns = (row["terms"], row["terms_db"], row["terms_evidence"])
    return tuple(
        Term(name, value, evidence, float(levels - 1) if name == SINE_FIT.name and levels > 1 else math.inf)
        for name, value, evidence in zip(*columns, strict=True)
    )
