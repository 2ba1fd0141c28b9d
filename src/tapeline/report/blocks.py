"""What the page is made of: sections of texts, lists, tables and figures. The template writes them, escaped."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import ClassVar, Literal, TypeAlias

from tapeline.report.charts.figure import Figure
from tapeline.report.page_table import PlainTable, Words

Part: TypeAlias = Literal["decide", "compare", "trust", "trace"]

PARTS: dict[Part, str] = {
    "decide": "Decide",
    "compare": "Compare",
    "trust": "Trust",
    "trace": "Trace",
}
"""The parts of the page in their order, with their headings."""


@dataclass(frozen=True)
class Prose:
    """A paragraph; `role` is a class of the style sheet: "note", "none", "lead"."""

    words: Words
    role: str = ""
    kind: ClassVar[str] = "prose"


@dataclass(frozen=True)
class Bullets:
    """A list of sentences."""

    items: Sequence[Words]
    ordered: bool = False
    role: str = ""
    kind: ClassVar[str] = "bullets"


@dataclass(frozen=True)
class Facts:
    """Names with what is said of each."""

    rows: Sequence[tuple[str, Words]]
    kind: ClassVar[str] = "facts"


@dataclass(frozen=True)
class Heading:
    """A heading within a section; `key` is its anchor."""

    words: str
    key: str = ""
    kind: ClassVar[str] = "heading"


@dataclass(frozen=True)
class TableBlock:
    """A table, or the sentence that it has no rows."""

    table: PlainTable
    kind: ClassVar[str] = "table"


@dataclass(frozen=True)
class FigureBlock:
    """A figure."""

    figure: Figure
    kind: ClassVar[str] = "figure"


@dataclass(frozen=True)
class Fold:
    """Blocks that are opened by their title; `key` is the anchor, `role` a class of the style sheet."""

    title: str
    blocks: Sequence[Block]
    key: str = ""
    is_open: bool = False
    role: str = ""
    choice: tuple[tuple[str, str], ...] = ()
    kind: ClassVar[str] = "fold"


@dataclass(frozen=True)
class Group:
    """Blocks that stand together; `choice` are names and values by which a reader chooses among groups."""

    blocks: Sequence[Block]
    key: str = ""
    role: str = ""
    choice: tuple[tuple[str, str], ...] = ()
    kind: ClassVar[str] = "group"


@dataclass(frozen=True)
class Template:
    """A part of the page that has a template of its own, with what it prints."""

    file: str
    content: dict[str, object] = field(default_factory=dict)
    kind: ClassVar[str] = "template"


Block: TypeAlias = "Prose | Bullets | Facts | Heading | TableBlock | FigureBlock | Fold | Group | Template"


@dataclass(frozen=True)
class Section:
    """One section of the page: its anchor, heading and blocks; `is_folded` where only those who look for it need it."""

    key: str
    title: str
    part: Part
    blocks: Sequence[Block]
    is_folded: bool = False


def figures(blocks: Sequence[Block]) -> Iterator[Figure]:
    """All figures of some blocks, in their order."""
    for block in blocks:
        if isinstance(block, FigureBlock):
            yield block.figure
        elif isinstance(block, (Fold, Group)):
            yield from figures(block.blocks)
