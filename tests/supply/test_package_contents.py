"""Files of packages against what should be in them."""

from __future__ import annotations

import io
import tarfile
import zipfile
from pathlib import Path

import pytest
from scripts import package_contents

INFO = "tapeline-0.1.0.dist-info"
WHEEL = [
    *("tapeline/cli.py", "tapeline/report/page.css", "tapeline/_workflow/Snakefile"),
    *("tapeline/_workflow/workflow/rules/a.smk", f"{INFO}/METADATA", f"{INFO}/RECORD", f"{INFO}/WHEEL"),
    *(f"{INFO}/entry_points.txt", f"{INFO}/licenses/LICENSE"),
]
TREE = [
    *("src/tapeline/cli.py", "src/tapeline/report/page.css", "Snakefile", "workflow/rules/a.smk", "LICENSE"),
    *("README.md", "CHANGELOG.md", "pyproject.toml", ".gitignore", "tests/test_cli.py"),
]


@pytest.fixture
def tree(tmp_path: Path) -> Path:
    for name in [*TREE, "config/README.md"]:
        (tmp_path / "tree" / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / "tree" / name).touch()
    return tmp_path / "tree"


@pytest.mark.parametrize(
    ("without", "more", "said"),
    [
        ([], [], []),
        (["tapeline/report/page.css"], [], ["lacks tapeline/report/page.css"]),
        ([f"{INFO}/licenses/LICENSE"], [], [f"lacks {INFO}/licenses/LICENSE"]),
        ([], ["tests/test_cli.py"], ["holds tests/test_cli.py, which does not belong there"]),
    ],
)
def test_a_wheel(tree: Path, without: list[str], more: list[str], said: list[str]) -> None:
    wheel = tree.parent / "tapeline-0.1.0-py3-none-any.whl"
    with zipfile.ZipFile(wheel, "w") as archive:
        for name in [*(name for name in WHEEL if name not in without), *more]:
            archive.writestr(name, "")
    assert package_contents.wheel_differences(tree, wheel) == [f"{wheel.name} {line}" for line in said]


@pytest.mark.parametrize(
    ("without", "more", "said"),
    [
        ([], [], []),
        (["workflow/rules/a.smk"], [], ["lacks workflow/rules/a.smk"]),
        ([], ["config/README.md"], ["holds config/README.md, which does not belong there"]),
        ([], ["LICENSE"], ["holds LICENSE twice"]),
    ],
)
def test_a_source_distribution(tree: Path, without: list[str], more: list[str], said: list[str]) -> None:
    sources = tree.parent / "tapeline-0.1.0.tar.gz"
    with tarfile.open(sources, "w:gz") as archive:
        for name in [*(name for name in [*TREE, "PKG-INFO"] if name not in without), *more]:
            archive.addfile(tarfile.TarInfo(f"tapeline-0.1.0/{name}"), io.BytesIO())
    assert package_contents.sources_differences(tree, sources) == [f"{sources.name} {line}" for line in said]
