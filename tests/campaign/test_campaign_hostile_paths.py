"""A campaign of somebody else cannot run commands or write where it should not: whatever its fields hold is refused.

The fields come from the settings' schema and the tables' columns: a new one is covered, or fails here until it is
listed among the free texts, which never become a path, a file name or a word of a shell line.
"""

from __future__ import annotations

import csv
import io
import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from small_campaign import MINIMAL, changed, faults_of, write

from tapeline import cli
from tapeline.campaign.load import load_campaign
from tapeline.campaign.settings import Settings
from tapeline.campaign.table_columns import TABLES
from tapeline.cli.statuses import EXIT_FAULTS

YAML = "config/campaign.yaml"
HOSTILE = (
    "r$(touch canary)",
    "r`touch canary`",
    "r; touch canary",
    "r > canary",
    "a | r|touch canary",
    "r\n touch canary",
    "r\u2028touch canary",
    "r\tx",
    'r" x',
    "r{run}",
    "../canary",
    "/canary/x",
    "C:/canary",
    "a\\canary",
    "~/canary",
    "x" * 300,
)
FREE_TEXT = {"title", "axes", "conditions.*.title"}
FREE_COLUMNS = {
    ("runs", "remark"),
    ("positions", "area"),
    ("positions", "remark"),
    ("fittings", "mount"),
    ("sensors", "serial"),
    ("overrides", "reason"),
    ("overrides", "who"),
    ("left_out", "reason"),
}
ONE_ROW = {
    "cavities": "cavity,length_m\nslot,0.1\n",
    "overrides": "run,position,verdict,reason,who\nm1,seam1,good,looked at,A. Nyone\n",
    "left_out": "run,start_s,stop_s,reason\nm1,1,2,a gust\n",
}
ALL_TABLES = MINIMAL | {f"config/{name}.csv": text for name, text in ONE_ROW.items()}

Field = tuple[str | int, ...]
KEY = "<key>"


def fields(schema: dict[str, Any], defs: dict[str, Any], path: Field = ()) -> Iterator[Field]:
    """Every place of the settings that holds a text of the writer's own, keys of sections included."""
    if "$ref" in schema:
        schema = defs[schema["$ref"].rsplit("/", 1)[1]]
    for branch in schema.get("anyOf", ()):
        yield from fields(branch, defs, path)
    if schema.get("type") == "string" and not {"enum", "const"} & schema.keys():
        yield path
    for name, inner in schema.get("properties", {}).items():
        yield from fields(inner, defs, (*path, name))
    by_name = [schema.get("additionalProperties"), *schema.get("patternProperties", {}).values()]
    for inner in by_name:
        if isinstance(inner, dict):
            yield (*path, KEY)
            yield from fields(inner, defs, (*path, "*"))
    for index, inner in enumerate(schema.get("prefixItems", ())):
        yield from fields(inner, defs, (*path, index))
    if isinstance(schema.get("items"), dict):
        yield from fields(schema["items"], defs, (*path, 0))


SCHEMA = Settings.json_schema()
FIELDS = sorted({".".join(map(str, field)): field for field in fields(SCHEMA, SCHEMA["$defs"])}.items())
COLUMNS = [(table.name, column.name) for table in TABLES for column in table.columns]


def with_text(field: Field, text: str) -> str:
    """The small campaign's settings with a text in one place; every value stands in a line of its own."""
    data: Any = {"campaign": "roof", "conditions": {"open": {"applied": []}, "sealed": {"applied": ["tape"]}}}
    if field[:2] == ("comparisons", "*"):
        data["comparisons"] = {"own": {"reference": "open", "treatment": "sealed"}}
    value: Any = text
    for place, part in reversed(list(enumerate(field))):
        if part == KEY:
            value = {text: {}}
        elif isinstance(part, int):
            value = [value]
        else:
            value = {
                "open" if part == "*" and field[place - 1] == "conditions" else str(part).replace("*", "own"): value
            }
    return json.dumps(_merged(data, value), indent=1)


def _merged(into: dict[str, Any], more: dict[str, Any]) -> dict[str, Any]:
    both = {name: _merged(into[name], more[name]) for name in into.keys() & more.keys() if isinstance(into[name], dict)}
    return {**into, **more, **both}


def said_of(root: Path, capsys: pytest.CaptureFixture[str]) -> list[str]:
    """What `tapeline check` says where it refuses, nothing where it does not; a file that appears fails the test."""
    before = set(root.rglob("*"))
    status = cli.main(["check", str(root)])
    assert set(root.rglob("*")) == before
    said = capsys.readouterr().err.splitlines()
    return said if status == EXIT_FAULTS else []


