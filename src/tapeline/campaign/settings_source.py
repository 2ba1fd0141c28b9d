"""Reads campaign.yaml into Settings and says in plain English, with line and column, what does not fit."""

from __future__ import annotations

import copy
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, get_args, get_origin

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from tapeline.campaign.faults import GAP, Fault, Gap, did_you_mean, listed, quoted
from tapeline.campaign.setting_sections import INPUTS_OUTSIDE
from tapeline.campaign.settings import Settings
from tapeline.campaign.usual_values import Usual, innermost, usual_among
from tapeline.campaign.yaml_source import KeyPath, YamlDocument, read_yaml

SETTINGS_FILE = "config/campaign.yaml"
NAME_RULE = 'a name of letters, digits, "_", "." and "-" that starts with a letter or a digit'
PHRASES = {
    "bool_parsing": "true or false",
    "bool_type": "true or false",
    "dict_type": 'a section of "key: value" lines',
    "finite_number": "a finite number",
    "float_type": "a number",
    "greater_than": "a number above {gt}",
    "greater_than_equal": "a number of at least {ge}",
    "int_type": "a whole number",
    "less_than": "a number below {lt}",
    "less_than_equal": "a number of at most {le}",
    "model_type": 'a section of "key: value" lines',
    "string_pattern_mismatch": NAME_RULE,
    "string_too_long": "at most {max_length} characters",
    "string_too_short": "text that is not empty",
    "string_type": "text",
    "too_long": "at most {max_length} values",
    "too_short": "at least {min_length} in number",
    "tuple_type": "a list in brackets",
}
LIMITS = frozenset({"greater_than", "greater_than_equal", "less_than", "less_than_equal"})
"""Misfits of numbers whose size is at fault."""


@dataclass(frozen=True)
class SettingsSource:
    """The settings, as far as they can be used, and the text they came from.

    `settings` lacks the parts at fault, so that the tables can be checked against the rest; the sets of names below
    hold every name written in the file, the ones with a faulty body too (None: the section is no section).
    """

    settings: Settings
    document: YamlDocument
    conditions: frozenset[str] | None
    raw_formats: frozenset[str] | None


def read_settings(root: Path, faults: list[Fault]) -> SettingsSource | None:
    """Read the settings of the campaign folder `root`; None where there is nothing to go on with."""
    document = read_yaml(root / SETTINGS_FILE, SETTINGS_FILE, faults)
    if document is None:
        return None
    if not isinstance(document.data, dict):
        found = describe(document.data)
        faults.append(document.fault((), found, 'the settings of a campaign, lines of "key: value"'))
        return None
    return SettingsSource(
        settings=_usable_settings(document, faults),
        document=document,
        conditions=_names(document.data, "conditions", absent=None),
        raw_formats=_names(document.data, "raw_formats", absent=frozenset()),
    )


def _names(data: dict[str, Any], section: str, absent: frozenset[str] | None) -> frozenset[str] | None:
    content = data.get(section)
    if content is None or content == {}:
        return absent
    return frozenset(content) if isinstance(content, dict) else None


def _usable_settings(document: YamlDocument, faults: list[Fault]) -> Settings:
    data = copy.deepcopy(document.data)
    gaps = frozenset(_gaps(data, ()))
    for path in sorted(gaps, key=lambda path: tuple(map(str, path))):
        place, meaning = document.place(path), _declared(path).meaning or "what belongs here"
        faults.append(Gap(document.file, place.line, place.column, quoted(GAP), meaning))
        _remove(data, path)
    context = {INPUTS_OUTSIDE: data.get(INPUTS_OUTSIDE) is True}
    for attempt in range(5):
        try:
            return Settings.model_validate(data, context=context)
        except ValidationError as error:
            details = error.errors(include_url=False)
            if attempt == 0:
                faults.extend(
                    _fault(document, detail)
                    for detail in details
                    if _is_written(document, detail) and _path(detail) not in gaps
                )
            for detail in details:
                _remove(data, _path(detail))
            data.setdefault("campaign", "unnamed")
            data.setdefault("conditions", {"unnamed": {}})
    return Settings.model_validate({"campaign": "unnamed", "conditions": {"unnamed": {}}})


def _gaps(value: Any, path: KeyPath) -> Iterator[KeyPath]:
    """Where the token of a gap stands below `value`, itself at `path`."""
    if value == GAP:
        yield path
    parts = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, part in parts:
        yield from _gaps(part, (*path, key))


