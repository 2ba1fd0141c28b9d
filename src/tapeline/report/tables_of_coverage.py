"""Page table on what the runs suffice for: which positions can be compared, on what their intervals rest."""

from __future__ import annotations

from tapeline.campaign.coverage import coverage
from tapeline.campaign.model import Campaign
from tapeline.report.coverage_rows import CAUTION, compared_rows, coverage_notes, missing_sentences
from tapeline.report.finished_tables import FinishedTables
from tapeline.report.page_table import PlainTable, without_constant_columns
from tapeline.report.usable_runs import measured_by

MOST_SENTENCES = 6


def compared_table(tables: FinishedTables, campaign: Campaign) -> PlainTable:
    """Per comparison and operating point: positions with repeats on both sides, with single runs, with none."""
    found = coverage(campaign, measured_by(tables, campaign))
    unit = campaign.settings.report.speed_unit
    return without_constant_columns(
        PlainTable(
            key="what-can-be-compared",
            caption="What can be compared: positions by the usable runs of both conditions",
            head=(
                "comparison",
                "operating points",
                "sessions",
                "pairing",
                "2 and more of both",
                "1 of either",
                "not at all",
                "interval from",
                "remarks",
            ),
            rows=tuple(compared_rows(found, unit)),
            numeric=frozenset({4, 5, 6}),
            note=" ".join(
                [
                    f"Operating points with equal entries share a row. {CAUTION}",
                    *_completed(missing_sentences(found, unit)),
                    *(f"{note[0].upper()}{note[1:]}." for note in coverage_notes(found)),
                ]
            ),
        ),
        ("pairing",),
    )


def _completed(sentences: list[str]) -> list[str]:
    if not sentences:
        return []
    rest = len(sentences) - MOST_SENTENCES
    more = f"; and {rest} more, see `tapeline coverage`" if rest > 0 else ""
    return [f"Runs that would complete it: {'; '.join(sentences[:MOST_SENTENCES])}{more}."]
