"""Whatever stands in a field of campaign.yaml or a cell of a table: refused with its place, or loaded as it is written.

The fields come from the settings' model and the tables' columns, so that a new one is covered by itself. A bad value is
first put into all fields of a file at once: those that are told with their own line (and column) are done. Each other
one is tried alone, and must be loaded as it is written, or refused. Values drawn at random, and good ones with a slip
of the keys, follow, each in one field.
"""

from __future__ import annotations

import csv
import functools
import importlib
import io
import json
import math
import pkgutil
import random
import re
import types
import typing
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Any

import pytest
from pydantic import BaseModel
from small_campaign import MINIMAL, write

from tapeline import campaign, cli
from tapeline.campaign.faults import Fault
from tapeline.campaign.load import load_campaign
from tapeline.campaign.settings import Settings
from tapeline.campaign.settings_source import SETTINGS_FILE
from tapeline.campaign.table_columns import KMH_PER_MPS, CsvColumn, CsvTable
from tapeline.campaign.table_source import read_table
from tapeline.cli.statuses import EXIT_FAULTS

LONG = "x" * 150_000
"""Longer than any cell that the csv module reads."""
NOTHING = ""


@dataclass(frozen=True)
class Kind:
    """One kind of bad value: its text in a cell (None: a cell has no such kind) and in YAML, and what YAML makes of it.

    `value` is what a setting holds where it takes the value.
    """

    name: str
    cell: str | None
    yaml: str
    value: Any


def number(name: str, text: str, value: float | str) -> Kind:
    return Kind(name, text, text, value)


def text(name: str, content: str, yaml: str | None = None) -> Kind:
    return Kind(name, content, json.dumps(content) if yaml is None else yaml, content)


KINDS = (
    Kind("nothing", NOTHING, "null", None),
    text("word", "fast"),
    text("yes", "yes", "yes"),
    Kind("true", "true", "true", True),
    Kind("list", None, "[1, a]", [1, "a"]),
    Kind("empty-list", None, "[]", []),
    Kind("section", None, "{a: 1}", {"a": 1}),
    text("unit", "5 dB"),
    text("decimal-comma", "1,5"),
    text("hexadecimal", "0x10"),
    text("underscores", "1_000"),
    text("other-digits", "\uff11\uff12"),
    text("date", "2024-05-03", "2024-05-03"),
    number("zero", "0", 0),
    number("negative", "-1", -1),
    number("fraction", "0.5", 0.5),
    number("huge", "1e300", 1e300),
    number("huge-whole", "9" * 18, int("9" * 18)),
    number("whole-of-many-digits", "9" * 400, math.inf),
    number("beyond-floats", "1e999", math.inf),
    number("tiny", "1e-300", 1e-300),
    number("below-floats", "1e-999", 0.0),
    number("tiny-negative", "-1e-300", -1e-300),
    Kind("nan", "nan", ".nan", math.nan),
    Kind("infinity", "inf", ".inf", math.inf),
    Kind("minus-infinity", "-inf", "-.inf", -math.inf),
    text("nan-word", "NaN", '"NaN"'),
    text("command", "$(touch canary)"),
    text("backquotes", "`touch canary`"),
    text("semicolon", "x; touch canary"),
    text("pipe-and-redirection", "x | cat > canary"),
    text("braces", "{run}"),
    text("bell", "x\ay"),
    text("escape-sequence", "x\x1b[31my"),
    text("bidi", "x\u202egnp.wav"),
    text("zero-width", "x\u200by"),
    text("line-break", "x\ny"),
    text("line-separator", "x\u2028y"),
    text("nul", "x\0y"),
    text("leading-dash", "-rf"),
    text("option", "--cores"),
    text("climbing", "../../canary"),
    text("absolute", "/canary/x"),
    text("home", "~/canary"),
    text("drive", "C:\\canary"),
    text("quotes", "x\"y'z"),
    text("long", LONG),
)

CELL_KINDS = tuple(kind for kind in KINDS if kind.cell is not None)

