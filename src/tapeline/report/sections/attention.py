"""What needs attention, with next actions, and what is not known."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from tapeline.campaign.model import Campaign
from tapeline.report.attention import attention_lines
from tapeline.report.attention_item import Attention
from tapeline.report.blocks import Block, Bullets, Fold, Heading, Prose, Section
from tapeline.report.finished_tables import FinishedTables
from tapeline.report.page_table import Link, Marked, Words
from tapeline.report.what_is_not_known import open_questions
from tapeline.report.wording import counted

MOST_SHOWN, MOST_LINES = 6, 60


def attention_sections(tables: FinishedTables, campaign: Campaign) -> list[Section]:
    """The list, the worst first: what is unusable or doubtful at once, the rest and notes folded."""
    lines = attention_lines(tables, campaign)
    grave = [line for line in lines if line.severity != "note"]
    first, rest = grave[:MOST_SHOWN], [*grave[MOST_SHOWN:], *lines[len(grave) :]]
    blocks: list[Block] = [Prose(_counts(lines))]
    if first:
        blocks.append(Bullets([line_words(line) for line in first]))
    if rest:
        blocks.append(Fold(_rest_title(rest), (Bullets([line_words(line) for line in rest[:MOST_LINES]]), *_cut(rest))))
    questions = open_questions(tables, campaign)
    blocks += [Heading("What is not known", "not-known"), Bullets(questions)]
    return [Section("attention", "What needs attention", "trust", blocks)]


def line_words(line: Attention) -> Words:
    """One line: how bad, where as a link to what it is about, what was found, what to do next."""
    where = Link(line.where, line.href) if line.href else line.where
    return Marked(line.severity, line.severity), ": ", where, f": {line.found}. Next: {line.action}."


def _counts(lines: Sequence[Attention]) -> str:
    if not lines:
        return "Nothing needs attention."
    counts = Counter(line.severity for line in lines)
    said = [f"{counts[name]:,} {name}" for name in ("unusable", "doubtful") if counts[name]]
    said += [counted(counts["note"], "note")] if counts["note"] else []
    return f"{', '.join(said)}."


def _rest_title(rest: Sequence[Attention]) -> str:
    grave = sum(line.severity != "note" for line in rest)
    notes = len(rest) - grave
    return " and ".join(
        part for part in (f"{grave} more" if grave else "", counted(notes, "note") if notes else "") if part
    )


def _cut(rest: Sequence[Attention]) -> list[Block]:
    return [] if len(rest) <= MOST_LINES else [Prose(f"{len(rest) - MOST_LINES:,} more are left out here.", "note")]
