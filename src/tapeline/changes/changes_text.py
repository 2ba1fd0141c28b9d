"""What moved and why, as lines for the terminal."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from tapeline.campaign.faults import listed
from tapeline.changes.causes import Cause, Differences, SensitivityChange, moved_through
from tapeline.changes.results_folder import ResultsFolder
from tapeline.changes.scales import Tolerance
from tapeline.changes.table_changes import Cell, ColumnChanges, Moved, TableChanges, value_words
from tapeline.text_columns import aligned_columns, wrapped

WIDTH = 110
MOST_CAUSES = 12
MOST_NAMES = 8
WORD_KINDS = 3
FIRST_WORDS = (
    "finding",
    "verdict",
    "status",
    "state",
    "contribution_state",
    "found_verdict",
    "quality",
    "calibration",
    "agreement",
)
"""Columns of words that people act on, in the order in which they are listed before all others."""

IN_SHORT = (
    ("findings", "comparisons", "finding"),
    ("differences", "comparisons", "difference_db"),
    ("first to work on", "ranking", "position"),
    ("band levels", "bands", "corrected_level_db"),
    ("overall levels", "overall", "corrected_level_db"),
    ("verdicts", "quality", "verdict"),
    ("calibration", "calibration", "verdict"),
)
"""What reports quote: its name, and the table and column that hold it."""

TableRow = tuple[str, ...]


def changes_text(
    old: ResultsFolder,
    new: ResultsFolder,
    different: Differences,
    tables: Sequence[TableChanges],
    tolerance: Tolerance,
    rows: int,
) -> str:
    """The whole report: folders, what differs between the analyses, what moved, then table by table.

    `rows` is the most lines of one table.
    """
    moved = [table for table in tables if table.changed]
    in_order = sorted(moved, key=lambda table: (-_size(table), table.table))
    parts = [
        [_folder("old", old), _folder("new", new), *(f"note  {note}" for note in different.notes)],
        _why(different, any_moved=bool(moved)),
        _in_short(tables) if moved else [],
        _overview(in_order, tables, different, tolerance),
        _words(in_order, rows),
        *(_details(table, tolerance, rows) for table in in_order if table.moved),
    ]
    return "\n\n".join("\n".join(_cut(line) for line in part) for part in parts if part)


def _folder(name: str, results: ResultsFolder) -> str:
    said = [f"{word} {results.manifest.get(word, 'not stated')}" for word in ("campaign", "analysis")]
    versions = results.manifest.get("versions")
    said += [f"tapeline {versions.get('tapeline')}"] if isinstance(versions, dict) else []
    return f"{name}   {results.folder}   {', '.join(said)}"


def _why(different: Differences, *, any_moved: bool) -> list[str]:
    causes = different.causes
    lines = ["What differs between the two analyses"]
    lines += [f"  {cause.kind:<8} {cause.name}: {_arrow(cause)}" for cause in causes[:MOST_CAUSES]]
    lines += [f"  … and {len(causes) - MOST_CAUSES} more"] if len(causes) > MOST_CAUSES else []
    lines += _sensitivities(different)
    if not causes:
        lines.append("  nothing: settings, inputs, versions and steps are the same")
    if not any_moved:
        return lines if causes or different.sensitivities else []
    if len(causes) == 1:
        lines.append("  It is the only difference, so it is the cause of what moved.")
    elif causes:
        lines.append(f"  What moved is due to these {len(causes)} differences together.")
    else:
        lines.append("  Same inputs, other results: the code, or a library that the manifest does not list, changed.")
    return lines


def _arrow(cause: Cause) -> str:
    if cause.new == "(absent)":
        return f"gone (was {cause.old})"
    return f"added ({cause.new})" if cause.old == "(absent)" else f"{cause.old} -> {cause.new}"


def _sensitivities(different: Differences) -> list[str]:
    changed = different.sensitivities
    if not changed:
        return []
    sized = [each for each in changed if each.change_db is not None]
    most = max(sized, key=lambda each: abs(each.change_db or 0.0), default=changed[0])
    others = [each for each in changed if each.change_db is None and each is not most]
    lines = [f"  and so   {len(changed)} of {different.channels} sensitivities differ; most at {_sensitivity(most)}"]
    lines += [f"           and {_sensitivity(each)}" for each in others[:2]]
    return lines


def _sensitivity(each: SensitivityChange) -> str:
    size = "no size" if each.change_db is None else f"{each.change_db:+.3g} dB"
    values = " -> ".join("none" if v is None else f"{1000 * v:.5g}" for v in (each.old_v_per_pa, each.new_v_per_pa))
    sources = each.old_source if each.old_source == each.new_source else f"{each.old_source} -> {each.new_source}"
    return f"{each.place}: {size} ({values} mV/Pa; {sources})"


def _in_short(tables: Sequence[TableChanges]) -> list[str]:
    """One line for each thing that reports quote, moved or not."""
    by_name = {table.table: table for table in tables}
    lines = []
    for words, name, column in IN_SHORT:
        table = by_name.get(name)
        if table is not None and table.matched_rows and not table.rekeyed:
            lines.append((words, _of_column(table, column)))
    return ["In short", *_aligned(lines, numeric=set(), cut={1: WIDTH})] if lines else []


def _of_column(table: TableChanges, name: str) -> str:
    """What is said of a column, which one of the two may not have."""
    states = (
        (table.columns_only_old, "the column is gone"),
        (table.columns_only_new, "the column is new"),
        (table.retyped, "of another type, not compared"),
    )
    whole = next((words for names, words in states if name in names), None)
    return whole or _said(table, table.columns.get(name))


def _said(table: TableChanges, column: ColumnChanges | None) -> str:
    of_all = f"of {table.matched_rows:,}"
    if column is None or not column.cells:
        return f"none {of_all} changed"
    cells = f"{column.cells:,} {of_all}"
    if column.words:
        kinds = column.words.most_common(WORD_KINDS)
        rest = ", …" if len(column.words) > len(kinds) else ""
        return f"{cells}: {', '.join(f'{_arrow_of(*words)} ({count})' for words, count in kinds)}{rest}"
    came = [f"{n:,} {word}" for n, word in ((column.appeared, "appeared"), (column.vanished, "vanished")) if n]
    most = column.largest
    sized = f"at most {_change(most)} at {_row_of(most)}" if most else "none with a size"
    return f"{cells}: {', '.join([*came, sized])}"


def _arrow_of(old: str, new: str) -> str:
    return f"{_short(old, 24)} -> {_short(new, 24)}"


def _change(moved: Moved) -> str:
    """The size of a change, as far as it has one."""
    return "no size" if moved.change is None else f"{moved.change:+.3g} {moved.change_unit}".rstrip()


def _overview(
    moved: Sequence[TableChanges], tables: Sequence[TableChanges], different: Differences, tolerance: Tolerance
) -> list[str]:
    through = [line for said in moved_through(moved, different) for line in wrapped(said, WIDTH)]
    beyond = [table for table in moved if table.moved]
    limit = f" by more than {tolerance.words()}" if tolerance.any else ""
    if not moved:
        return [f"Nothing moved: {_same(tables)}"]
    if not beyond:
        return [f"Nothing moved{limit}; below that:", *_overview_table(moved), *through]
    others = (
        ("within it", [table for table in moved if table not in beyond]),
        ("the same", [table for table in tables if not table.changed]),
    )
    rest = "".join(f"; {word}: {', '.join(sorted(each.table for each in found))}" for word, found in others if found)
    said = f"What moved{limit}: {len(beyond)} of {len(tables)} tables{rest}"
    return [*wrapped(said, WIDTH, 0), *_overview_table(beyond), *through]


def _same(tables: Sequence[TableChanges]) -> str:
    rows = sum(table.new_rows for table in tables)
    rewritten = sorted(table.table for table in tables if table.bytes_differ)
    counted, verb = ("1 table", "is") if len(tables) == 1 else (f"{len(tables)} tables", "are")
    text = f"{counted} with {rows:,} {'row' if rows == 1 else 'rows'} {verb} the same"
    return f"{text}; written with other bytes: {', '.join(rewritten)}" if rewritten else text


def _overview_table(moved: Sequence[TableChanges]) -> list[str]:
    head = ("table", "rows", "changed", "gone", "new", "largest", "where")
    lines = [head, *(_overview_row(table) for table in moved)]
    return _aligned(lines, numeric={1, 2, 3, 4, 5})


def _overview_row(table: TableChanges) -> TableRow:
    most = table.largest_in_db
    counts = (table.new_rows, table.changed_rows, table.only_old, table.only_new)
    if most:
        return (table.table, *(f"{count:,}" for count in counts), _change(most), f"{most.column} at {_row_of(most)}")
    first = min(table.changed_columns, key=_importance, default=None)
    said = f"{first.column}: {_said(table, first)}" if first else _columns_that_differ(table) or "–"
    return (table.table, *(f"{count:,}" for count in counts), "–", said)


def _words(moved: Sequence[TableChanges], rows: int) -> list[str]:
    """Findings, verdicts and states that say another word."""
    found = [
        (FIRST_WORDS.index(column.column), table.table, column)
        for table in moved
        for column in table.changed_columns
        if column.words and column.column in FIRST_WORDS
    ]
    lines = []
    for _, name, column in sorted(found, key=lambda each: each[:2])[:rows]:
        kinds = column.words.most_common(WORD_KINDS)
        first = column.first_of[kinds[0][0]]
        said = ", ".join(f"{old} -> {new} ({count})" for (old, new), count in kinds)
        rest = len(column.words) - len(kinds)
        said += f", {rest} other changes" if rest else ""
        lines.append((f"{name}.{column.column}", f"{column.cells:,}", said, f"first at {_row_of(first)}"))
    more = len(found) - len(lines)
    table = _aligned(lines, numeric={1}, cut={2: 56})
    return ["Words that changed", *table, *([f"  … and {more} more"] if more > 0 else [])] if lines else []


def _details(table: TableChanges, tolerance: Tolerance, rows: int) -> list[str]:
    changed = f"{table.changed_rows:,} of {table.new_rows:,} rows changed"
    came = [f"{count:,} {word}" for count, word in ((table.only_old, "gone"), (table.only_new, "new")) if count]
    lines = [f"{table.table}: {', '.join([changed, *came])}", *_shape(table)]
    columns = sorted(table.changed_columns, key=_importance)
    cells = [_column_row(column, tolerance) for column in columns[:rows]]
    head = ("column", "cells", *(("beyond",) if tolerance.any else ()), "largest", "old -> new", "where")
    numeric = {1, 2, 3} if tolerance.any else {1, 2}
    lines += _aligned([head, *cells], numeric=numeric, cut={len(head) - 2: 36}) if cells else []
    return [*lines, *([f"  … and {len(columns) - rows} more columns"] if len(columns) > rows else [])]


def _shape(table: TableChanges) -> list[str]:
    """Rows, parts and columns that only one of the two has."""
    sides = (
        ("gone", table.parts_only_old, table.old_examples, table.only_old, table.columns_only_old),
        ("new", table.parts_only_new, table.new_examples, table.only_new, table.columns_only_new),
    )
    lines = []
    for word, parts, examples, count, columns in sides:
        lines += [f"  {word}: {listed(parts, MOST_NAMES)}"] if parts else []
        if examples:
            rest = count - len(examples)
            lines.append(f"  {word}: {'; '.join(examples)}{f' and {rest:,} more' if rest > 0 and not parts else ''}")
        lines += [f"  columns {word}: {listed(columns, MOST_NAMES)}"] if columns else []
    lines += [f"  of another type, not compared: {listed(table.retyped, MOST_NAMES)}"] if table.retyped else []
    lines += [f"  rows cannot be matched, the key is another: {table.rekeyed}"] if table.rekeyed else []
    return lines


def _columns_that_differ(table: TableChanges) -> str:
    """Columns that only one of the two has."""
    sides = (("gone", table.columns_only_old), ("new", table.columns_only_new))
    return "; ".join(f"columns {word}: {listed(columns, MOST_NAMES)}" for word, columns in sides if columns)


def _importance(column: ColumnChanges) -> tuple[int, float, bool, str]:
    """Words that people act on, then what is beyond the tolerance, in dB before other units; the largest first."""
    if column.column in FIRST_WORDS:
        return 0, float(FIRST_WORDS.index(column.column)), False, column.column
    in_db = column.scale is not None and column.scale.in_db
    place = 1 if in_db and column.largest else 2 if column.scale is None else 3
    size, is_level = column.rank
    return (place if column.beyond else place + 3), -size, not is_level, column.column


def _column_row(column: ColumnChanges, tolerance: Tolerance) -> TableRow:
    counts = (f"{column.cells:,}", *((f"{column.beyond:,}",) if tolerance.any else ()))
    best = column.largest or column.unsized
    if column.words:
        (old, new), _ = column.words.most_common(1)[0]
        best = column.first_of[old, new]
        return (column.column, *counts, "word", _arrow_of(old, new), _row_of(best))
    if best is None:
        return (column.column, *counts, "–", "–", "–")
    came = [f"{n:,} {word}" for n, word in ((column.appeared, "appeared"), (column.vanished, "vanished")) if n]
    values = f"{_cell(best.old)} -> {_cell(best.new)}" + (f" ({', '.join(came)})" if came else "")
    return (column.column, *counts, _change(best), values, _row_of(best))


def _cell(value: Cell) -> str:
    return "(empty)" if value is None else value_words(value)


def _row_of(moved: Moved) -> str:
    return f"{moved.row}, {moved.item}" if moved.item else moved.row


def _size(table: TableChanges) -> float:
    most = table.largest_in_db
    return abs(most.change or 0.0) if most else 0.0


def _short(text: str, most: int) -> str:
    return text if len(text) <= most else text[: most - 1] + "…"


def _cut(line: str) -> str:
    return _short(line, WIDTH)


def _aligned(rows: Iterable[TableRow], numeric: set[int], cut: dict[int, int] | None = None) -> list[str]:
    """Columns below each other, two spaces in; numbers to the right."""
    every = [tuple(_short(cell, (cut or {}).get(place, 64)) for place, cell in enumerate(row)) for row in rows]
    return aligned_columns(every, numeric)