SETTINGS: dict[str, Any] = {
    "campaign": "roof",
    "conditions": {"open": {"title": "Open", "applied": []}, "sealed": {"title": "Taped", "applied": ["tape"]}},
    "comparisons": {"whole": {"reference": "open", "treatment": "sealed"}},
    "reference_condition": "open",
    "raw_formats": {"logger": {"sample_type": "int16", "channels": 8, "sample_rate_hz": 12800}},
    "operating_point": {"nominal_speeds": [100]},
    "ranking": {"operating_points": [[100, 0]], "range_hz": [100, 1000]},
    "scaling": {"reference_speed_mps": 30, "length_m": 0.1, "lengths": {"seam1": 0.1}},
    "band_history": {"positions": ["seam1"]},
    "report": {
        "level_axis_db": [40, 100],
        "density_axis_db": [0, 80],
        "difference_axis_db": [-6, 6],
        "outlines": [{"file": "config/outline.csv", "plane": "x-y"}],
    },
}
FILES = MINIMAL | {
    "config/runs.csv": """\
run,recording,kind,session,condition,speed_kmh,calibrator,stage,flow_series
cal1,cal1.wav,calibration,april,,,speaker,before,
bg1,bg1.wav,background,april,,100,,,
m1,m1.wav,measurement,april,open,100,,,flow_series.csv
m2,m2.wav,measurement,april,sealed,100,,,
""",
    "config/sensors.csv": "sensor,sensitivity_mv_per_pa,chart\ns1,10,config/chart.csv\ns2,11,\n",
    "config/chart.csv": "frequency_hz,response_db\n20,0\n30,1\n",
    "recordings/flow_series.csv": "time_s,speed_mps\n0,27\n1,28\n",
    "config/cavities.csv": "cavity,length_m\nslot,0.1\n",
    "config/overrides.csv": "run,position,verdict,reason,who\nm1,seam1,good,looked at,A. Nyone\n",
    "config/left_out.csv": "run,start_s,stop_s,reason\nm1,1,2,a gust\n",
    "config/outline.csv": "x_m,y_m\n0,0\n1,1\n",
}
RUN_LINE = 4
"""The line of the measurement m1, which gets the bad cell of a row of runs; in other tables it is line 2."""

Path_ = tuple[str | int, ...]


def whole_settings() -> dict[str, Any]:
    """The settings of the small campaign with every key written out."""
    return Settings.model_validate(SETTINGS).model_dump(mode="json")


def leaves(data: Any, path: Path_ = ()) -> Iterator[Path_]:
    """Every key that holds no section."""
    for name, inner in data.items():
        if not isinstance(inner, dict) or not inner:
            yield (*path, name)
        else:
            yield from leaves(inner, (*path, name))


def elements(data: Any, path: Path_ = ()) -> Iterator[Path_]:
    """The first number or word of every list, and the keys of the first section of every list."""
    if isinstance(data, dict):
        for name, inner in data.items():
            yield from elements(inner, (*path, name))
    elif isinstance(data, list) and data:
        if isinstance(data[0], dict):
            yield from leaves(data[0], (*path, 0))
        elif isinstance(data[0], list):
            yield from elements(data[0], (*path, 0))
        else:
            yield (*path, 0)


WHOLE = whole_settings()
LEAVES, ELEMENTS = tuple(leaves(WHOLE)), tuple(elements(WHOLE))


def every_table() -> dict[str, CsvTable[Any]]:
    """Every table that is declared anywhere in the package, by its name."""
    modules = [
        importlib.import_module(f"{campaign.__name__}.{m.name}") for m in pkgutil.iter_modules(campaign.__path__)
    ]
    found = [value for module in modules for value in vars(module).values() if isinstance(value, CsvTable)]
    return {table.name: table for table in found}


TABLES = every_table()
COLUMNS = {name: tuple(column.name for column in table.columns) for name, table in TABLES.items()}


def file_of(table: str) -> str:
    return f"{'recordings' if table == 'flow_series' else 'config'}/{table}.csv"


def line_of(table: str) -> int:
    return RUN_LINE if table == "runs" else 2


