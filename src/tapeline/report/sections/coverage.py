"""Coverage and what to record next."""

from __future__ import annotations

from collections.abc import Sequence

from tapeline.campaign.coverage import Coverage, coverage
from tapeline.campaign.coverage_cells import ENOUGH_RUNS
from tapeline.campaign.model import Campaign
from tapeline.report.blocks import Block, Bullets, Fold, Heading, Prose, Section, TableBlock
from tapeline.report.comparison_views import condition_title
from tapeline.report.coverage_rows import CAUTION, cell_rows, compared_rows, coverage_notes
from tapeline.report.finished_tables import FinishedTables
from tapeline.report.page_table import Link, PlainTable, Words, without_constant_columns
from tapeline.report.sections.record_next import Recording, not_needed, recordings
from tapeline.report.usable_runs import measured_by
from tapeline.report.view_names import run_file

MOST_SHOWN, MOST_RECORDINGS, MOST_ROWS = 6, 40, 120
ANOTHER_DAY = (
    "Runs of another day make a new session: record both conditions in it, with calibrator checks and a background."
)


def coverage_sections(tables: FinishedTables, campaign: Campaign) -> list[Section]:
    """What to record next and why, in order; then the usable runs, and what can be compared."""
    found = coverage(campaign, measured_by(tables, campaign))
    compared = compared_table(found)
    blocks: list[Block] = [
        *_next(recordings(tables, campaign, found)),
        *_not_needed(not_needed(tables, found)),
        Heading("Usable runs", "usable-runs"),
        TableBlock(usable_table(campaign, found)),
        Fold("What can be compared, and what the intervals rest on", (TableBlock(compared), *_notes(found))),
    ]
    return [Section("coverage", "Coverage and what to record next", "trust", blocks)]


def first_to_record(tables: FinishedTables, campaign: Campaign) -> Words:
    """What to record first, and why; nothing where nothing is missing."""
    wanted = recordings(tables, campaign, coverage(campaign, measured_by(tables, campaign)))
    return wanted[0].words if wanted else ""


def _next(wanted: Sequence[Recording]) -> list[Block]:
    if not wanted:
        return [Prose("Nothing is missing: each comparison has repeats, backgrounds and sound calibration.")]
    words = [one.words for one in wanted]
    rest = words[MOST_SHOWN:MOST_RECORDINGS]
    blocks: list[Block] = [Prose("Record next, the most useful first:"), Bullets(words[:MOST_SHOWN], ordered=True)]
    if rest:
        cut = len(words) - MOST_RECORDINGS
        more = [Prose(f"{cut} more: see `tapeline coverage`.", "note")] if cut > 0 else []
        blocks.append(Fold(f"{len(words) - MOST_SHOWN} more", (Bullets(rest, ordered=True), *more)))
    return [*blocks, Prose(ANOTHER_DAY, "note")]


def _not_needed(runs: Sequence[str]) -> list[Block]:
    if not runs:
        return []
    links: list[str | Link] = []
    for run in runs:
        links += [", ", Link(run, run_file(run))]
    many = len(runs) > 1
    said = f"{'were' if many else 'was'} lost and need{'' if many else 's'} no repeat: enough others are usable there."
    return [Prose((f"Run{'s' if many else ''} ", *links[1:], f" {said}"))]


def usable_table(campaign: Campaign, found: Coverage) -> PlainTable:
    """Condition by operating points: how many positions have no usable run, one, and repeats."""
    titles = {name: condition_title(campaign, name) for name in campaign.settings.conditions}
    rows = cell_rows(found, campaign.settings.report.speed_unit, titles)
    return PlainTable(
        key="coverage-cells",
        caption="Positions by how many usable runs they have",
        head=(
            "condition",
            "operating points",
            "sessions",
            "none",
            "one",
            f"{ENOUGH_RUNS} or more",
            "fewer than the others (runs)",
        ),
        rows=tuple(rows[:MOST_ROWS]),
        numeric=frozenset({3, 4, 5}),
        note=_cut(len(rows)),
    )


def compared_table(found: Coverage) -> PlainTable:
    """Per comparison and operating point: positions with repeats on both sides, with single runs, with none."""
    rows = compared_rows(found, found.campaign.settings.report.speed_unit)
    table = PlainTable(
        key="what-can-be-compared",
        caption="What can be compared: positions by the usable runs of both conditions",
        head=(
            "comparison",
            "operating points",
            "sessions",
            "pairing",
            f"at least {ENOUGH_RUNS} runs each",
            "one run",
            "none",
            "interval from",
            "remarks",
        ),
        rows=tuple(rows[:MOST_ROWS]),
        numeric=frozenset({4, 5, 6}),
        note=f"Operating points with equal entries share a row.{_cut(len(rows))}",
    )
    return without_constant_columns(table, ("pairing", "remarks"))


def _cut(count: int) -> str:
    return (
        ""
        if count <= MOST_ROWS
        else f" The first {MOST_ROWS} of {count:,} rows; `tapeline coverage --csv FILE` has all."
    )


def _notes(found: Coverage) -> list[Block]:
    notes = [f"{note[0].upper()}{note[1:]}." for note in coverage_notes(found)]
    return [Bullets([*notes, *(f"{part.rstrip('.')}." for part in CAUTION.split(". "))], role="note")]
