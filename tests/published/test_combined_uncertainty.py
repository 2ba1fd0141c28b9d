"""The combination of named terms against the worked example of the GUM, end gauges."""

from __future__ import annotations

import math

import pytest

from reference_tables import reference_rows
from tapeline.statistics.combined_uncertainty import Term, combined, rectangular
from tapeline.statistics.significance import student_factor

END_GAUGE = (
    Term("standard", 25.0, "certificate", 18.0),
    Term("mean of differences", 5.8, "measured", 24.0),
    Term("comparator, random", 3.9, "measured", 5.0),
    Term("comparator, systematic", 6.7, "certificate", 8.0),
    Term("expansion of the standard", 1.2e-6, "certificate", math.inf, 0.0),
    Term("mean temperature", 0.2, "measured", math.inf, 0.0),
    Term("temperature cycle", 0.35, "default", math.inf, 0.0),
    Term("difference of expansion", 0.58e-6, "default", 50.0, -50_000_623 * 0.1),
    Term("difference of temperature", 0.029, "default", 2.0, -50_000_623 * 11.5e-6),
)


def test_end_gauge_of_the_gum() -> None:
    """JCGM 100:2008, H.1: u_c = 32 nm (31.7 unrounded), 16 degrees of freedom (16.75 cut), t99 = 2.92, U99 = 93 nm."""
    found = combined(END_GAUGE)
    assert found.standard_uncertainty == pytest.approx(31.7, abs=0.05)
    assert round(found.standard_uncertainty) == 32
    assert int(found.degrees_of_freedom) == 16
    factor = float(student_factor(int(found.degrees_of_freedom), 0.99))
    assert factor == pytest.approx(2.92, abs=0.005)
    assert 32 * factor == pytest.approx(93, abs=0.6)


def test_end_gauge_from_the_reference_table() -> None:
    """The same from the table of inputs, within the rounding of the guide's own figures."""
    rows = reference_rows("gum_h1_budget.csv")
    terms = [Term(r["input"], float(r["component_nm"]), "certificate", float(r["dof"])) for r in rows]
    expected = {r["quantity"]: float(r["computed"]) for r in reference_rows("gum_h1_results.csv")}
    found = combined(terms)
    assert found.standard_uncertainty == pytest.approx(expected["u_c (nm)"], abs=1e-3)
    assert found.degrees_of_freedom == pytest.approx(expected["effective dof (Welch-Satterthwaite)"], abs=1e-3)


def test_rectangle() -> None:
    """JCGM 100:2008, 4.3.7: anywhere within ± a gives a / sqrt 3; 4.4.5's ± 4 degrees give 2.3 degrees."""
    assert rectangular(4.0) == pytest.approx(2.3, abs=0.05)


def test_of_nothing_and_of_nonsense() -> None:
    assert (combined([]).standard_uncertainty, combined([]).degrees_of_freedom) == (0.0, math.inf)
    with pytest.raises(ValueError, match="never negative"):
        combined([Term("broken", -0.1, "default")])
