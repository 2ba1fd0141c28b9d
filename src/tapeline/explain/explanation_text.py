"""An explanation as plain text: a line a factor, columns below each other, sentences wrapped."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator

from tapeline.explain.explanation import Chapter, Explanation, Fact, Heading, Listing, plain_value
from tapeline.report.wording import NO_VALUE
from tapeline.text_columns import wrapped, wrapped_columns

NOTHING = "none"
"""What an empty list says."""

LEAST_FIXED, MOST_FIXED = 1e-3, 1e7
"""Sizes between which numbers stand without a power of ten."""


def explanation_text(explanation: Explanation, width: int) -> str:
    """The explanation in lines of at most `width` characters, as far as its columns allow."""
    lines = [*wrapped(explanation.title, width, 0)]
    lines += [line for sentence in explanation.answer for line in wrapped(sentence, width)]
    for chapter in explanation.chapters:
        lines += ["", chapter.title, *_chapter_lines(chapter, width)]
    return "\n".join(lines)


def _chapter_lines(chapter: Chapter, width: int) -> Iterator[str]:
    """Facts that follow each other share their columns."""
    for kind, group in itertools.groupby(chapter.parts, type):
        parts = list(group)
        if kind is Fact:
            facts = [each for each in parts if isinstance(each, Fact) and (each.value is not None or each.source)]
            rows = [(each.words, with_unit(each.value, each.unit), each.source) for each in facts]
            if not any(each.source for each in facts):
                rows = [row[:2] for row in rows]  # type: ignore[misc]
            yield from (line for row in wrapped_columns(rows, {}, width) for line in row)
        elif kind is Listing:
            for part in parts:
                yield from _list_lines(part, width)  # type: ignore[arg-type]
        else:
            yield from (line for sentence in parts for line in wrapped(str(sentence), width))


def _list_lines(listing: Listing, width: int) -> Iterator[str]:
    """The rows below their headings; what is empty in every row has no column."""
    rows = [{name: plain_value(cell) for name, cell in row.items()} for row in listing.rows]
    shown = [each for each in listing.headings if any(row.get(each.key) not in (None, "", []) for row in rows)]
    if not shown:
        return
    if listing.form == "sentence":
        said = "; ".join(" ".join(with_unit(row.get(each.key), each.unit) for each in shown) for row in rows)
        yield from wrapped(f"{listing.title}: {said}.", width)
        return
    if listing.title:
        yield f"  {listing.title}"
    if listing.form == "columns":
        turned = [[each.words, *(with_unit(row.get(each.key), each.unit) for row in rows)] for each in shown]
        yield from (line for row in wrapped_columns(turned, {}, width) for line in row)
        return
    heads = [f"{each.words} [{each.unit}]" if each.unit else each.words for each in shown]
    cells = [[cell_text(row.get(each.key), each) for each in shown] for row in rows]
    numeric = {
        place
        for place, each in enumerate(shown)
        if all(_is_number(row.get(each.key)) or row.get(each.key) is None for row in rows)
    }
    yield from (line for row in wrapped_columns([heads, *cells], numeric, width) for line in row)


def cell_text(value: object, heading: Heading) -> str:
    """One cell of a list; its unit stands in the heading."""
    return value_text(value, heading.unit, heading.digits)


def with_unit(value: object, unit: str) -> str:
    """A value with its unit; a dash alone where there is none."""
    text = value_text(value, unit)
    return f"{text} {unit}" if unit and text not in (NO_VALUE, NOTHING) else text


def value_text(value: object, unit: str = "", digits: int = 8) -> str:
    """A value in words: levels with three decimals, others with so many digits; enough to redo them by hand."""
    value = plain_value(value)
    if value is None or value == "":
        return NO_VALUE if value is None else ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, list):
        return ", ".join(value_text(each, unit) for each in value) or NOTHING
    if isinstance(value, float) and unit.startswith("dB"):
        return f"{round(value, 3) + 0.0:.3f}"
    if isinstance(value, float):
        return _number(value, digits)
    return str(value)


def _number(value: float, digits: int) -> str:
    if value == 0.0 or LEAST_FIXED <= abs(value) < MOST_FIXED:
        return f"{value:.{digits}g}" if not math.isclose(value, round(value), rel_tol=1e-12) else f"{value:.0f}"
    return f"{value:.{digits - 1}e}"


def _is_number(value: object) -> bool:
    return isinstance(plain_value(value), int | float) and not isinstance(value, bool)
