"""The terms of an uncertainty as the list columns of a table, and back."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import TYPE_CHECKING, cast

from tapeline.statistics.combined_uncertainty import Evidence, Term
from tapeline.statistics.uncertainty_terms import SINE_FIT

if TYPE_CHECKING:
    from tapeline.store.rows import ChecksRow, TermsColumns


def term_columns(terms: Iterable[Term]) -> TermsColumns:
    """Names, contributions in dB and evidence of the terms, in their order."""
    listed = list(terms)
    return {
        "terms": [term.name for term in listed],
        "terms_db": [term.contribution for term in listed],
        "terms_evidence": [term.evidence for term in listed],
    }


def terms_of(row: ChecksRow) -> tuple[Term, ...]:
    """The terms of a row of the checks table; the fit's degrees of freedom follow from its number of levels."""
    levels = row["level_count"] or 0
    evidence = cast(list[Evidence], row["terms_evidence"])  # a table knows texts alone
    return tuple(
        Term(name, value, how, float(levels - 1) if name == SINE_FIT.name and levels > 1 else math.inf)
        for name, value, how in zip(row["terms"], row["terms_db"], evidence, strict=True)
    )