def settings_text(paths: Sequence[Path_], raw: str) -> tuple[str, dict[Path_, int]]:
    """campaign.yaml with the text `raw` at some places, and the lines of these; each value has a line of its own."""
    data = json.loads(json.dumps(WHOLE))
    for index, path in enumerate(paths):
        holder = data
        for part in path[:-1]:
            holder = holder[part]
        holder[path[-1]] = f"@{index}@"
    lines = json.dumps(data, indent=1).split("\n")
    places = {}
    for number_, line in enumerate(lines):
        found = re.search(r'"@(\d+)@"', line)
        if found:
            places[paths[int(found[1])]] = number_ + 1
            lines[number_] = line.replace(found[0], raw)
    return "\n".join(lines) + "\n", places


def table_text(name: str, columns: Sequence[str], cell: str) -> str:
    """A table with all its columns and the bad cell in some of them, in one row."""
    rows = list(csv.DictReader(io.StringIO(FILES[file_of(name)])))
    rows[line_of(name) - 2] |= dict.fromkeys(columns, cell)
    stream = io.StringIO()
    writer = csv.DictWriter(stream, COLUMNS[name], restval="", lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return stream.getvalue()


@dataclass(frozen=True)
class Told:
    """How a check ended: its exit status, and what it said, line by line."""

    status: int
    said: tuple[str, ...]

    def at(self, place: str) -> list[str]:
        """The faults at a place."""
        return [line for line in self.said if re.match(place, line)]


class Bench:
    """A small campaign in a folder of its own, beside a folder to be called from."""

    def __init__(self, above: Path, capsys: pytest.CaptureFixture[str]) -> None:
        self.above, self.root, self.capsys = above, above / "campaign", capsys
        (above / "called-from").mkdir()

    def check(self, changed: dict[str, str]) -> Told:
        """What `tapeline check` says of the changed campaign. Nothing may appear anywhere."""
        write(self.root, {**FILES, SETTINGS_FILE: settings_text((), "")[0], **changed})
        before = listing(self.above)
        status = cli.main(["check", str(self.root)])
        assert listing(self.above) == before
        told = self.capsys.readouterr()
        for sign in ("Traceback", "Warning:", "\x1b", "\a", "\u202e", "\0"):
            assert sign not in told.out + told.err
        assert status in (0, EXIT_FAULTS), told.err
        return Told(status, tuple(told.err.splitlines()))


def listing(folder: Path) -> dict[Path, int]:
    """Everything below a folder, with its size."""
    return {path: path.lstat().st_size for path in folder.rglob("*")}


PARSER = functools.cache(cli.command_parser)
"""Made once: a third of the time of all calls."""


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Bench:
    made = Bench(tmp_path, capsys)
    monkeypatch.setattr(cli, "command_parser", PARSER)
    monkeypatch.chdir(tmp_path / "called-from")
    return made


PLACED = re.compile(r"(?!warning: )(?:config|recordings)/\S+?:\d+, column (\d+|\"\w+\"): found .+, expected .+")


def refused(told: Told, place: str, what: object) -> bool:
    """Whether a value was refused at its place, or with a place at all where others refer to its name."""
    if told.status == 0:
        return False
    if not told.at(place):
        others = [line for line in told.said if not line.startswith("warning: ")][:-1]
        assert others, what
        for line in others:
            assert PLACED.match(line), (what, line[:300])
    return True


def test_the_campaign_itself_is_sound(bench: Bench) -> None:
    assert bench.check({}).status == 0


def test_there_are_more_than_two_hundred_kinds() -> None:
    """A kind of bad input is a bad value in a sort of field: a number, a whole number, a word, a list, a date ..."""
    of_settings = {(kind.name, type(value_at(WHOLE, path))) for path in (*LEAVES, *ELEMENTS) for kind in KINDS}
    sorts = {re.split(r" (?:from|above|of|up) ", column.kind.name)[0] for t in TABLES.values() for column in t.columns}
    of_cells = {(kind.name, sort) for sort in sorts for kind in CELL_KINDS}
    assert len({kind.name for kind in KINDS}) == len(KINDS)
    assert len(of_settings) >= 200
    assert len(of_cells) >= 200


def test_every_table_is_tried() -> None:
    assert {file_of(name) for name in TABLES} == {name for name in FILES if name.endswith(".csv")}


def value_at(data: Any, path: Path_) -> Any:
    for part in path:
        data = data[part]
    return data


def test_every_setting_is_a_field_that_is_tried() -> None:
    tried = {tuple(part for part in path if isinstance(part, str)) for path in (*LEAVES, *ELEMENTS)}
    for field in keys_of(Settings):
        assert any(matches(field, path) for path in tried), field


def keys_of(model: type[BaseModel], path: tuple[str, ...] = ()) -> Iterator[tuple[str, ...]]:
    """Every key of a model, with * for a name of the writer's own."""
    for name, field in model.model_fields.items():
        inner = list(models_in(field.annotation))
        named = typing.get_origin(field.annotation) is dict
        here = (*path, name, *(("*",) if named else ()))
        if inner:
            yield from keys_of(inner[0], here)
        else:
            yield here


def models_in(annotation: Any) -> Iterator[type[BaseModel]]:
    if isinstance(annotation, type) and not isinstance(annotation, types.GenericAlias):
        if issubclass(annotation, BaseModel):
            yield annotation
        return
    for part in typing.get_args(annotation):
        yield from models_in(part)


def matches(field: tuple[str, ...], path: tuple[str, ...]) -> bool:
    return len(field) == len(path) and all(a in ("*", b) for a, b in zip(field, path, strict=True))


@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind.name)
@pytest.mark.parametrize("paths", [LEAVES, ELEMENTS], ids=["keys", "entries"])
def test_settings(kind: Kind, paths: tuple[Path_, ...], bench: Bench) -> None:
    content, places = settings_text(paths, kind.yaml)
    told = bench.check({SETTINGS_FILE: content})
    for path in paths:
        if told.at(rf"{SETTINGS_FILE}:{places[path]}, column \d+: found .+, expected .+"):
            assert told.status == EXIT_FAULTS
            continue
        content, alone = settings_text([path], kind.yaml)
        own = bench.check({SETTINGS_FILE: content})
        what = (kind.name, path)
        if not refused(own, rf"{SETTINGS_FILE}:{alone[path]}, column \d+: found .+, expected .+", what):
            loaded = loaded_setting(bench.root, path)
            assert as_written(loaded, kind.value), (what, loaded)


