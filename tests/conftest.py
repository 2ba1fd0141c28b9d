"""How property tests draw, and which tests stay together when they are spread over processes.

Together stay those that share what takes long to make.
"""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

# As the command does: the same bytes from jobs done in this process, and no threads that stand in each other's way.
for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(name, "1")

# The same examples at every run, and no limit that a slow or busy machine could miss.
settings.register_profile(
    "repeatable", derandomize=True, database=None, deadline=None, suppress_health_check=[HealthCheck.too_slow]
)
settings.load_profile("repeatable")

SHARED_BY_FOLDER = ("workflow", "independent", "report")
"""Folders whose tests share a campaign that was run for them; the longest first, so that the last process is not left
alone with it. Elsewhere the tests of one file stay together, and in `workflow` those that do without the sample."""


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Name the group of each test; where processes share the work, put the folders that share a campaign first."""
    here = Path(__file__).parent
    places = {item: item.path.relative_to(here) for item in items}
    for item, place in places.items():
        folder = place.parts[0]
        shares = folder in SHARED_BY_FOLDER and (folder != "workflow" or "sample" in getattr(item, "fixturenames", ()))
        item.add_marker(pytest.mark.xdist_group(folder if shares else str(place)))
    if hasattr(config, "workerinput"):
        items.sort(key=lambda item: _turn(places[item].parts[0]))


def _turn(folder: str) -> int:
    return SHARED_BY_FOLDER.index(folder) if folder in SHARED_BY_FOLDER else len(SHARED_BY_FOLDER)