@pytest.mark.parametrize(("name", "field"), FIELDS, ids=[name for name, _ in FIELDS])
def test_settings(
    name: str, field: Field, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    write(tmp_path, dict(MINIMAL))
    monkeypatch.chdir(tmp_path)
    for text in HOSTILE:
        settings = with_text(field, text)
        write(tmp_path, {YAML: settings})
        if name in FREE_TEXT:
            assert load_campaign(tmp_path).settings.campaign == "roof"
            continue
        shown = json.dumps(text)
        line = 1 + next(n for n, each in enumerate(settings.split("\n")) if shown in each)
        said = said_of(tmp_path, capsys)
        # Of an entry that may be a word instead of a list, the list is the place.
        pattern = rf"{YAML}:({line}|{line - (field[-1] == 0)}), column \d+: found .+, expected .+"
        assert any(re.fullmatch(pattern, sentence) for sentence in said), (text, said)


@pytest.mark.parametrize(("table", "column"), COLUMNS)
def test_table_columns(
    table: str, column: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    write(tmp_path, dict(ALL_TABLES))
    monkeypatch.chdir(tmp_path)
    file = f"config/{table}.csv"
    row = next(iter(csv.DictReader(io.StringIO(ALL_TABLES[file]))))
    stream = io.StringIO()
    writer = csv.DictWriter(stream, list(dict.fromkeys([*row, column])), restval="", lineterminator="\n")
    writer.writeheader()
    lines = {}
    for text in HOSTILE:
        lines[stream.getvalue().count("\n") + 1] = text
        writer.writerow({**row, column: text})
    write(tmp_path, {file: stream.getvalue()})
    said = said_of(tmp_path, capsys)
    refused = {line for line in lines for each in said if each.startswith(f'{file}:{line}, column "{column}": found ')}
    left = [text for line, text in lines.items() if line not in refused]
    assert left == (list(HOSTILE) if (table, column) in FREE_COLUMNS else [])


def test_the_free_texts_are_fields() -> None:
    assert {name for name, _ in FIELDS} >= FREE_TEXT | {
        "recordings",
        "results",
        "report.outlines.0.file",
        "tables.runs",
    }
    assert set(COLUMNS) >= FREE_COLUMNS


def test_names_that_people_give_to_folders_and_files_work(tmp_path: Path) -> None:
    """Spaces, quotes and signs without a meaning of their own."""
    odd = "it's run #1 & (more) [x] ü=%+,@^!~"
    write(
        tmp_path,
        {
            **MINIMAL,
            YAML: MINIMAL[YAML] + f'recordings: "raw {odd}"\nresults: "made of {odd}/new"\n'
            f'tables: {{sensors: "{odd}.csv"}}\nreport: {{outlines: [{{file: "top {odd}.csv"}}]}}\n',
            "config/runs.csv": MINIMAL["config/runs.csv"].replace("m2.wav", f'"{odd.replace(",", "")}.wav"'),
            f"{odd}.csv": "sensor,sensitivity_mv_per_pa,chart\ns1,10,chart #1 & x.csv\ns2,11,\n",
            "chart #1 & x.csv": "frequency_hz,response_db\n20,0\n30,0\n",
            f"top {odd}.csv": "x_m,y_m\n0,0\n1,1\n",
        },
    )
    campaign = load_campaign(tmp_path)
    assert campaign.results == tmp_path / f"made of {odd}" / "new"
    assert campaign.recording_paths(campaign.runs["m2"]) == (tmp_path / f"raw {odd}" / f"{odd.replace(',', '')}.wav",)
    assert (set(campaign.charts), len(campaign.outlines)) == ({"s1"}, 1)


MISPLACED = [
    (".", "", "which holds"),
    ("config", "", "which holds"),
    ("Config", "", "which holds"),
    ("config/made", "", "which lies in"),
    ("recordings", "", "which holds"),
    ("./x/../recordings/", "", "which holds"),
    ("recordings/made", "", "which lies in"),
    (".snakemake/made", "", "which lies in"),
    ("data", "recordings: data/raw\n", "which holds"),
    ("more", "tables: {sensors: more/sensors.csv}\n", "which holds"),
    ("config/runs.csv", "", "is a file|lies in"),
    ("file/made", "", '"file" is a file'),
    ("away", "", "which leads to"),
    ("away/made", "", "which leads to"),
    ("raw", "", "which holds"),
]


@pytest.mark.parametrize("check", [True, False], ids=["checked", "by hand"])
@pytest.mark.parametrize(("results", "more", "found"), MISPLACED)
def test_results_lie_apart_from_what_is_read(
    results: str, more: str, found: str, check: bool, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "van"
    write(
        folder,
        {
            **MINIMAL,
            YAML: MINIMAL[YAML] + more + f"results: {results}\n",
            "more/sensors.csv": MINIMAL["config/sensors.csv"],
        },
    )
    (folder / "recordings").mkdir()
    (folder / "file").write_text("", encoding="utf-8")
    (folder / "away").symlink_to(tmp_path, target_is_directory=True)
    (folder / "raw").symlink_to("recordings", target_is_directory=True)
    command = ["check", str(folder)] if check else ["manifest", "--campaign", str(folder)]
    assert cli.main(command) == EXIT_FAULTS
    line = 5 + more.count("\n")
    said = capsys.readouterr().err.splitlines()
    assert any(re.match(rf"{YAML}:{line}, column 10: found .*({found})", sentence) for sentence in said), said


@pytest.mark.parametrize(
    ("results", "more", "rows"),
    [
        ("my results", "", {}),
        ("data/results", "recordings: data/raw\ntables: {sensors: data/sensors.csv}\n", {}),
        ("recordings-2", "", {}),
        ("results", "recordings: .\n", {}),
        ("results", "recordings: .\n", {"m2.wav": "disk/m2.wav"}),
    ],
)
def test_folders_for_results(results: str, more: str, rows: dict[str, str], minimal: Path) -> None:
    text = MINIMAL["config/runs.csv"]
    for old, new in rows.items():
        text = text.replace(old, new)
    sensors = {"data/sensors.csv": MINIMAL["config/sensors.csv"]}
    write(minimal, {YAML: MINIMAL[YAML] + more + f"results: {results}\n", "config/runs.csv": text} | sensors)
    assert load_campaign(minimal).results == minimal / results


def test_recordings_in_the_campaign_folder_keep_their_own_folders(minimal: Path) -> None:
    text = MINIMAL["config/runs.csv"].replace("m2.wav", "disk/m2.wav")
    write(minimal, {YAML: MINIMAL[YAML] + "recordings: .\nresults: disk/made\n", "config/runs.csv": text})
    (fault,) = faults_of(minimal)
    assert (fault.line, fault.found) == (6, '"disk/made", which lies in "./disk"')


@pytest.mark.parametrize("path", ["results/tables", "results/logs/compare.log", ".snakemake/tapeline.lock"])
def test_a_link_among_the_results_that_leads_out(path: str, minimal: Path) -> None:
    link = minimal / path
    link.parent.mkdir(parents=True)
    link.symlink_to(minimal / "config" / "runs.csv")
    (fault,) = faults_of(minimal)
    assert (fault.file, fault.mend) == (path, "delete the link")
    link.unlink()
    link.with_name("real").mkdir()
    link.symlink_to("real")
    assert faults_of(minimal) == ()


@pytest.mark.parametrize("absolute", [True, False])
def test_inputs_outside_where_the_settings_say_so(absolute: bool, tmp_path: Path) -> None:
    away = tmp_path / "disk" if absolute else Path("../disk")
    sensors = {"config/sensors.csv": f"sensor,sensitivity_mv_per_pa,chart\ns1,10,{away}/s1.csv\ns2,11,\n"}
    write(tmp_path / "disk", {"s1.csv": "frequency_hz,response_db\n20,0\n30,0\n"})
    given = MINIMAL[YAML] + f"recordings: {away}\n"
    write(tmp_path / "van", {**MINIMAL, **sensors, YAML: given})
    refused = {(fault.file, fault.line): fault for fault in faults_of(tmp_path / "van")}
    assert set(refused) == {(YAML, 5), ("config/sensors.csv", 2)}
    assert all("inputs_outside: true" in (fault.mend or "") for fault in refused.values())
    write(tmp_path / "van", {YAML: given + "inputs_outside: true\n"})
    campaign = load_campaign(tmp_path / "van")
    assert (campaign.root / campaign.settings.recordings).resolve() == (tmp_path / "disk").resolve()
    assert set(campaign.charts) == {"s1"}
    write(tmp_path / "van", {YAML: given + f"inputs_outside: true\nresults: {away}/made\n"})
    (fault,) = faults_of(tmp_path / "van")
    assert (fault.line, "a path below the campaign folder" in fault.expected) == (7, True)


def test_a_table_outside_is_not_even_read(tmp_path: Path) -> None:
    write(tmp_path, {"runs.csv": "secret\n"})
    write(tmp_path / "van", changed(YAML, "campaign: roof\n", "campaign: roof\ntables: {runs: ../runs.csv}\n"))
    assert [fault.file for fault in faults_of(tmp_path / "van")] == [YAML]
