"""The register of limits is complete: no judged number elsewhere, every one used, with a unit and an origin."""

from __future__ import annotations

import ast
import importlib.util
import io
import itertools
import re
import sys
import tokenize
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType

import pytest

ROOT = Path(__file__).resolve().parents[1]
SOURCE = ROOT / "src" / "tapeline"
REGISTER = SOURCE / "limits.py"
MARK = re.compile(r"own choice|from memory", re.IGNORECASE)

DECLARATIONS = {"setting_sections.py", "setting_numbers.py", "table_columns.py"}
"""Settings and columns of the input tables say the origin of their ranges where they are declared."""

FORMATS = {("data_sheet.py", "SELECTORS")}
"""Codes of a file format, remembered: no limits."""

ORIGINS = (
    "own choice",
    "from memory",
    "common practice",
    "computed",
    "simulated",
    "ISO",
    "IEC",
    "GUM",
    "NIST",
    "NAME_MAX",
    "Harris",
    "Bendat",
    "Bancroft",
)


@pytest.fixture(scope="module")
def reference() -> ModuleType:
    spec = importlib.util.spec_from_file_location("make_reference", ROOT / "docs" / "make_reference.py")
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


def marked_values(path: Path) -> Iterator[str]:
    """Names of constants and lines of comments that a file marks as a choice or as remembered.

    The docstring of a function may name a formula's source as remembered: that marks no value.
    """
    source = path.read_text(encoding="utf-8")
    for value, text in itertools.pairwise(ast.parse(source).body):
        if isinstance(value, ast.Assign | ast.AnnAssign) and isinstance(text, ast.Expr):
            name = ast.unparse(value.targets[0] if isinstance(value, ast.Assign) else value.target)
            if MARK.search(" ".join(ast.unparse(text).split())) and (path.name, name) not in FORMATS:
                yield name
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.FunctionDef | ast.ClassDef | ast.Module) and re.search(
            "own choice", " ".join((ast.get_docstring(node) or "").split()), re.IGNORECASE
        ):
            yield f"docstring of {getattr(node, 'name', 'the module')}"
    for token in tokenize.generate_tokens(io.StringIO(source).readline):
        if token.type == tokenize.COMMENT and MARK.search(token.string):
            yield token.string


def test_judged_numbers_stand_in_the_register_alone() -> None:
    files = [path for path in SOURCE.rglob("*.py") if path != REGISTER and path.name not in DECLARATIONS]
    assert {path.name: found for path in files if (found := list(marked_values(path)))} == {}


def test_every_limit_is_used(reference: ModuleType) -> None:
    used = {
        alias.name
        for path in SOURCE.rglob("*.py")
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.ImportFrom) and node.module == "tapeline.limits"
        for alias in node.names
    }
    assert {limit.name for limit in reference.register()} == used


def test_every_limit_says_what_it_limits_in_which_unit_and_where_it_comes_from(reference: ModuleType) -> None:
    for limit in reference.register():
        assert limit.unit, limit.name
        assert limit.meaning.endswith("."), limit.name
        assert any(known in limit.origin for known in ORIGINS), limit.name
        assert len(limit.origin) > len("own choice"), f"{limit.name} gives no reason"


def test_register_holds_every_constant_of_its_file(reference: ModuleType) -> None:
    tree = ast.parse(REGISTER.read_text(encoding="utf-8"))
    assigned = [node for node in tree.body if isinstance(node, ast.Assign | ast.AnnAssign)]
    assert len(assigned) == len(reference.register()) > 200
    assert [node.module for node in tree.body if isinstance(node, ast.ImportFrom)] == ["__future__", "typing"]


def test_the_page_shows_every_limit_once(reference: ModuleType) -> None:
    page = reference.limits_page()
    assert [line.split("`")[1] for line in page.splitlines() if line.startswith("| `")] == [
        limit.name for limit in reference.register()
    ]