def loaded_setting(root: Path, path: Path_) -> Any:
    loaded: Any = load_campaign(root).settings
    for part in path:
        loaded = loaded[part] if isinstance(part, int) or isinstance(loaded, dict) else getattr(loaded, part)
    return loaded


TRUTHS = dict.fromkeys(("true", "yes", "on", "t", "y", "1", "1.0"), "True") | dict.fromkeys(
    ("false", "no", "off", "f", "n", "0", "0.0", "-0.0"), "False"
)


def as_written(loaded: Any, value: Any) -> bool:
    if isinstance(loaded, tuple):
        return bool(list(loaded) == value)
    if isinstance(loaded, bool) or isinstance(value, bool):
        # Words, and 0 and 1, may stand for false and true.
        return TRUTHS.get(str(value).lower()) == str(loaded)
    if isinstance(loaded, str) and "//" in str(value):
        # A path with a stroke twice is the same path.
        return PurePosixPath(loaded) == PurePosixPath(value)
    return bool(loaded == value)


@pytest.mark.parametrize("kind", CELL_KINDS, ids=lambda kind: kind.name)
@pytest.mark.parametrize("table", TABLES.values(), ids=lambda table: table.name)
def test_tables(table: CsvTable[Any], kind: Kind, bench: Bench) -> None:
    file, line = file_of(table.name), line_of(table.name)
    assert kind.cell is not None
    told = bench.check({file: table_text(table.name, COLUMNS[table.name], kind.cell)})
    for column in table.columns:
        # A cell before it with a line break moves it to a later line.
        place = rf'{file}:(?:{line}|\d+), column "{column.name}": found .+, expected .+'
        if told.at(place):
            assert told.status == EXIT_FAULTS
        else:
            assert_cell(bench, table, column, kind.cell)


