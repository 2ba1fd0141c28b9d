"""Coverage for the terminal, and as a table of comma-separated values."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from pathlib import Path

from tapeline.campaign.coverage import Coverage
from tapeline.report.coverage_rows import CAUTION, cell_rows, compared_rows, coverage_notes, csv_rows, missing_sentences
from tapeline.report.wording import NO_VALUE, counted
from tapeline.store.atomic import replacing
from tapeline.text_columns import wrapped, wrapped_columns

CELL_HEAD = ("condition", "operating point", "sessions", "0", "1", "2+", "fewer than the others")
COMPARED_HEAD = ("comparison", "operating point", "sessions", "pairing", "2+", "1", "0", "interval from")
MOST_SENTENCES = 12
WIDTH = 100
"""Characters of a line where there is no terminal that has its own width."""

REMARK_INDENT = 6
CAUTION_LINES = [f"{sentence.rstrip('.')}." for sentence in CAUTION.split(". ")]


def coverage_text(found: Coverage, width: int = WIDTH) -> str:
    """Cells, what can be compared, what would complete it, and notes, in lines of `width` characters."""
    settings = found.campaign.settings
    unit = settings.report.speed_unit
    positions = len({cell.position for cell in found.cells})
    basis = "measured, from the results" if found.measured else "planned, from the run table (there are no results)"
    sentences = missing_sentences(found, unit)
    rest = len(sentences) - MOST_SENTENCES
    cells = wrapped_columns([CELL_HEAD, *cell_rows(found, unit, {})], {3, 4, 5}, width)
    parts = [
        wrapped(f"Coverage of {settings.title}: {basis}", width, 0),
        [
            *wrapped(f"Usable runs: how many of {counted(positions, 'position')} have 0, 1, 2 or more", width, 0),
            *(line for lines in cells for line in lines),
        ],
        [
            *wrapped("What can be compared: positions with 2+ runs of both conditions, 1 of either, none", width, 0),
            *_compared_lines(compared_rows(found, unit), width),
        ]
        if found.points
        else [],
        [
            "Runs that would complete it",
            *_lines(sentences[:MOST_SENTENCES], width),
            *([f"  … and {rest} more"] if rest > 0 else []),
        ]
        if sentences
        else ["Every comparison has repeats on both sides." if found.points else "There is nothing to compare."],
        ["Notes", *_lines([*coverage_notes(found), *CAUTION_LINES], width)],
    ]
    return "\n\n".join("\n".join(part) for part in parts if part)


def _compared_lines(rows: Sequence[tuple[str, ...]], width: int) -> list[str]:
    """The comparisons in columns, each with its remarks below it."""
    head, *each = wrapped_columns([COMPARED_HEAD, *(row[:-1] for row in rows)], {4, 5, 6}, width)
    lines = list(head)
    for own, (*_, remarks) in zip(each, rows, strict=True):
        lines += own if remarks == NO_VALUE else [*own, *wrapped(remarks, width, REMARK_INDENT)]
    return lines


def _lines(sentences: Sequence[str], width: int) -> list[str]:
    return [line for sentence in sentences for line in wrapped(sentence, width)]


def write_coverage(found: Coverage, path: Path) -> None:
    """One row a condition, speed, yaw and position."""
    stream = io.StringIO()
    csv.writer(stream, lineterminator="\n").writerows(csv_rows(found))
    with replacing(path) as temporary:
        temporary.write_bytes(stream.getvalue().encode("utf-8"))
