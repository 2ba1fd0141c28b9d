"""A campaign folder of somebody else starts nothing of its own, by `tapeline run` or by the workflow manager itself."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from sample_runs import COMMAND, REPOSITORY, CampaignRun, copy_sample, outputs, run_campaign

PLACEHOLDER = re.compile(r"\{[^{}]*\}")
ODD = "my results/it's #1 & ~ (é) [x] !=%+,@^"


def files_of(folder: Path) -> set[Path]:
    return {path for path in folder.rglob("*") if ".snakemake" not in path.parts and "__pycache__" not in path.parts}


@pytest.fixture
def tables_alone(tmp_path: Path) -> Path:
    """The sample's tables and charts without a recording: enough to plan all jobs."""
    shutil.copytree(REPOSITORY / "config", tmp_path / "van" / "config")
    shutil.copytree(REPOSITORY / "data-sample" / "charts", tmp_path / "van" / "data-sample" / "charts")
    return tmp_path / "van"


def test_every_word_of_a_shell_line_is_quoted() -> None:
    lines = [
        line
        for file in sorted((REPOSITORY / "workflow" / "rules").glob("*.smk"))
        for line in file.read_text(encoding="utf-8").splitlines()
        if line.strip().startswith('"tapeline ')
    ]
    rules = "".join(file.read_text(encoding="utf-8") for file in (REPOSITORY / "workflow" / "rules").glob("*.smk"))
    assert len(lines) == rules.count("shell:") > 0
    words = [word for line in lines for word in PLACEHOLDER.findall(line)]
    # The manager's own count of cores is the one word that no campaign has a say in.
    assert [word for word in words if not word.endswith(":q}")] == []


@pytest.mark.workflow
@pytest.mark.parametrize("results", ['"r$(touch canary)"', '"r;touch canary"', "config", "../away", "data-sample"])
def test_the_workflow_manager_refuses_as_the_command_does(results: str, tables_alone: Path) -> None:
    settings = tables_alone / "config" / "campaign.yaml"
    text = settings.read_text(encoding="utf-8").replace("results: results", f"results: {results}")
    settings.write_text(text, encoding="utf-8")
    before = files_of(tables_alone.parent)
    manager = [sys.executable, "-m", "snakemake", "--snakefile", str(REPOSITORY / "Snakefile"), "--cores", "1"]
    line = 1 + next(n for n, each in enumerate(text.splitlines()) if each.startswith("results:"))
    for command in ([str(COMMAND), "run", "."], manager):
        done = subprocess.run(command, check=False, capture_output=True, text=True, cwd=tables_alone)
        assert f"config/campaign.yaml:{line}, column 10: found " in done.stderr
        assert done.returncode == 2
    assert files_of(tables_alone.parent) == before


@pytest.mark.workflow
def test_modules_and_profiles_of_the_folder_are_not_taken(tables_alone: Path) -> None:
    """The workflow manager takes both from the folder where it is called, and evaluates what a profile says."""
    for module in ("snakemake", "yaml", "tapeline", "sitecustomize", "numpy"):
        (tables_alone / f"{module}.py").write_text('open("canary", "w").close()\n', encoding="utf-8")
    profile = tables_alone / "profiles" / "default" / "config.yaml"
    profile.parent.mkdir(parents=True)
    profile.write_text("default-resources:\n  disk_mb: \"open('canary', 'w').close() or 1\"\n", encoding="utf-8")
    before = files_of(tables_alone)
    safe = {name: value for name, value in os.environ.items() if name != "PYTHONSAFEPATH"}
    done = subprocess.run(
        [str(COMMAND), "run", ".", "--cores", "1", "--dry-run"],
        check=False,
        capture_output=True,
        text=True,
        cwd=tables_alone,
        env=safe,
    )
    assert done.returncode == 0, done.stderr
    assert "spectra" in done.stdout + done.stderr
    assert files_of(tables_alone) == before


@pytest.mark.workflow
@pytest.mark.long
def test_folders_with_spaces_and_signs(sample: CampaignRun, tmp_path: Path) -> None:
    """The same bytes, in a results folder and a campaign folder whose names a shell would take apart."""
    folder = copy_sample(tmp_path / "it's $HOME; {a} van")
    settings = folder / "config" / "campaign.yaml"
    text = settings.read_text(encoding="utf-8").replace("results: results", f'results: "{ODD}"')
    settings.write_text(text, encoding="utf-8")
    done = run_campaign(folder, 2)
    assert done.status == sample.status == 3, done.output
    assert sorted(path.name for path in folder.iterdir()) == [".snakemake", "config", "data-sample", "my results"]
    found = outputs(done, ODD)
    tables = {name for name in outputs(sample) if name.startswith("tables/")}
    assert tables
    assert {name: found.get(name) for name in tables} == {name: outputs(sample)[name] for name in tables}
