"""Fixtures of the report's tests: one built report for all tests that only look at it."""

from __future__ import annotations

import pytest
from built_report import Report, built_report


@pytest.fixture(scope="session")
def report(tmp_path_factory: pytest.TempPathFactory) -> Report:
    """The report of the built tables. Nobody may write into its folder."""
    return built_report(tmp_path_factory.mktemp("results"))
