"""What an explanation is made of: chapters of facts with value, unit and source, lists of rows, and sentences."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal, TypeAlias

import numpy as np

Value: TypeAlias = str | int | float | bool | Sequence["Value"] | None
"""What a fact or a cell holds; numbers are whole, as they were computed with."""

ListRow: TypeAlias = Mapping[str, object]


class NotExplainedError(Exception):
    """Nothing can be explained, with the reason in a sentence; `status` is the exit status that it ends with."""

    def __init__(self, sentence: str, status: int) -> None:
        super().__init__(sentence)
        self.status = status


@dataclass(frozen=True)
class Fact:
    """One value of the chain: its key and words, the value in `unit`, and where it stands or why it is so."""

    key: str
    words: str
    value: Value
    unit: str = ""
    source: str = ""


@dataclass(frozen=True)
class Heading:
    """A column of a list: the key of its cells, the words above them, their unit, and the digits that text shows."""

    key: str
    words: str
    unit: str = ""
    digits: int = 8


@dataclass(frozen=True)
class Listing:
    """Rows of one kind, such as background runs. A column that is empty in all rows is not printed.

    `form` is how text shows them: a line a row, a column a row where there are many columns, or all in one sentence.
    """

    key: str
    title: str
    headings: tuple[Heading, ...]
    rows: tuple[ListRow, ...]
    form: Literal["lines", "columns", "sentence"] = "lines"


Part: TypeAlias = Fact | Listing | str


@dataclass(frozen=True)
class Chapter:
    """One link of the chain; sentences among its parts say how numbers follow from each other."""

    key: str
    title: str
    parts: tuple[Part, ...]


@dataclass(frozen=True)
class Explanation:
    """The whole chain of one number. `subject` names the number by plain values, `answer` says it in sentences."""

    title: str
    subject: Mapping[str, Value]
    answer: tuple[str, ...]
    chapters: tuple[Chapter, ...]


def as_plain(explanation: Explanation) -> dict[str, object]:
    """The explanation as JSON takes it: a chapter by its key, in it each fact and list by its own."""
    return {
        "title": explanation.title,
        "subject": {name: plain_value(value) for name, value in explanation.subject.items()},
        "answer": list(explanation.answer),
        "chapters": {chapter.key: _plain_chapter(chapter) for chapter in explanation.chapters},
    }


def _plain_chapter(chapter: Chapter) -> dict[str, object]:
    found: dict[str, object] = {"title": chapter.title}
    sentences = [part for part in chapter.parts if isinstance(part, str)]
    for part in chapter.parts:
        if isinstance(part, Fact):
            entry = {"value": plain_value(part.value), "unit": part.unit, "words": part.words, "source": part.source}
            found[part.key] = {name: cell for name, cell in entry.items() if name == "value" or cell != ""}
        elif isinstance(part, Listing):
            found[part.key] = [{name: plain_value(cell) for name, cell in row.items()} for row in part.rows]
    return found | ({"sentences": sentences} if sentences else {})


def plain_value(value: object) -> object:
    """A value without types of numpy; numbers that are not finite become None, which JSON has a word for."""
    if isinstance(value, np.ndarray | np.generic):
        return plain_value(value.tolist())
    if isinstance(value, bool):
        return value
    if isinstance(value, str) or value is None:
        return value
    if isinstance(value, int):
        return value
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, Sequence):
        return [plain_value(each) for each in value]
    raise TypeError(f"{type(value).__name__} in an explanation")
