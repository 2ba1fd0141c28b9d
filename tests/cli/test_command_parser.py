"""The command line: help by groups, one sentence for a mistake with the nearest name, one way to name a campaign."""

from __future__ import annotations

import argparse
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tapeline import cli
from tapeline.cli import COMMANDS, command_parser
from tapeline.jobs import JOBS

FOR_PEOPLE = [module.NAME for modules in COMMANDS.values() for module in modules]
OF_OTHER_THINGS = {"new", "look", "inspect", "datasheet", "compare-results", "sensors", "completion", "step"}
"""Commands whose last argument is no campaign."""


def ended(*arguments: str) -> int:
    with pytest.raises(SystemExit) as stopped:
        cli.main(arguments)
    assert isinstance(stopped.value.code, int)
    return stopped.value.code


def parsed(*arguments: str) -> argparse.Namespace:
    return command_parser().parsed(arguments, argparse.Namespace())


def test_help_names_the_commands_for_people_apart_from_the_jobs(capsys: pytest.CaptureFixture[str]) -> None:
    assert ended("--help") == 0
    people, jobs = capsys.readouterr().out.split("Jobs of the workflow\n")
    assert re.findall(r"^  ([a-z-]+)  ", people.partition("--version")[2], re.M)[-len(FOR_PEOPLE) :] == FOR_PEOPLE
    assert all(re.search(rf"\b{job}\b", jobs) for job in JOBS)


@pytest.mark.parametrize("command", [*FOR_PEOPLE, *JOBS, "step"])
def test_the_help_of_a_command_has_one_example_that_can_be_parsed(command: str) -> None:
    text = " ".join(command_parser().commands()[command].format_help().split())
    (example,) = re.findall(r"Example: tapeline (.*?)(?:\. What|$)", text)
    name, *arguments = example.split()
    assert name == command
    assert parsed(name, *arguments).action


@pytest.mark.parametrize(
    ("given", "said"),
    [
        (["runn"], 'tapeline: found no command "runn"; did you mean "run"? See `tapeline --help`'),
        (["zzzz"], 'tapeline: found no command "zzzz"; see `tapeline --help`'),
        (["run", "--dryrun"], 'tapeline run: found no option "--dryrun"; did you mean "--dry-run"? See `tapeline run'),
        (["run", "--core=3"], ""),
        (["look", "a.wav", "--sesion=may"], 'found no option "--sesion"; did you mean "--session"? See `tapeline look'),
        (["check", "a", "b"], 'tapeline check: found "b", expected no more arguments; see `tapeline check --help`'),
        (["step", "tabels"], 'expected calibrate, spectra, verdicts, tables, findings; did you mean "tables"?'),
        (["completion", "csh"], 'tapeline completion: SHELL: found "csh", expected bash, zsh, fish'),
        (["run", "--cores", "two"], "tapeline run: --cores: 'two' found, a whole number from 1 or all expected"),
        (["compare-results"], "tapeline compare-results: found no OLD, NEW, expected each; see"),
        ([], "tapeline: found no COMMAND, expected one; see `tapeline --help`"),
    ],
)
def test_a_mistake_is_one_sentence_with_the_nearest_name(
    given: list[str], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    if not said:
        assert parsed(*given).cores == "3"
        return
    assert ended(*given) == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert said in line


NAMES_BEFORE = {"explain": ["a05", "seam-right", "1600"]}
"""What a command names before the campaign."""


@pytest.mark.parametrize("command", sorted({*FOR_PEOPLE, *JOBS} - OF_OTHER_THINGS))
def test_every_command_takes_a_campaign_in_the_same_way(command: str) -> None:
    key = ["april"] if command in JOBS and JOBS[command].per != "campaign" else NAMES_BEFORE.get(command, [])
    assert parsed(command, *key).campaign == Path()
    assert parsed(command, *key, "van").campaign == Path("van")
    assert parsed(command, *key, "--campaign", "van").campaign == Path("van")


def test_completion_names_commands_and_options() -> None:
    for shell in ("bash", "zsh", "fish"):
        command = [str(Path(sys.executable).parent / "tapeline"), "completion", shell]
        done = subprocess.run(command, check=True, capture_output=True, text=True)
        for name in ("check-results", "sensors", "json-log", "check-recordings"):
            assert name in done.stdout, (shell, name)
        assert "manifest" not in done.stdout


@pytest.mark.skipif(shutil.which("bash") is None, reason="no bash here")
def test_bash_completes_a_command_and_its_options(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["completion", "bash"]) == 0
    (tmp_path / "lines").write_text(capsys.readouterr().out, encoding="utf-8")
    asked = """
        source "$1"; shift
        COMP_WORDS=(tapeline "$@"); COMP_CWORD=$#; COMP_LINE="tapeline $*"; COMP_POINT=${#COMP_LINE}
        _shtab_tapeline tapeline "${COMP_WORDS[COMP_CWORD]}" tapeline; printf '%s\\n' "${COMPREPLY[@]}"
    """

    def completed(*words: str) -> set[str]:
        command = ["bash", "-c", asked, "bash", str(tmp_path / "lines"), *words]
        done = subprocess.run(command, check=True, capture_output=True, text=True)
        return {word.strip() for word in done.stdout.split()}

    assert completed("com") == {"compare-results", "completion"}
    assert completed("run", "--dr") == {"--dry-run"}
