"""How the numbers were made: methods, every setting, the versions of the software, and cautions for the test itself."""

from __future__ import annotations

import json
import platform
from collections.abc import Iterator, Mapping
from importlib.metadata import PackageNotFoundError, version
from typing import Any

from tapeline import __version__
from tapeline.campaign.model import Campaign
from tapeline.report.blocks import Bullets, Section, TableBlock, Template
from tapeline.report.finished_tables import FinishedTables
from tapeline.report.page_table import PlainTable
from tapeline.report.wording import BAND_WORDS, confidence_words, pascal

PACKAGES = ("numpy", "scipy", "soundfile", "pyarrow", "pandas", "pydantic", "jinja2", "snakemake")

CAUTIONS = (
    "Tape and fairings can come off at speed. Keep people clear of the wake and secure everything outside. Raise the "
    "speed in steps and look after each.",
    "Follow the tunnel's or the test track's own rules. On the road one person drives and another measures.",
    "Calibrators, tunnels and whistling gaps can exceed safe exposure. Wear hearing protection and follow the "
    "occupational limits that hold where you work.",
    "Taped vents, drains, radar and camera covers change how a vehicle cools, drains and sees. Take all tape off after "
    "the test and check that nothing is left.",
    "These are engineering comparisons, not type-approval or exposure measurements. Where a standard or a law governs, "
    "use accredited practice and instruments.",
    "An A-weighted level of pressure on a surface is not loudness: it holds flow pressure that is not heard as sound "
    "inside.",
)


def how_it_was_made_sections(tables: FinishedTables, campaign: Campaign) -> list[Section]:
    """Methods, settings and versions are folded; cautions are short and open."""
    settings = [TableBlock(settings_table(campaign)), TableBlock(versions_table())]
    return [
        Section("methods", "Methods", "trace", [methods(campaign)], is_folded=True),
        Section("settings", "Settings and versions", "trace", settings, is_folded=True),
        Section("cautions", "Cautions", "trace", [Bullets(CAUTIONS)]),
    ]


def methods(campaign: Campaign) -> Template:
    """How each kind of number is made, with the settings that hold for this campaign."""
    settings = campaign.settings
    content = {
        "settings": settings,
        "reference": pascal(settings.reference_pressure_pa),
        "confidence": confidence_words(settings.confidence),
        "chance": f"{100 * (1 - settings.confidence):.4g} %",
        "band": BAND_WORDS.get(settings.bands.fraction, "band"),
    }
    return Template("methods.html.j2", content)


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


def versions_table() -> PlainTable:
    """What made this page; the analysis has its digest at the head of the page."""
    rows = [("tapeline", __version__), ("Python", platform.python_version())]
    rows += [(name, _version(name)) for name in PACKAGES]
    return PlainTable("versions-table", "Software versions", ("software", "version"), tuple(rows))


def _version(package: str) -> str:
    try:
        return version(package)
    except PackageNotFoundError:
        return "not installed"
