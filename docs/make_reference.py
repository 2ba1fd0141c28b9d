"""Write the reference pages from the code: tables, settings, reason codes, limits, and the settings' JSON Schema.

Run as `python docs/make_reference.py`; `--check` only says which page is out of date.
"""

from __future__ import annotations

import ast
import inspect
import itertools
import json
import sys
import textwrap
import types
import typing
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pydantic import BaseModel
from pydantic.fields import FieldInfo

import tapeline
from tapeline import limits
from tapeline.analysis.joined_tables import JOINED
from tapeline.analysis.notebook import Results
from tapeline.campaign.load import load_campaign
from tapeline.campaign.outlines import OUTLINE
from tapeline.campaign.plan import Plan
from tapeline.campaign.settings import Settings
from tapeline.campaign.table_columns import TABLES
from tapeline.jobs import JOBS
from tapeline.jobs.steps import STEPS
from tapeline.quality.reasons import REASONS, UNFIT_CHECKS, Reason
from tapeline.quality.use_of_levels import BACKGROUND_DOUBTS, NOT_SUBTRACTED, doubts_level
from tapeline.statistics.uncertainty_terms import ALL_TERMS, SENSITIVITY_TERMS, UncertaintyTerm, part_of_calibration
from tapeline.store import shared_columns, tables
from tapeline.store.schema import Column, ColumnType, Table

ROOT = Path(__file__).resolve().parents[1]
MADE = "<!-- made by docs/make_reference.py; change the code, not this page -->\n"


def tables_page() -> str:
    """Every output table with its columns, units and keys."""
    lines = [MADE, "# Tables", "", JOINS_HEAD, "", "```text", *joins(), "```", "", UNNEST, *_opened()]
    for table in tables.ALL:
        place = _place(table)
        lines += ["", f"## {table.name}", "", f"{table.title}. `{place}`, schema version {table.version}."]
        lines += [f"Key: {', '.join(table.key)}; sorted by {', '.join(table.order)}.", ""]
        lines += ["| column | type | unit | meaning | empty means |", "|---|---|---|---|---|"]
        lines += [
            f"| `{c.name}` | {c.type} | {c.unit} | {_cell(c.description)} | {_empty(c)} |" for c in table.stored_columns
        ]
    return "\n".join([*lines, *_terms_of_uncertainty()]) + "\n"


JOINS_HEAD = (
    "For who reads results by other programs. Which table has one row for many of which others, and by which columns "
    "they join; `campaign` is always among these. A notebook gets them joined by [`tapeline.open`](#tapelineopen)."
)

JOINED_TO = ("runs", "positions", "quality", "calibration", "tone_tracks", "session_means", "line_differences")
"""Tables that others are joined with, in the order of the drawing."""

UNLIKE = {("quality", "checks"), ("line_differences", "budgets"), ("session_means", "budgets")}
"""Tables whose columns are called alike and mean others: calibration runs, and one label for two sessions."""


def joins() -> list[str]:
    """A drawing of which table joins which, from the keys and columns of their declarations."""
    tabled = [table for table in tables.ALL if table.name != "spectra"]
    lines: list[str] = []
    for name in JOINED_TO:
        key = tables.BY_NAME[name].own_key
        others = [
            each.name
            for each in tabled
            if each.name != name and (name, each.name) not in UNLIKE and {*key} <= _names_read(each)
        ]
        branch = textwrap.wrap(", ".join(others), 88)
        lines += [name, f" │ {', '.join(('campaign', *key))}"]
        lines += [f" {'└──►' if index == 0 else '    '} {part}" for index, part in enumerate(branch)] + [""]
    return lines[:-1]


def _names_read(table: Table[Any]) -> set[str]:
    """The columns of a table as it is read, with that of its folders."""
    return {column.name for column in table.columns} | ({table.partition} if table.partition else set())


def _opened() -> list[str]:
    """The section on the interface for notebooks: its own example, and the columns of its joined tables."""
    text = inspect.getdoc(tapeline.open) or ""
    words, _, example = text.partition("\n>>> ")
    lines = ["", "## tapeline.open", "", words.strip(), "", "```pycon", f">>> {example.strip()}", "```", "", OPENED]
    parts = {
        name: getattr(Results, name) for name in (*JOINED, "spectrum", "history", "mean_levels", "table", "columns")
    }
    lines += ["", "| of the results | what it is |", "|---|---|"]
    for name, member in parts.items():
        words = (inspect.getdoc(member) or "").partition("\n\n")[0]
        lines.append(
            f"| `{name}{'' if isinstance(member, property) else '(...)'}` | {_cell(' '.join(words.split()))} |"
        )
    for name in ("levels", "condition_means"):
        lines += [
            "",
            f"Columns of `{name}`:",
            "",
            "| column | type | unit | meaning | empty means |",
            "|---|---|---|---|---|",
        ]
        lines += [f"| `{c.name}` | {c.type} | {c.unit} | {_cell(c.description)} | {_empty(c)} |" for c in JOINED[name]]
    return lines


