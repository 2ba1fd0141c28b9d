"""Whether a wheel and a source distribution hold the files they should, and nothing else.

`python supply/package_contents.py TREE DIST`: TREE is a clean export of the repository, DIST holds one of each.
"""

from __future__ import annotations

import sys
import tarfile
import zipfile
from collections.abc import Iterable
from pathlib import Path, PurePosixPath

INFO = ("METADATA", "RECORD", "WHEEL", "entry_points.txt", "licenses/LICENSE")
IN_SOURCES = (
    *("src", "tests", "Snakefile", "workflow", "README.md", "LICENSE", "CHANGELOG.md"),
    *("pyproject.toml", ".gitignore"),
)
"""What of the tree is in the source distribution; the builder adds the last two and PKG-INFO."""


def files_below(tree: Path, names: Iterable[str]) -> list[str]:
    """Every file that `names` are or hold, relative to the tree."""
    found = (path for name in names for path in ((tree / name), *(tree / name).rglob("*")) if path.is_file())
    return [path.relative_to(tree).as_posix() for path in found]


def expected_in_wheel(tree: Path, info: str) -> set[str]:
    """The package, the workflow within it, and the folder `info` that describes it."""
    package = {name.removeprefix("src/") for name in files_below(tree, ["src/tapeline"])}
    workflow = {f"tapeline/_workflow/{name}" for name in files_below(tree, ["Snakefile", "workflow"])}
    return package | workflow | {f"{info}/{name}" for name in INFO}


def expected_in_sources(tree: Path) -> set[str]:
    """What the source distribution holds below its one folder."""
    return {*files_below(tree, IN_SOURCES), "PKG-INFO"}


def differences(what: str, found: Iterable[str], expected: set[str]) -> list[str]:
    """A line for each file that is missing, there without being expected, or there twice."""
    names = list(found)
    twice = sorted({name for name in names if names.count(name) > 1})
    return [
        *(f"{what} lacks {name}" for name in sorted(expected - set(names))),
        *(f"{what} holds {name}, which does not belong there" for name in sorted(set(names) - expected)),
        *(f"{what} holds {name} twice" for name in twice),
    ]


def wheel_differences(tree: Path, wheel: Path) -> list[str]:
    """What differs in a wheel."""
    info = "-".join(wheel.name.split("-")[:2]) + ".dist-info"
    with zipfile.ZipFile(wheel) as archive:
        names = [name for name in archive.namelist() if not name.endswith("/")]
    return differences(wheel.name, names, expected_in_wheel(tree, info))


def sources_differences(tree: Path, sources: Path) -> list[str]:
    """What differs in a source distribution."""
    with tarfile.open(sources) as archive:
        paths = [PurePosixPath(member.name) for member in archive if not member.isdir()]
    return differences(sources.name, ["/".join(path.parts[1:]) for path in paths], expected_in_sources(tree))


def main() -> int:
    """Print what differs; exit status 1 if anything does."""
    tree, dist = map(Path, sys.argv[1:])
    (wheel,), (sources,) = list(dist.glob("*.whl")), list(dist.glob("*.tar.gz"))
    lines = [*wheel_differences(tree, wheel), *sources_differences(tree, sources)]
    print("\n".join(lines) or f"{wheel.name} and {sources.name} hold what they should.")
    return 1 if lines else 0


if __name__ == "__main__":
    sys.exit(main())
