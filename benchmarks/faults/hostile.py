"""Texts that would be commands or paths elsewhere, in every field; odd names of folders and files; links that lead out.

Texts and fields are those of tests/campaign/test_campaign_hostile_paths.py.
"""

from __future__ import annotations

import csv
import io
import json
from functools import partial
from pathlib import Path

import test_campaign_hostile_paths as texts
from cases import DONE, Bases, Case, nothing, once
from commands import Place
from planted_campaign import FILES

TITLE = "Hostile texts, odd names, links"
SETTINGS = "config/campaign.yaml"
FOLDER_NAMES = (
    "it's; $(touch canary) & `touch canary` *?[x]~#",
    "-dash {run} %s %(x)s",
    'two\nlines, a\ttab, quote" and \\back\\slash',
    "ünïcode 測定 🚗",
)
ODD_FILE = "it's run #1 & (more) [x] ü=%+@^!~.wav"
MADE = (
    "results",
    "results/tables",
    "results/tables/comparisons.parquet",
    "results/report.html",
    "results/logs/findings.log",
    "results/figures",
    ".snakemake",
    ".snakemake/tapeline.lock",
)
READ = ("config/runs.csv", "charts/s1.csv", "recordings/m1_flow.csv", "recordings/m1.wav")


def cases(bases: Bases) -> list[Case]:
    """Nothing of it becomes a command, nothing is written elsewhere; names that people may give work."""
    return [*_settings(), *_columns(), *_names(), *_links()]


def _settings() -> list[Case]:
    fields = [field for name, field in texts.FIELDS if name not in texts.FREE_TEXT]
    fault = f"a command or a path out of the campaign in one of {len(fields)} fields of campaign.yaml"
    hostile = [texts.HOSTILE[number % len(texts.HOSTILE)] for number in range(len(fields))]
    says = rf"^{SETTINGS}:\d+.*: found "
    contents = [texts.with_text(field, text) for field, text in zip(fields, hostile, strict=True)]
    return [once(fault, partial(_write, name=SETTINGS, content=content), 2, says) for content in contents]


def _columns() -> list[Case]:
    found = []
    for table in dict.fromkeys(table for table, _ in texts.COLUMNS):
        columns = [column for of, column in texts.COLUMNS if of == table and (of, column) not in texts.FREE_COLUMNS]
        name = f"config/{table}.csv"
        row = next(iter(csv.DictReader(io.StringIO(FILES[name]))))
        fault = f"commands and paths out of the campaign in one of {len(columns)} columns of {table}.csv"
        for column in columns:
            stream = io.StringIO()
            writer = csv.DictWriter(stream, list(dict.fromkeys([*row, column])), restval="", lineterminator="\n")
            writer.writeheader()
            writer.writerows({**row, column: text} for text in texts.HOSTILE)
            says = rf'^{name}:\d+, column "{column}": found '
            found.append(once(fault, partial(_write, name=name, content=stream.getvalue()), 2, says))
    return found


def _names() -> list[Case]:
    found = [
        Case(
            f"campaign in a folder called `{json.dumps(name, ensure_ascii=False)[1:-1]}`",
            nothing,
            says="^report ",
            start="inputs",
            name=name,
            then_says="^report ",
            unharmed=True,
        )
        for name in FOLDER_NAMES
    ]
    return [*found, Case(f"a recording called `{ODD_FILE}`", _rename_recording, says=DONE, unharmed=True)]


def _links() -> list[Case]:
    """What is read may lie elsewhere, what is written may not."""
    refused = [
        once(f"{name} is a link out of the campaign", partial(_link_out, name=name), 2, Path(name).name)
        for name in MADE
    ]
    return refused + [
        Case(f"{name} is a link to such a file elsewhere", partial(_link_out, name=name), says=DONE, unharmed=True)
        for name in READ
    ]


def _write(place: Place, name: str, content: str) -> None:
    (place.campaign / name).write_text(content, encoding="utf-8")


def _rename_recording(place: Place) -> None:
    (place.campaign / "recordings" / "m1.wav").rename(place.campaign / "recordings" / ODD_FILE)
    runs = (place.campaign / "config" / "runs.csv").read_text(encoding="utf-8")
    _write(place, "config/runs.csv", runs.replace("m1.wav", ODD_FILE))


def _link_out(place: Place, name: str) -> None:
    """What was there lies in the foreign folder, with the link in its place."""
    path, away = place.campaign / name, place.foreign / Path(name).name
    path.rename(away)
    path.symlink_to(away)
