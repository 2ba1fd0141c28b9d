"""Write the reference pages from the code: tables, settings, reason codes, and the settings' JSON Schema.

Run as `python docs/make_reference.py`; `--check` only says which page is out of date.
"""

from __future__ import annotations

import json
import sys
import types
import typing
from pathlib import Path
from typing import Any

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from tapeline.campaign.outlines import OUTLINE
from tapeline.campaign.settings import Settings
from tapeline.campaign.table_columns import TABLES
from tapeline.quality.reasons import REASONS, UNFIT_CHECKS, Reason
from tapeline.quality.use_of_levels import BACKGROUND_DOUBTS, NOT_TAKEN_OFF, doubts_level
from tapeline.store import tables
from tapeline.store.schema import Column

FOLDER = Path(__file__).parent
MADE = "<!-- made by docs/make_reference.py; change the code, not this page -->\n"


def tables_page() -> str:
    """Every output table with its columns, units and keys."""
    lines = [MADE, "# Tables", "", UNNEST]
    for table in tables.ALL:
        place = _place(table)
        lines += ["", f"## {table.name}", "", f"{table.title}. `{place}`, schema version {table.version}."]
        lines += [f"Key: {', '.join(table.key)}; sorted by {', '.join(table.order)}.", ""]
        lines += ["| column | type | unit | meaning | empty means |", "|---|---|---|---|---|"]
        lines += [
            f"| `{c.name}` | {c.type} | {c.unit} | {_cell(c.description)} | {_empty(c)} |" for c in table.stored_columns
        ]
    return "\n".join(lines) + "\n"


def _empty(column: Column) -> str:
    """What empty cells mean, and empty elements of lists."""
    return "; ".join(filter(None, [column.null, column.gap and f"in the list: {column.gap}"]))


def _place(table: tables.Table) -> str:
    if table.name == "spectra":
        return "spectra/<run>/spectra.parquet"
    if table.partition:
        return f"tables/{table.name}/{table.partition}=<{table.partition}>/part-0.parquet"
    return f"tables/{table.name}.parquet"


UNNEST = (FOLDER / "reading_tables.md").read_text(encoding="utf-8").rstrip()


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
        "pools and values" if mark in NOT_TAKEN_OFF else "pools and differences" if doubts_level([mark]) else "nothing"
    )


def _cell(text: str) -> str:
    return text.replace("|", "\\|")


def pages() -> dict[str, str]:
    """File name to content."""
    schema = json.dumps(Settings.json_schema(), indent=1, sort_keys=True) + "\n"
    return {
        "tables.md": tables_page(),
        "settings.md": settings_page(),
        "reasons.md": reasons_page(),
        "campaign.schema.json": schema,
    }


def main(arguments: list[str]) -> int:
    """Write the pages, or with --check name those that differ."""
    made = pages()
    stale = [name for name, text in made.items() if _written(FOLDER / name) != text]
    if "--check" in arguments:
        for name in stale:
            sys.stderr.write(f"docs/{name} is out of date: run `make docs`\n")
        return 1 if stale else 0
    for name in stale:
        (FOLDER / name).write_text(made[name], encoding="utf-8")
    return 0


def _written(path: Path) -> str | None:
    return path.read_text(encoding="utf-8") if path.is_file() else None


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
