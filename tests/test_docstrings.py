"""Every public function and class of the numerics says in one sentence what comes out of it."""

from __future__ import annotations

import ast
import doctest
import importlib
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

SOURCE = Path(__file__).resolve().parents[1] / "src" / "tapeline"
FILES = sorted(path for name in ("acoustics", "statistics", "calibration") for path in (SOURCE / name).glob("*.py"))
WITH_EXAMPLES = [path for path in FILES if ">>>" in path.read_text(encoding="utf-8")]

PRIVATE_WORDS = re.compile(r"\b(rung|odd one|taken off|goes with|hum|papers|hold each|held against)\b", re.IGNORECASE)
"""Words that only this project used for calibrated, background-corrected, mains interference and the like."""


def public(body: list[ast.stmt], prefix: str = "") -> Iterator[tuple[str, str | None]]:
    """Names and docstrings of public functions and classes, with the methods of those classes."""
    for node in body:
        if isinstance(node, ast.FunctionDef | ast.ClassDef) and not node.name.startswith("_"):
            yield prefix + node.name, ast.get_docstring(node)
            if isinstance(node, ast.ClassDef):
                yield from public(node.body, f"{node.name}.")


def first_lines(path: Path) -> Iterator[tuple[str, str]]:
    """Names of what is public in a file, each with the first paragraph of its docstring."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    for name, text in [("the module", ast.get_docstring(tree)), *public(tree.body)]:
        yield name, " ".join((text or "").split("\n\n")[0].split())


@pytest.mark.parametrize("path", FILES, ids=lambda path: f"{path.parent.name}/{path.name}")
def test_first_sentence_is_whole_and_in_plain_words(path: Path) -> None:
    found = dict(first_lines(path))
    assert {name for name, line in found.items() if not line.endswith(".") or line[0].islower()} == set()
    assert {name: line for name, line in found.items() if PRIVATE_WORDS.search(line)} == {}


@pytest.mark.parametrize("path", WITH_EXAMPLES, ids=lambda path: f"{path.parent.name}/{path.name}")
def test_examples_hold(path: Path) -> None:
    module = importlib.import_module(f"tapeline.{path.parent.name}.{path.stem}")
    found = doctest.testmod(module)
    assert found.attempted > 0
    assert found.failed == 0
