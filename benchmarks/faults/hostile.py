"""Texts that would be commands or paths elsewhere, in every field; odd names of folders and files; links that lead out.

Texts and fields are those of tests/campaign/test_campaign_hostile_paths.py.
"""

from __future__ import annotations

import csv
import io
import json
import sys
from collections.abc import Callable
from functools import partial
from pathlib import Path

TESTS = Path(__file__).resolve().parents[2] / "tests" / "campaign"
sys.path.append(str(TESTS))

import test_campaign_hostile_paths as texts  # noqa: E402
from cases import Bases, Case  # noqa: E402
from changed_inputs import DONE  # noqa: E402
from commands import Place  # noqa: E402
from planted_campaign import FILES  # noqa: E402

TITLE = "Hostile texts, odd names, links"
TEXTS_A_FIELD = 2
REFUSED = r"^config/\S+:\d+.*: found "
FOLDER_NAMES = (
    "it's; $(touch canary) & `touch canary`",
    "a {run} {wildcards.run} %s %(x)s",
    "two\nlines\tand a tab",
    "-dash --cores 3",
    "ünïcode 測定 🚗",
    'quote" and \\back\\slash',
    "*?[x]~#",
)
ODD_FILE = "it's run #1 & (more) [x] ü=%+@^!~.wav"


def cases(bases: Bases, quick: bool) -> list[Case]:
    """Nothing of it becomes a command, nothing is written elsewhere; names that people may give work."""
    found = [*_settings(), *_columns(), *_names(), *_links()]
    return found[::9] if quick else found


def _settings() -> list[Case]:
    found = []
    for number, (name, field) in enumerate(texts.FIELDS):
        if name in texts.FREE_TEXT:
            continue
        for turn in range(TEXTS_A_FIELD):
            text = texts.HOSTILE[(TEXTS_A_FIELD * number + turn) % len(texts.HOSTILE)]
            content = texts.with_text(field, text)
            found.append(
                _refused(f"hostile text in a field of campaign.yaml ({len(texts.FIELDS)} fields)", _write(content))
            )
    return found


def _columns() -> list[Case]:
    found = []
    for table in dict.fromkeys(table for table, _ in texts.COLUMNS):
        columns = [column for of, column in texts.COLUMNS if of == table and (of, column) not in texts.FREE_COLUMNS]
        for column in columns:
            name = f"config/{table}.csv"
            row = next(iter(csv.DictReader(io.StringIO(FILES[name]))))
            stream = io.StringIO()
            writer = csv.DictWriter(stream, list(dict.fromkeys([*row, column])), restval="", lineterminator="\n")
            writer.writeheader()
            writer.writerows({**row, column: text} for text in texts.HOSTILE)
            found.append(
                _refused(
                    f"hostile texts in a column of {table}.csv ({len(columns)} columns)",
                    _write(stream.getvalue(), name),
                )
            )
    return found


def _names() -> list[Case]:
    found = [
        Case(f"campaign in a folder called `{json.dumps(name, ensure_ascii=False)[1:-1]}`", _nothing, says="^report ",
             start="inputs", name=name, then_says="^report ", unharmed=True)
        for name in FOLDER_NAMES
    ]  # fmt: skip
    found.append(Case(f"a recording called `{ODD_FILE}`", _rename_recording, says=DONE, then_says=DONE, unharmed=True))
    return found


def _links() -> list[Case]:
    found = [
        Case(
            f"{name} is a link that leads out of the campaign",
            partial(_link_out, name=name),
            (2,),
            Path(name).name,
            again=False,
            bare=True,
        )
        for name in (
            "results",
            "results/tables",
            "results/tables/comparisons.parquet",
            "results/report.html",
            "results/logs/compare/compare.log",
            "results/figures",
            ".snakemake",
            ".snakemake/tapeline.lock",
            "config/runs.csv",
            "charts/s1.csv",
            "recordings/m1_flow.csv",
            "recordings/m1.wav",
        )
    ]
    return found


def _refused(fault: str, plant: Callable[[Place], None]) -> Case:
    return Case(fault, plant, (2,), REFUSED, again=False, bare=True, start="inputs")


def _write(content: str, name: str = "config/campaign.yaml") -> Callable[[Place], None]:
    def plant(place: Place) -> None:
        (place.campaign / name).write_text(content, encoding="utf-8")

    return plant


def _nothing(place: Place) -> None:
    pass


def _rename_recording(place: Place) -> None:
    (place.campaign / "recordings" / "m1.wav").rename(place.campaign / "recordings" / ODD_FILE)
    runs = place.campaign / "config" / "runs.csv"
    runs.write_text(runs.read_text(encoding="utf-8").replace("m1.wav", ODD_FILE), encoding="utf-8")


def _link_out(place: Place, name: str) -> None:
    """What was there lies in the foreign folder, with the link in its place."""
    path, away = place.campaign / name, place.foreign / Path(name).name
    path.rename(away)
    path.symlink_to(away)