OPENED = (
    "[notebook.md](notebook.md) asks it the first five questions of an analyst. `differences`, `treatments` and "
    "`tones` have the columns of comparisons, treatments and tones below, and `area`; `given` (`gain_given`, "
    "`remainder_given`) says what the row gives: value, bound or nothing. `tapeline export` writes the same for "
    "spreadsheets."
)


def _terms_of_uncertainty() -> list[str]:
    """The terms that budgets and levels name, with where they cancel."""
    lines = ["", "## Terms of uncertainty", "", TERMS_INTRODUCTION, ""]
    lines += ["| term | what it is | shared by | averages out | cancels | degrees of freedom | evidence |"]
    lines += ["|---|---|---|---|---|---|---|"]
    for term in (*ALL_TERMS, *SENSITIVITY_TERMS):
        name = part_of_calibration(term.name) if term.found_from == "checks" else term.name
        degrees = "estimated" if term.degrees_of_freedom is None else f"{term.degrees_of_freedom:g}"
        evidence = f"{term.evidence}, or stated (`uncertainty.{term.setting}`)" if term.setting else term.evidence
        cells = (_cell(term.words), term.shared_by, term.averages, _cancels(term), degrees.replace("inf", "infinite"))
        lines.append(f"| `{name}` | {' | '.join(cells)} | {evidence} |")
    return lines


TERMS_INTRODUCTION = (
    "The names in `terms` of the tables budgets, checks and calibration. A term of a level has its column "
    "`<first word>_uncertainty_db` in bands and overall. `averages out`: over repeats, of a sensitivity over checks; "
    "`in differences`: all repeats share a part of it. `evidence` is that of most rows; each row says its own."
)


def _cancels(term: UncertaintyTerm) -> str:
    """The differences that are free of a term."""
    if term.found_from == "checks":
        return "as calibration"
    found = {
        "within a session": term.cancels_within_session,
        "between positions": term.cancels_between_positions,
        "between sessions": term.cancels_between_sessions(same_fitting=False, same_sensor=False),
        "between sessions, same sensor": term.cancels_between_sessions(same_fitting=False, same_sensor=True),
        "between sessions, same fitting": term.cancels_between_sessions(same_fitting=True, same_sensor=False),
    }
    return "; ".join(words for words, holds in found.items() if holds) or "nowhere"


def _empty(column: Column) -> str:
    """What empty cells mean, and empty elements of lists."""
    return "; ".join(filter(None, [column.null, column.gap and f"in the list: {column.gap}"]))


def _place(table: Table[Any]) -> str:
    if table.name == "spectra":
        return "spectra/<run>/spectra.parquet"
    if table.partition:
        return f"tables/{table.name}/{table.partition}=<{table.partition}>/part-0.parquet"
    return f"tables/{table.name}.parquet"


UNNEST = (ROOT / "docs" / "reading_tables.md").read_text(encoding="utf-8").rstrip()


def settings_page() -> str:
    """Every key of campaign.yaml and every column of the input tables."""
    lines = [MADE, "# Settings: campaign.yaml", ""]
    lines += ["An unknown key is a fault. Defaults apply where a key is absent.", ""]
    lines += ["| key | default | meaning |", "|---|---|---|"]
    lines += _settings_rows(Settings, "")
    for table in (*TABLES, OUTLINE):
        lines += ["", f"## {table.name}.csv", "", "| column | needed | default | meaning |", "|---|---|---|---|"]
        for column in table.columns:
            needed = "yes" if column.needed else ""
            default = "" if column.default is None or column.needed else f"`{column.default}`"
            lines.append(f"| `{column.name}` | {needed} | {default} | {_cell(column.description)} |")
    return "\n".join(lines) + "\n"


