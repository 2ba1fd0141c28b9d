"""The shape of the code: imports go downward, numerics stay pure, per-recording jobs start lean."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

SOURCE = Path(__file__).resolve().parents[1] / "src" / "tapeline"

NUMERICS = {"acoustics", "statistics"}
MAY_IMPORT = {
    "statistics": set(),
    "acoustics": {"statistics"},
    "store": NUMERICS,
    "recordings": {"acoustics"},
    "calibration": NUMERICS,
    "quality": NUMERICS,
    "campaign": set(),
    "changes": {"store", "campaign"},
    "new_campaign": {"recordings", "calibration", "campaign"},
    "words": {"store", "quality"},
    "report": {*NUMERICS, "store", "campaign", "quality", "calibration", "words", "stopping"},
    "analysis": {*NUMERICS, "store", "campaign", "changes", "report"},
    "jobs": {*NUMERICS, "store", "recordings", "calibration", "quality", "campaign", "report"},
    "explain": {*NUMERICS, "store", "recordings", "quality", "campaign", "report", "jobs"},
}
FILES = sorted(path for path in SOURCE.rglob("*.py") if path.relative_to(SOURCE).parts[0] in MAY_IMPORT)
FOR_ALL = {"__version__", "arrays", "file_stamps", "limits", "regular_files", "text_columns"}


def imported(path: Path) -> set[str]:
    """Dotted names of all modules that a file imports, wherever the import stands."""
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            names.add(node.module)
            names |= {f"{node.module}.{alias.name}" for alias in node.names if node.module == "tapeline"}
    return names


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.relative_to(SOURCE).as_posix())
def test_imports_go_downward(path: Path) -> None:
    package = path.relative_to(SOURCE).parts[0]
    own = {name.split(".")[1] for name in imported(path) if name.startswith("tapeline.") and name.count(".")}
    assert own - {package} <= MAY_IMPORT[package] | FOR_ALL


@pytest.mark.parametrize("path", [p for p in FILES if p.parent.name in NUMERICS], ids=lambda path: path.name)
def test_numerics_import_numpy_and_scipy_only(path: Path) -> None:
    roots = {name.split(".")[0] for name in imported(path)}
    assert roots - set(sys.stdlib_module_names) <= {"numpy", "scipy", "tapeline"}


def test_no_file_is_a_drawer() -> None:
    drawers = {"utils", "helpers", "common", "misc", "manager", "managers", "util", "helper"}
    assert [path for path in SOURCE.rglob("*.py") if path.stem in drawers] == []


@pytest.mark.parametrize("job", ["pressure", "spectra"])
def test_per_recording_jobs_import_no_heavy_library(job: str) -> None:
    code = (
        f"import sys, tapeline.jobs.{job}.run, tapeline.campaign.load; "
        "print([m for m in ('pandas', 'matplotlib', 'scipy.signal', 'snakemake', 'jinja2') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True)
    assert done.stdout.strip() == "[]"


def test_findings_load_no_interpolation_or_optimisation() -> None:
    """They take longer to load than the findings of a small campaign take to make."""
    code = (
        "import sys, tapeline.jobs.compare.run, tapeline.jobs.scale.run, tapeline.jobs.repeat.run; "
        "print([m for m in ('scipy.interpolate', 'scipy.optimize', 'scipy.spatial') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True)
    assert done.stdout.strip() == "[]"


def test_checking_a_campaign_needs_no_numerics() -> None:
    """Nor what draws paths, before a drawing is read; that needs no numerics either."""
    code = (
        "import sys, tapeline.campaign.plan, tapeline.campaign.load; print('fontTools' in sys.modules)\n"
        "import tapeline.campaign.svg_drawing; print('numpy' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True)
    assert done.stdout.split() == ["False", "False"]


def test_what_is_imported_is_required() -> None:
    """Nothing comes by way of another package; pydantic and its core are one."""
    project = tomllib.loads((SOURCE.parents[1] / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    given = [*project["dependencies"], *project["optional-dependencies"]["hdf5"]]
    required = {re.split(r"[^\w-]", each)[0].lower() for each in given}
    roots = {name.split(".")[0] for path in SOURCE.rglob("*.py") for name in imported(path)}
    assert len(roots) > 10
    own = {"tapeline", *sys.stdlib_module_names}
    known = {"yaml": "pyyaml", "pydantic_core": "pydantic"}
    assert {known.get(root, root.lower()) for root in roots - own} <= required
