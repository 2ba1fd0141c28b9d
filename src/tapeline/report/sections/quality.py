"""Quality of the recordings: the runs and positions that are not good, as a matrix, and why."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence

from tapeline.campaign.model import Campaign
from tapeline.report.attention import SEVERITY, action_of, reason_groups, sentence_of
from tapeline.report.blocks import Block, Fold, Prose, Section, TableBlock
from tapeline.report.comparison_views import in_table_order
from tapeline.report.finished_tables import FinishedTables, Row
from tapeline.report.page_table import Cell, Link, Marked, PlainTable, without_constant_columns
from tapeline.report.sections.what_was_tested import KIND_WORDS
from tapeline.report.view_names import run_file
from tapeline.report.wording import counted, listed

SIGNS = {"good": "·", "doubtful": "?", "unusable": "✕"}
MOST_RUNS, MOST_POSITIONS, MOST_ROWS = 60, 40, 300
MOST_NAMED = 4


def quality_sections(tables: FinishedTables, campaign: Campaign) -> list[Section]:
    """One sentence where every channel is good; else the matrix of those that are not, and the reasons."""
    bad = [row for row in tables.quality if row["verdict"] != "good"]
    blocks: list[Block] = [Prose(summary_words(tables.quality, tables.run_by_name))]
    if bad:
        blocks.append(TableBlock(matrix_table(tables, campaign, bad)))
    reasons = reasons_table(tables)
    if reasons.rows:
        blocks.append(Fold(f"Reasons, with what to do ({len(reasons.rows)})", (TableBlock(reasons),)))
    return [Section("quality", "Quality of the recordings", "trust", blocks)]


def summary_words(rows: Sequence[Row], run_by_name: Mapping[str, Row]) -> str:
    """How many channels are good, doubtful and unusable, of which recordings, and where most of these are."""
    if not rows:
        return "No recording was looked at."
    judged = {row["run"] for row in rows}
    kinds = Counter(run_by_name[run]["kind"] for run in judged if run in run_by_name)
    named_kinds = listed(counted(kinds[kind], words) for kind, words in KIND_WORDS.items() if kinds[kind])
    runs = f"{counted(len(judged), 'recording')}{f' ({named_kinds})' if named_kinds else ''}"
    counts = Counter(row["verdict"] for row in rows)
    if counts["good"] == len(rows):
        return f"All {counted(len(rows), 'channel')} in {runs} are good."
    bad = Counter(row["run"] for row in rows if row["verdict"] != "good")
    worst = sorted(bad, key=lambda name: (-bad[name], name))
    said = [
        f"{counts[verdict]:,} {'is' if counts[verdict] == 1 else 'are'} {words}"
        for verdict, words in (("unusable", "unusable and left out"), ("doubtful", "doubtful and marked so"))
        if counts[verdict]
    ]
    named = listed((f"{name} ({bad[name]})" for name in worst), MOST_NAMED)
    return (
        f"{counts['good']:,} of {counted(len(rows), 'channel')} in {runs} are good; {', '.join(said)}. "
        f"Channels that are not good, by run: {named}."
    )


def matrix_table(tables: FinishedTables, campaign: Campaign, bad: Sequence[Row]) -> PlainTable:
    """Verdicts run by position, of runs and positions with any that is not good; each leads to the page of its run."""
    times = {row["run"]: row["recorded_at"] or "" for row in tables.runs}
    by_place = {(row["run"], row["position"]): row for row in tables.quality}
    sessions = {row["run"]: row["session"] for row in bad}
    counts = Counter(row["run"] for row in bad)
    worst = sorted(sessions, key=lambda name: (-counts[name], name))[:MOST_RUNS]
    runs = sorted(worst, key=lambda name: (times.get(name, ""), name))
    of_positions = Counter(row["position"] for row in bad)
    most = sorted(of_positions, key=lambda name: (-of_positions[name], name))[:MOST_POSITIONS]
    positions = in_table_order(campaign, most)
    left_out = [
        f"{count - shown} more {noun}"
        for count, shown, noun in (
            (len(sessions), len(runs), "runs"),
            (len(of_positions), len(positions), "positions"),
        )
        if count > shown
    ]
    rest = f" Not shown: {' and '.join(left_out)}; see tables/quality.parquet." if left_out else ""
    table = PlainTable(
        key="quality-matrix",
        caption="Runs and positions that are not good everywhere; a run leads to its page",
        head=("run", "session", *positions, "not good"),
        rows=tuple(
            (
                Link(run, run_file(run)),
                sessions[run],
                *(_cell(by_place.get((run, position)), run) for position in positions),
                str(counts[run]),
            )
            for run in runs
        ),
        numeric=frozenset({len(positions) + 2}),
        note=f"✕ unusable, ? doubtful, · good, blank: not recorded.{rest}",
        role="matrix",
    )
    return without_constant_columns(table, ("session",))


def _cell(row: Row | None, run: str) -> Cell:
    if row is None:
        return ""
    verdict = row["verdict"]
    sign = SIGNS.get(verdict, "?")
    if verdict == "good":
        return sign
    why = "; ".join(sentence_of(row, code) for code in row["reasons"] or ()) or verdict
    return Marked(sign, verdict if verdict in SIGNS else "doubtful", run_file(run), f"{verdict}: {why}")


def reasons_table(tables: FinishedTables) -> PlainTable:
    """Every reason of the quality table, the unusable first."""
    groups = sorted(reason_groups(tables.quality), key=lambda group: SEVERITY[group.severity])
    rows = [
        (
            Link(group.where, run_file(group.runs[0])),
            group.severity,
            group.code,
            group.sentence,
            action_of(group.code),
            str(len(group.runs) * len(group.positions)),
        )
        for group in groups[:MOST_ROWS]
    ]
    return PlainTable(
        key="reasons-table",
        caption="Why a channel is doubtful or unusable",
        head=("where", "verdict", "reason", "what was found", "next action", "channels x runs"),
        rows=tuple(rows),
        numeric=frozenset({5}),
        note=""
        if len(groups) <= MOST_ROWS
        else f"The first {MOST_ROWS} of {len(groups):,}; see tables/quality.parquet.",
    )
