"""YAML with the line and column of every key and value.

Plain scalars follow the core schema of YAML 1.2 (https://yaml.org/spec/1.2.2/#103-core-schema): `yes`, `off`, `12:30`
and `2024-05-03` stay text and `1e-5` is a number, so that a condition may be called `off`.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeAlias

import yaml

from tapeline.campaign.faults import Fault, quoted
from tapeline.campaign.text_source import read_text
from tapeline.limits import YAML_NESTING_LEVELS, YAML_VALUES

KeyPath: TypeAlias = tuple[str | int, ...]

LOADER: Any = getattr(yaml, "CSafeLoader", yaml.SafeLoader)
INTEGER = re.compile(r"[-+]?[0-9]{1,18}")
FLOAT = re.compile(r"[-+]?(\.[0-9]+|[0-9]+(\.[0-9]*)?)([eE][-+]?[0-9]+)?")
INFINITE = re.compile(r"[-+]?\.(inf|Inf|INF)")
WORDS = {"true": True, "True": True, "TRUE": True, "false": False, "False": False, "FALSE": False}
NOTHING = ("", "~", "null", "Null", "NULL")
PLAIN_STYLES = (None, "")  # the pure Python parser gives the first, the compiled one the second
NOT_A_NUMBER = (".nan", ".NaN", ".NAN")
MERGE_TAG = "tag:yaml.org,2002:merge"
CORE_TAGS = frozenset(
    f"tag:yaml.org,2002:{name}"
    for name in ("str", "int", "float", "bool", "null", "map", "seq", "merge", "timestamp", "value")
)
FORBIDDEN = re.compile("[^\t\n\r\x20-\x7e\x85\xa0-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
HINTS = (
    ("cannot start any token", "indent with spaces, not tabs, and put text that starts with a special sign in quotes"),
    ("mapping values are not allowed", 'put text that contains ": " in quotes, and check the indentation'),
    ("expected ',' or", "check that every bracket and brace is closed"),
    ("could not find expected ':'", 'every line of a section reads "key: value"'),
    ("did not find expected key", "check the indentation"),
)


@dataclass(frozen=True)
class Place:
    """Line and column of a key or value, both from 1."""

    line: int
    column: int


@dataclass(frozen=True)
class YamlDocument:
    """Plain Python data and where each of its keys and values stands."""

    file: str
    data: Any
    values: dict[KeyPath, Place] = field(default_factory=dict)
    keys: dict[KeyPath, Place] = field(default_factory=dict)

    def place(self, path: KeyPath, of_key: bool = False) -> Place:
        """The place of the value (or key) at `path`; of the nearest one above it where there is none."""
        while True:
            found = self.keys.get(path) if of_key else None
            found = found or self.values.get(path)
            if found is not None or not path:
                return found or Place(1, 1)
            path = path[:-1]
            of_key = True

    def fault(self, path: KeyPath, found: str, expected: str, mend: str | None = None, of_key: bool = False) -> Fault:
        """A fault at the place of `path`."""
        place = self.place(path, of_key)
        return Fault(self.file, place.line, place.column, found, expected, mend)


def read_yaml(path: Path, shown: str, faults: list[Fault]) -> YamlDocument | None:
    """Read one YAML file; None where nothing can be used. Faults go to `faults` under the file name `shown`."""
    text = read_text(path, shown, faults)
    if text is None:
        return None
    forbidden = FORBIDDEN.search(text)
    if forbidden is not None:
        before = text[: forbidden.start()]
        column = forbidden.start() - before.rfind("\n")
        found = f"the control character {forbidden.group()!a}"
        faults.append(Fault(shown, before.count("\n") + 1, column, found, "printable text"))
        return None
    try:
        root = yaml.compose(text, Loader=LOADER)
    except yaml.YAMLError as error:
        faults.append(_syntax_fault(error, shown))
        return None
    except RecursionError:
        faults.append(Fault(shown, None, None, "sections nested too deeply to read", "a few levels"))
        return None
    if root is None:
        faults.append(Fault(shown, None, None, "an empty file", "the settings of a campaign"))
        return None
    builder = _Builder(YamlDocument(shown, None), faults)
    data = builder.value(root, (), ())
    return YamlDocument(shown, data, builder.document.values, builder.document.keys)


def _syntax_fault(error: yaml.YAMLError, shown: str) -> Fault:
    mark = getattr(error, "problem_mark", None) or getattr(error, "context_mark", None)
    problem = getattr(error, "problem", None) or str(error)
    hint = next((hint for part, hint in HINTS if part in problem), None)
    line, column = (None, None) if mark is None else (mark.line + 1, mark.column + 1)
    return Fault(shown, line, column, f"text that is not YAML ({problem})", 'YAML: lines of "key: value"', hint)


class _Builder:
    """Turns composed nodes into plain data, noting places and faults."""

    def __init__(self, document: YamlDocument, faults: list[Fault]) -> None:
        self.document = document
        self.faults = faults
        self.count = 0

    def fault(self, node: yaml.Node, found: str, expected: str, mend: str | None = None) -> None:
        place = _place(node)
        self.faults.append(Fault(self.document.file, place.line, place.column, found, expected, mend))

    def value(self, node: yaml.Node, path: KeyPath, above: tuple[yaml.Node, ...]) -> Any:
        self.count += 1
        if any(node is outer for outer in above) or len(above) > YAML_NESTING_LEVELS or self.count > YAML_VALUES:
            if self.count <= YAML_VALUES + 1:
                self.fault(node, "sections nested or repeated without end", f"at most {YAML_NESTING_LEVELS} levels")
            return None
        self.document.values[path] = _place(node)
        if node.tag not in CORE_TAGS:
            self.fault(node, f"the tag {quoted(node.tag)}", "plain text, numbers, lists and sections")
            return None
        if isinstance(node, yaml.MappingNode):
            return self.mapping(node, path, (*above, node))
        if isinstance(node, yaml.SequenceNode):
            inner = (*above, node)
            return [self.value(item, (*path, index), inner) for index, item in enumerate(node.value)]
        return _scalar(node) if isinstance(node, yaml.ScalarNode) else None

    def mapping(self, node: yaml.MappingNode, path: KeyPath, above: tuple[yaml.Node, ...]) -> dict[str, Any]:
        result: dict[str, Any] = {}
        for source in self.merge_sources(node):
            taken = self.value(source, path, above)
            for key, value in taken.items() if isinstance(taken, dict) else ():
                result.setdefault(key, value)
        own: dict[str, Place] = {}
        for key_node, value_node in node.value:
            if key_node.tag == MERGE_TAG:
                continue
            if not isinstance(key_node, yaml.ScalarNode):
                self.fault(key_node, "a list or section as a key", "a word as a key")
                continue
            key = str(key_node.value)
            if key in own:
                expected = f"it once (it stands in line {own[key].line} already)"
                self.fault(key_node, f"the key {quoted(key)} again", expected)
                continue
            here = (*path, key)
            own[key] = self.document.keys[here] = _place(key_node)
            result[key] = self.value(value_node, here, above)
        return result

    def merge_sources(self, node: yaml.MappingNode) -> Iterator[yaml.MappingNode]:
        for key_node, value_node in node.value:
            if key_node.tag != MERGE_TAG:
                continue
            sources = value_node.value if isinstance(value_node, yaml.SequenceNode) else [value_node]
            for source in sources:
                if isinstance(source, yaml.MappingNode):
                    yield source
                else:
                    self.fault(source, 'a "<<" without a section to take over', "an alias of a section")


def _place(node: yaml.Node) -> Place:
    return Place(node.start_mark.line + 1, node.start_mark.column + 1)


def _scalar(node: yaml.ScalarNode) -> str | int | float | bool | None:
    """The value of a scalar by YAML 1.2's core schema; quoted scalars are text."""
    text = str(node.value)
    if node.style not in PLAIN_STYLES:
        return text
    if text in NOTHING:
        return None
    if text in WORDS:
        return WORDS[text]
    if INTEGER.fullmatch(text):
        return int(text)
    if FLOAT.fullmatch(text):
        return float(text)
    if INFINITE.fullmatch(text):
        return float("-inf" if text.startswith("-") else "inf")
    return float("nan") if text in NOT_A_NUMBER else text