def _settings_rows(model: type[BaseModel], prefix: str) -> list[str]:
    rows = []
    for name, field in model.model_fields.items():
        key = f"{prefix}{name}"
        inner = _section(field.annotation)
        rows.append(f"| `{key}` | {_default(field, inner)} | {_cell(field.description or '')} |")
        if inner is not None:
            mapped = typing.get_origin(_plain(field.annotation)) is dict
            rows += _settings_rows(inner, f"{key}.<name>." if mapped else f"{key}.")
    return rows


def _plain(annotation: Any) -> Any:
    return typing.get_args(annotation)[0] if typing.get_origin(annotation) is typing.Annotated else annotation


def _section(annotation: Any) -> type[BaseModel] | None:
    """The model that a field holds, in a mapping or a list too."""
    annotation = _plain(annotation)
    if isinstance(annotation, type) and not isinstance(annotation, types.GenericAlias):
        return annotation if issubclass(annotation, BaseModel) else None
    return next((found for part in typing.get_args(annotation) if (found := _section(part)) is not None), None)


def _default(field: FieldInfo, inner: type[BaseModel] | None) -> str:
    if field.is_required():
        return "needed"
    default = field.get_default(call_default_factory=True)
    if inner is not None and isinstance(default, BaseModel):
        return ""
    plain = [_text(item) for item in default] if isinstance(default, tuple | list) else default
    return f"`{json.dumps(plain, default=str)}`" if plain not in ("", {}, []) else ""


def _text(item: Any) -> Any:
    return item.model_dump(mode="json") if isinstance(item, BaseModel) else item


def jobs_page() -> str:
    """Every job with the results that it reads and writes, those of the sample campaign."""
    plan = Plan(load_campaign(ROOT, check=False))
    by = {"session": "{session}", "measured session": "{session}", "run": "{run}", "campaign": ""}
    lines = [MADE, "# Jobs", "", JOBS_HEAD, ""]
    lines += ["| job | one for each | does | reads results of | writes |", "|---|---|---|---|---|"]
    makers = {path: job.name for job in JOBS.values() for path in job.all_outputs(plan)}
    for job in JOBS.values():
        read = {makers[path] for key in job.keys(plan) for path in job.inputs(plan, key) if path in makers}
        written = (f"`{path.relative_to(plan.results).as_posix()}`" for path in job.outputs(plan, by[job.per]))
        sources = ["the user's files"] if any(job.sources(plan, key) for key in job.keys(plan)) else []
        made = ", ".join([*sources, *(name for name in JOBS if name in read)])
        lines.append(f"| `{job.name}` | {job.per} | {job.does} | {made} | {', '.join(written)} |")
    lines += ["", "# Steps", "", STEPS_HEAD, "", "| step | makes | jobs | one for each |", "|---|---|---|---|"]
    each = {
        "calibrate": "session",
        "spectra": "batch of recordings (`batch_mb`)",
        "verdicts": "session that lends its backgrounds",
        "tables": "measured session",
    }
    for step in STEPS.values():
        jobs = ", ".join(f"`{name}`" for name in step.jobs)
        lines.append(f"| `{step.name}` | {step.does} | {jobs} | {each.get(step.name, 'campaign')} |")
    return "\n".join(lines) + "\n"


JOBS_HEAD = """For who changes the code or looks for what is computed where: the jobs of the sample campaign, in their
order. Files lie in the results folder. `tapeline JOB NAME` does one by hand, whether or not it is due. `pressure`
writes `pressure/{run}.arrow`; the workflow asks for it with `keep_pressure` alone."""

STEPS_HEAD = """A rule of the workflow each. `tapeline step STEP NAME` does the jobs that are due, one after the
other, in one process: those whose results are not there, are not as they were written, or were made from other
settings, versions, recordings or results than those that are there now."""


def reasons_page() -> str:
    """Every reason code."""
    lines = [
        MADE,
        "# Reason codes",
        "",
        "Each with the verdict it leads to (`good`: a note only), what it keeps the level out of, and the next action.",
        "",
        "| keeps out of | what that means |",
        "|---|---|",
        *(f"| {name} | {text} |" for name, text in KEPT_OUT.items()),
        "",
    ]
    lines += ["| code | verdict | keeps out of | meaning | next action |", "|---|---|---|---|---|"]
    lines += [
        f"| `{r.code}` | {r.verdict} | {_kept_out(r)} | {_cell(r.meaning)} | {_cell(r.action)} |"
        for r in REASONS.values()
    ]
    lines += ["", "## Marks of levels that make them doubtful", "", "| mark | keeps out of |", "|---|---|"]
    lines += [f"| `{mark}` | {_kept_out_by(mark)} |" for mark in sorted(BACKGROUND_DOUBTS)]
    return "\n".join(lines) + "\n"


