"""The sample campaign run through the real workflow, once on two cores and once on one."""

from __future__ import annotations

import pytest
from sample_runs import CampaignRun, copy_sample, run_campaign


@pytest.fixture(scope="session")
def sample(tmp_path_factory: pytest.TempPathFactory) -> CampaignRun:
    """The sample on two cores."""
    return run_campaign(copy_sample(tmp_path_factory.mktemp("two") / "sample"), 2)


@pytest.fixture(scope="session")
def sample_on_one_core(tmp_path_factory: pytest.TempPathFactory) -> CampaignRun:
    """The sample on one core."""
    return run_campaign(copy_sample(tmp_path_factory.mktemp("one") / "sample"), 1)