def _is_written(document: YamlDocument, detail: ErrorDetails) -> bool:
    """False for what only follows from another fault: parts filled in, lists short of the entries at fault."""
    if detail["type"] == "too_short" and len(detail["input"]) >= detail["ctx"]["min_length"]:
        return False
    return detail["type"] == "missing" or not detail["loc"] or detail["loc"][0] in document.data


def _remove(data: dict[str, Any], path: KeyPath) -> None:
    """Take the innermost named part of `path` out of `data`."""
    holder: Any = data
    inner: list[tuple[dict[str, Any], str]] = []
    for part in path:
        if not isinstance(holder, dict) or not isinstance(part, str) or part not in holder:
            break
        inner.append((holder, part))
        holder = holder[part]
    if inner:
        section, key = inner[-1]
        del section[key]


def _path(detail: ErrorDetails) -> KeyPath:
    return tuple(part for part in detail["loc"] if part != "[key]")


def _fault(document: YamlDocument, detail: ErrorDetails) -> Fault:
    path, kind = _path(detail), detail["type"]
    of_key = "[key]" in detail["loc"]
    declared = _declared(path)
    if kind == "extra_forbidden":
        name = str(path[-1])
        known = list(_declared(path[:-1]).keys)
        hint = did_you_mean(name, known)
        expected = "one of the keys " + listed(known, 30)
        return document.fault(path, f"the unknown key {quoted(name)}", expected, hint, of_key=True)
    if kind == "missing" and isinstance(path[-1], str):
        return document.fault(path[:-1], "nothing", f'the key "{path[-1]}" ({declared.meaning})', of_key=True)
    value = path[-1] if of_key else detail["input"]
    if kind == "missing":
        path, value = path[:-1], detail["input"]
    phrase, hint = _expected(detail, value)
    if kind in LIMITS and declared.usual is not None and not declared.usual.holds(float(value)):
        hint = declared.usual.hint(float(value))
    if declared.meaning and kind != "expected":
        phrase = f"{phrase} ({declared.meaning})"
    found = detail.get("ctx", {}).get("found") or describe(value)
    return document.fault(path, found, phrase, hint, of_key)


def _expected(detail: ErrorDetails, value: Any) -> tuple[str, str | None]:
    kind, context = detail["type"], detail.get("ctx", {})
    if kind == "expected":
        return str(context["expected"]), context.get("mend")
    if kind == "literal_error":
        allowed = str(context["expected"]).replace("'", '"')
        words = re.findall(r'"([^"]*)"', allowed)
        return f"one of {allowed}", did_you_mean(value, words) if isinstance(value, str) else None
    if kind == "missing":
        return "two values, such as [25, 8000]", None
    phrase = PHRASES.get(kind, "a value that fits").format(**context)
    hint = None
    if kind == "string_type" and isinstance(value, int | float):
        hint = "put it in quotes"
    if kind in ("float_type", "int_type") and isinstance(value, str):
        hint = "write a number without unit or quotes, with a decimal point"
    return phrase, hint


@dataclass(frozen=True)
class _Declared:
    """What a setting is for, the keys that may stand below it, and what is usual for its number."""

    meaning: str = ""
    keys: Mapping[str, Any] = field(default_factory=dict)
    usual: Usual | None = None


def _declared(path: KeyPath) -> _Declared:
    """What is declared of the setting at `path`."""
    meaning = ""
    usual: Usual | None = None
    current: Any = Settings
    for part in path:
        if _is_section(current):
            declared = current.model_fields.get(str(part))
            if declared is None:
                return _Declared()
            meaning = (declared.description or "").split(" (", maxsplit=1)[0]
            current, usual = declared.annotation, usual_among(declared.metadata)
        elif isinstance(get_origin(current), type) and issubclass(get_origin(current), Mapping):
            current = get_args(current)[1]
        else:
            current = next(iter(get_args(current)), None)
        current, usual = innermost(current, usual)
    return _Declared(meaning, dict(current.model_fields) if _is_section(current) else {}, usual)


def _is_section(annotation: Any) -> bool:
    return isinstance(annotation, type) and issubclass(annotation, BaseModel)


def describe(value: Any) -> str:
    """A value of a YAML file in words."""
    if value is None:
        return "nothing"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return quoted(value)
    if isinstance(value, Mapping):
        return "a section"
    if isinstance(value, list | tuple):
        return "an empty list" if not value else f"a list of {len(value)}"
    return str(value)