KEPT_OUT = {
    "everything": "no mean, no difference, no scatter, no rank; the row stays with its reason",
    "the sensitivity": "the calibrator check is refused: other checks decide, with a larger uncertainty",
    "pools": "no scatter of repeats, repeatability, shift of a session, control limit or rank; in means only where no "
    "sounder level is there; differences within a session stay, marked doubtful, if it is the session's calibration",
    "pools and differences": "the same, and a difference that rests on nothing sounder is not given",
    "pools and values": "the same as pools; a difference says no more than how large it is at least",
    "nothing": "it is used like any other; what is made of it is marked doubtful, or it is a note",
}


OF_CALIBRATION = frozenset({"drift", "exchange-undecided", "positions-exchanged", "doubted-by-hand"})
"""Doubts of the level that a session's calibration brings: the same in all of its runs."""


def _kept_out(reason: Reason) -> str:
    if reason.code in UNFIT_CHECKS:
        return "the sensitivity"
    if reason.verdict == "unusable":
        return "everything"
    if not reason.of_level:
        return "nothing"
    return "pools" if reason.code in OF_CALIBRATION else "pools and differences"


def _kept_out_by(mark: str) -> str:
    return (
        "pools and values" if mark in NOT_SUBTRACTED else "pools and differences" if doubts_level([mark]) else "nothing"
    )


@dataclass(frozen=True)
class Limit:
    """One constant of the register of limits."""

    section: str
    name: str
    value: Any
    meaning: str
    origin: str

    @property
    def unit(self) -> str:
        """The unit that the name ends in; raises KeyError where it ends in none."""
        words = self.name.split("_")
        return next(
            LIMIT_UNITS[ending] for start in range(len(words)) if (ending := "_".join(words[start:])) in LIMIT_UNITS
        )


LIMIT_UNITS = {
    "DB": "dB",
    "DB2": "dB²",
    "HZ": "Hz",
    "S": "s",
    "HOURS2": "h²",
    "DAYS": "days",
    "YEAR": "year",
    "M": "m",
    "MPS": "m/s",
    "RAD": "rad",
    "V_PER_PA": "V/Pa",
    "PCT": "%",
    "BYTES": "bytes",
    "P": "probability",
    "SHARE": "share",
    "RATIO": "ratio",
    "DOF": "degrees of freedom",
    "SD": "standard deviations",
    "UNITS": "unit of the value",
    "EXPONENT": "power of speed",
    "EXPONENTS": "power of speed",
    "TIMES": "times",
    "CORRELATION": "correlation",
} | {
    words: words.lower().replace("_", " ")
    for words in [
        "BANDS",
        "BLOCKS",
        "CHANGES",
        "CHANNELS",
        "CHUNKS",
        "CONVERTER_STEPS",
        "DIFFERENCES",
        "FLAT_TOPS",
        "FRAMES",
        "HARMONICS",
        "LEVELS",
        "LINES",
        "MEAN_RANGES",
        "MEDIAN_DEVIATIONS",
        "OCTAVES",
        "PAIRS",
        "PARTITIONS",
        "PIECES",
        "POINTS",
        "POSITIONS",
        "ROUNDS",
        "ROWS",
        "RUNS",
        "SAMPLES",
        "SEGMENTS",
        "SENSORS",
        "SESSIONS",
        "SPEEDS",
        "SPIKES",
        "STANDARD_ERRORS",
        "STANDARD_UNCERTAINTIES",
        "VALUES",
    ]
}


def register() -> list[Limit]:
    """Every constant of `tapeline.limits` in the order of that file."""
    source = Path(limits.__file__).read_text(encoding="utf-8")
    sections = {number: line[2:] for number, line in enumerate(source.splitlines(), 1) if line.startswith("# ")}
    found = []
    for declared, text in itertools.pairwise(ast.parse(source).body):
        if isinstance(declared, ast.AnnAssign) and isinstance(declared.target, ast.Name):
            words = ast.literal_eval(text.value) if isinstance(text, ast.Expr) else ""
            meaning, _, origin = " ".join(words.split()).partition(" Origin: ")
            section = sections[max(number for number in sections if number < declared.lineno)]
            name = declared.target.id
            found.append(Limit(section, name, getattr(limits, name), meaning, origin.removesuffix(".")))
    return found