def assert_cell(bench: Bench, table: CsvTable[Any], column: CsvColumn, cell: str) -> bool:
    """Whether one cell is loaded, as it is written; else it is refused at its place."""
    file, line = file_of(table.name), line_of(table.name)
    own = bench.check({file: table_text(table.name, [column.name], cell)})
    what = (table.name, column.name, cell[:100])
    if column is table.columns[0] and cell.lstrip().startswith("#"):
        # The whole line is a comment then.
        return False
    if refused(own, rf'{file}:{line}, column ("{column.name}"|\d+): found .+, expected .+', what):
        return False
    loaded = loaded_cell(bench.root, table, column)
    assert cell_as_written(loaded, cell.strip(), column), (what, str(loaded)[:100])
    return True


def loaded_cell(root: Path, table: CsvTable[Any], column: CsvColumn) -> Any:
    rows = getattr(load_campaign(root), table.name, None)
    if rows is None:
        faults: list[Fault] = []
        rows = read_table(root, file_of(table.name), table, faults).rows
        assert not faults
    row = list(rows.values() if isinstance(rows, dict) else rows)[line_of(table.name) - 2]
    return getattr(row, "speed_mps" if column.name == "speed_kmh" else column.attribute)


def cell_as_written(loaded: Any, cell: str, column: CsvColumn) -> bool:
    if cell == NOTHING:
        return column.name == "speed_mps" or bool(loaded == column.default)
    if isinstance(loaded, bool):
        return loaded is (cell == "yes")
    if isinstance(loaded, int | float):
        return bool(loaded == float(cell) / (KMH_PER_MPS if column.name == "speed_kmh" else 1.0))
    if isinstance(loaded, tuple):
        return " ".join(loaded) == " ".join(cell.split())
    return str(loaded).removesuffix("T00:00:00") == cell


HOSTILE = (
    "ab19 .,-+eE_:/\\#&*!|>%@{}[]()<>?=~^$`;'\"\n\t\r\0\x1b\x85\xa0\xad\ufeff\u200f\u202e\u2066\u2028\u0301\ud7ffé水🎐"
)


def drawn(chance: random.Random, good: str) -> float | int | str:
    """A number of any size, text of any signs, or the good text with a slip of the keys."""
    sort = chance.randrange(4)
    if sort == 0:
        return math.copysign(10.0 ** chance.uniform(-320.0, 308.0), chance.choice((1.0, -1.0)))
    if sort == 1:
        return chance.choice((1, -1)) * chance.randrange(10 ** chance.randrange(1, 40))
    if sort == 2:
        return "".join(chance.choices(HOSTILE, k=chance.randrange(1, 13)))
    at = chance.randrange(len(good) + 1)
    slip = chance.choice(("", "".join(chance.choices(HOSTILE, k=1)), good[at : at + 1] * 2))
    return good[:at] + slip + good[at + 1 :]


def fields() -> list[tuple[CsvTable[Any], CsvColumn] | Path_]:
    cells = [(table, column) for table in TABLES.values() for column in table.columns]
    return [*cells, *LEAVES, *ELEMENTS]


def assert_drawn(bench: Bench, chance: random.Random) -> bool:
    """Whether a drawn value in a drawn field is loaded, as it is written; else it is refused at its place."""
    field = chance.choice(fields())
    if isinstance(field[0], CsvTable):
        table, column = field
        row = list(csv.DictReader(io.StringIO(FILES[file_of(table.name)])))[line_of(table.name) - 2]
        return assert_cell(bench, table, column, str(drawn(chance, row.get(column.name) or "0.5")))
    path = field
    value = drawn(chance, str(value_at(WHOLE, path)))
    content, alone = settings_text([path], json.dumps(value))
    told = bench.check({SETTINGS_FILE: content})
    if refused(told, rf"{SETTINGS_FILE}:{alone[path]}, column \d+: found .+, expected .+", (path, value)):
        return False
    assert as_written(loaded_setting(bench.root, path), value), (path, value)
    return True


@pytest.mark.parametrize(
    ("seed", "count"), [(1, 150), *(pytest.param(seed, 1000, marks=pytest.mark.long) for seed in range(2, 6))]
)
def test_drawn_values(seed: int, count: int, bench: Bench) -> None:
    chance = random.Random(seed)
    loaded = sum(assert_drawn(bench, chance) for _ in range(count))
    assert count / 20 < loaded < count
