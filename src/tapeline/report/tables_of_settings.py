"""Page tables on how it was made: every setting, and the versions of the software."""

from __future__ import annotations

import json
import platform
from collections.abc import Iterator, Mapping
from importlib.metadata import PackageNotFoundError, version
from typing import Any

from tapeline import __version__
from tapeline.campaign.model import Campaign
from tapeline.report.page_table import PlainTable

PACKAGES = ("numpy", "scipy", "soundfile", "pyarrow", "pandas", "matplotlib", "pydantic", "jinja2", "snakemake")


def settings_table(campaign: Campaign) -> PlainTable:
    """Every setting with its value, defaults filled in."""
    rows = tuple(_flat("", campaign.settings.model_dump(mode="json")))
    return PlainTable("settings-table", "Every setting, defaults filled in", ("setting", "value"), rows)


def _flat(prefix: str, value: Any) -> Iterator[tuple[str, str]]:
    if isinstance(value, Mapping) and value:
        for name, inner in value.items():
            yield from _flat(f"{prefix}.{name}" if prefix else str(name), inner)
    elif isinstance(value, str):
        yield prefix, value
    else:
        yield prefix, json.dumps(value, ensure_ascii=False)


def versions_table(digest: str) -> PlainTable:
    """What made this page."""
    rows = [("tapeline", __version__), ("analysis digest", digest), ("Python", platform.python_version())]
    rows += [(name, _version(name)) for name in PACKAGES]
    return PlainTable("versions-table", "Software versions", ("what", "version"), tuple(rows))


def _version(package: str) -> str:
    try:
        return version(package)
    except PackageNotFoundError:
        return "not installed"
