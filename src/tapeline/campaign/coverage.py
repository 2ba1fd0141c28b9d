"""What a campaign covers: usable runs by condition, operating point and position, and what can be compared of them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from tapeline.campaign.coverage_cells import ComparedPoint, CoverageCell
from tapeline.campaign.coverage_results import Measured
from tapeline.campaign.coverage_survey import Survey
from tapeline.campaign.missing_runs import MissingRuns, missing_runs
from tapeline.campaign.model import Campaign


@dataclass(frozen=True)
class Coverage:
    """Coverage of a campaign; `measured` is what results were taken into account, None where it is the run table's.

    `without_result` are used runs of the run table that the results do not know. `out_of_use` are positions by session
    that no run of the session can use.
    """

    campaign: Campaign
    measured: Measured | None
    cells: tuple[CoverageCell, ...]
    points: tuple[ComparedPoint, ...]
    missing: tuple[MissingRuns, ...]
    without_result: tuple[str, ...]
    out_of_use: Mapping[str, tuple[str, ...]]


def coverage(campaign: Campaign, measured: Measured | None = None) -> Coverage:
    """The coverage by the campaign's files, or less what results say cannot be used.

    Counted are measurements that are used: not superseded, not left out. Background and calibration runs are not, nor
    are positions of reference sensors compared.
    """
    survey = Survey(campaign, measured)
    points = tuple(
        point for name, each in campaign.settings.comparisons.items() for point in survey.compared(name, each)
    )
    return Coverage(
        campaign=campaign,
        measured=measured,
        cells=tuple(survey.cells()),
        points=points,
        missing=missing_runs(survey, points),
        without_result=survey.without_result,
        out_of_use={name: found for name in sorted(survey.fitted) if (found := survey.out_of_use(name))},
    )
