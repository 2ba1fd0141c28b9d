"""What the job `compare` needs, with the defaults of the settings where a test says nothing else."""

from __future__ import annotations

from collections.abc import Mapping

from tapeline.campaign.settings import Background, Compare, Comparison, OperatingPoint, Ranking
from tapeline.jobs.compare import CompareNeeds

PLAIN = CompareNeeds(
    campaign="given",
    comparisons={},
    lines="",
    applied={},
    runs=(),
    mounts=(),
    areas=(),
    mirrors=(),
    confidence=0.95,
    compare=Compare(),
    ranking=Ranking(),
    background=Background(),
    reference_pressure_pa=2e-5,
    operating_point=OperatingPoint(),
)


def compared(comparisons: Mapping[str, tuple[str, str]]) -> dict[str, Comparison]:
    """Comparisons by name from their reference and treatment."""
    return {name: Comparison(reference=one, treatment=other) for name, (one, other) in comparisons.items()}