def limits_page() -> str:
    """Every limit that stands in the code and in no setting."""
    lines = [
        MADE,
        "# Limits in the code",
        "",
        "For who asks why a number was judged as it was: every limit that no setting holds, with its origin.",
        "What can be set is in [settings.md](settings.md). *Own choice* means that no source asks for the value;",
        "the reason follows. *Common practice* is a fact of the trade. *From memory* means that the source was not",
        "at hand.",
    ]
    section = ""
    for limit in register():
        if limit.section != section:
            section = limit.section
            lines += [
                "",
                f"## {section}",
                "",
                "| name | value | unit | what it limits | origin |",
                "|---|---|---|---|---|",
            ]
        values = limit.value if isinstance(limit.value, tuple) else (limit.value,)
        value = ", ".join(f"{each:g}" if isinstance(each, float) else str(each) for each in values)
        lines.append(f"| `{limit.name}` | {value} | {limit.unit} | {_cell(limit.meaning)} | {_cell(limit.origin)} |")
    return "\n".join(lines) + "\n"


def _cell(text: str) -> str:
    return text.replace("|", "\\|")


ROW_TYPES: dict[ColumnType, str] = {
    "text": "str",
    "texts": "list[str]",
    "integer": "int",
    "integers": "list[int]",
    "real": "float",
    "reals": "Numbers",
    "yes_no": "bool",
    "states": "Sequence[int] | NDArray[np.uint8]",
}


def rows_module() -> str:
    """Types of rows: a misspelt column, or a cell of another type, is an error of the type checker."""
    lines = [
        '"""Types of the rows of every table, and of the columns that tables share.',
        "",
        "Made from the declarations in `tapeline.store` by `make docs`. No column has to be there: what is",
        "absent is null. A cell is None only in columns that say what an empty cell means.",
        '"""',
        "",
        "from __future__ import annotations",
        "",
        "from collections.abc import Sequence",
        "from typing import TypedDict",
        "",
        "import numpy as np",
        "from numpy.typing import NDArray",
        "",
        "Numbers = Sequence[float] | NDArray[np.floating]",
        "",
        "NumbersWithGaps = Sequence[float | None] | NDArray[np.floating]",
    ]
    groups = {name: columns for name, columns in vars(shared_columns).items() if isinstance(columns, tuple)}
    for name, columns in groups.items():
        if all(isinstance(column, Column) for column in columns):
            lines += _row_type(
                f"{name.title().replace('_', '')}Columns", f"Columns `{name}` of several tables.", columns
            )
    for table in tables.ALL:
        lines += _row_type(row_type(table), f"A row of `{table.name}`.", table.columns)
    return "\n".join(lines) + "\n"


def row_type(table: Table[Any]) -> str:
    """Name of the type of a table's rows."""
    return f"{table.name.title().replace('_', '')}Row"


def _row_type(name: str, words: str, columns: Iterable[Column]) -> list[str]:
    cells = [f"    {column.name}: {_cell_type(column)}" for column in columns]
    return ["", "", f"class {name}(TypedDict, total=False):", f'    """{words}"""', "", *cells]


def _cell_type(column: Column) -> str:
    cell = "NumbersWithGaps" if column.type == "reals" and column.gap else ROW_TYPES[column.type]
    return f"{cell} | None" if column.null else cell


def pages() -> dict[str, str]:
    """File name to content."""
    schema = json.dumps(Settings.json_schema(), indent=1, sort_keys=True) + "\n"
    return {
        "docs/tables.md": tables_page(),
        "docs/settings.md": settings_page(),
        "docs/jobs.md": jobs_page(),
        "docs/reasons.md": reasons_page(),
        "docs/limits.md": limits_page(),
        "docs/campaign.schema.json": schema,
        "src/tapeline/store/rows.py": rows_module(),
    }


def main(arguments: list[str]) -> int:
    """Write the pages and the types of rows, or with --check name those that differ."""
    made = pages()
    stale = [name for name, text in made.items() if _written(ROOT / name) != text]
    if "--check" in arguments:
        for name in stale:
            sys.stderr.write(f"{name} is out of date: run `make docs`\n")
        return 1 if stale else 0
    for name in stale:
        (ROOT / name).write_text(made[name], encoding="utf-8")
    return 0


def _written(path: Path) -> str | None:
    return path.read_text(encoding="utf-8") if path.is_file() else None


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
