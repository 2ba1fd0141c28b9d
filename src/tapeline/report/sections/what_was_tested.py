"""What was tested, how and when: the facts that the numbers rest on."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence

from tapeline.campaign.model import Campaign
from tapeline.report.blocks import Facts, Section
from tapeline.report.comparison_views import condition_title
from tapeline.report.coverage_rows import points_words
from tapeline.report.finished_tables import FinishedTables, Row
from tapeline.report.wording import BAND_WORDS, NO_VALUE, confidence_words, counted, frequency, listed, number, pascal

MOST_NAMES = 8
SOURCE_WORDS = {
    "mean": "calibrator checks before and after",
    "before": "the check before alone",
    "after": "the check after alone",
    "chart": "the sensor's chart alone",
    "data_sheet": "the sensor's data sheet alone",
    "pascal": "recordings that hold pascal",
    "none": "nothing: no level",
}
KIND_WORDS = {"measurement": "measurement", "background": "background run", "calibration": "calibrator recording"}
STATUS_WORDS = {"used": "used", "superseded": "taken again", "left out": "left out", "unusable": "unusable"}


def tested_sections(tables: FinishedTables, campaign: Campaign) -> list[Section]:
    """The first section on what the numbers rest on."""
    return [Section("tested", "What was tested", "trust", [Facts(facts(tables, campaign))])]


def facts(tables: FinishedTables, campaign: Campaign) -> list[tuple[str, str]]:
    """Names and words, in the order in which a reader asks for them."""
    settings = campaign.settings
    rows = [
        ("Conditions", _conditions(tables, campaign)),
        ("Positions", _positions(tables.positions)),
        ("Operating points", _points(tables, settings.report.speed_unit)),
        ("Sessions", "; ".join(_session(tables.runs, name) for name in _sessions(tables.runs)) or NO_VALUE),
        ("Recordings", _recordings(tables.runs)),
        ("Calibration", _calibration(tables.calibration)),
        ("Analysis", _analysis(tables, campaign)),
        ("Levels", _levels(campaign)),
        ("Axes", settings.axes),
    ]
    return [(name, words) for name, words in rows if words]


def _conditions(tables: FinishedTables, campaign: Campaign) -> str:
    measured = {row["condition"] for row in tables.used_measurements}
    reference = campaign.settings.reference_condition
    names = [name for name in campaign.settings.conditions if name in measured]
    words = [
        f"{condition_title(campaign, name)}{' (reference)' if name == reference else ''}"
        for name in sorted(names, key=lambda name: name != reference)
    ]
    return "; ".join(
        [*words[:MOST_NAMES], *([f"and {len(words) - MOST_NAMES} more"] if len(words) > MOST_NAMES else [])]
    )


def _positions(rows: Sequence[Row]) -> str:
    areas: dict[str, int] = {}
    for row in rows:
        if row["area"]:
            areas[row["area"]] = areas.get(row["area"], 0) + 1
    words = listed((f"{name} ({count})" for name, count in areas.items()), MOST_NAMES)
    return f"{counted(len(rows), 'surface microphone position')}{f': {words}' if words else ''}"


def _points(tables: FinishedTables, unit: str) -> str:
    points = {
        (row["speed_mps"], row["yaw_deg"] or 0.0) for row in tables.used_measurements if row["speed_mps"] is not None
    }
    return points_words(sorted(points), unit)


def _sessions(runs: Iterable[Row]) -> list[str]:
    """Sessions in order of their first recording; those without times after them."""
    first: dict[str, str] = {}
    for row in runs:
        time = row["recorded_at"] or "~"
        first[row["session"]] = min(first.get(row["session"], "~"), time)
    return sorted(first, key=lambda name: (first[name], name))


def _session(runs: Iterable[Row], session: str) -> str:
    days = sorted({row["recorded_at"][:10] for row in runs if row["session"] == session and row["recorded_at"]})
    if not days:
        return f"{session} (no time stated)"
    return f"{session} ({days[0]})" if len(days) == 1 else f"{session} ({days[0]} to {days[-1]})"


def _recordings(runs: Sequence[Row]) -> str:
    said = [
        f"{counted(len(own), words)} ({_states([row['status'] for row in own])})"
        for kind, words in KIND_WORDS.items()
        if (own := [row for row in runs if row["kind"] == kind])
    ]
    lengths = [row["duration_s"] for row in runs if row["kind"] == "measurement" and row["duration_s"] is not None]
    length = ""
    if lengths:
        low, high = number(min(lengths)), number(max(lengths))
        length = f"; measurements of {low} s" if low == high else f"; measurements of {low} to {high} s"
    return f"{', '.join(said) or 'none'}{length}"


def _states(found: Sequence[str]) -> str:
    """How many recordings of one kind are used, taken again, left out and unusable."""
    counts = Counter(found)
    return "all used" if set(counts) == {"used"} else ", ".join(
        f"{counts[name]} {words}" for name, words in STATUS_WORDS.items() if counts[name]
    )  # fmt: skip


def _calibration(rows: Sequence[Row]) -> str:
    """On what the sensitivities rest, and how sure they are."""
    sources: dict[str, int] = {}
    for row in rows:
        sources[row["source"]] = sources.get(row["source"], 0) + 1
    if not sources:
        return ""
    said = [
        f"{count} by {SOURCE_WORDS.get(name, name)}"
        for name, count in sorted(sources.items(), key=lambda item: (-item[1], item[0]))
    ]
    errors = [row["standard_uncertainty_db"] for row in measured_here(rows)]
    sure = f"; standard uncertainty {number(min(errors), 2)} to {number(max(errors), 2)} dB" if errors else ""
    return f"sensitivities {', '.join(said)}{sure}"


def measured_here(rows: Iterable[Row]) -> list[Row]:
    """Sensitivities with an uncertainty of their own: not of recordings that hold pascal, nor where there is none."""
    return [
        row for row in rows if row["source"] not in ("pascal", "none") and row["standard_uncertainty_db"] is not None
    ]


def _analysis(tables: FinishedTables, campaign: Campaign) -> str:
    settings = campaign.settings
    rates = sorted({row["sample_rate_hz"] for row in tables.runs if row["sample_rate_hz"] is not None})
    low, high = settings.bands.range_hz
    band = BAND_WORDS.get(settings.bands.fraction, "band")
    parts = [
        f"{band} bands {frequency(low)} to {frequency(high)}",
        f"sampled at {listed((frequency(rate) for rate in rates), 4)}" if rates else "",
        _backgrounds(tables),
    ]
    return "; ".join(part for part in parts if part)


def _levels(campaign: Campaign) -> str:
    reference = pascal(campaign.settings.reference_pressure_pa)
    return (
        f"dB re {reference}; spectral densities in dB re ({reference})²/Hz; intervals are "
        f"{confidence_words(campaign.settings.confidence)} confidence intervals"
    )


def subtracted_runs(tables: FinishedTables) -> frozenset[str]:
    """Runs of which any band level was held against a background in flow, or that have no usable level at all."""
    held = (
        row["run"] for row in tables.band_states if row["state"] != "none" and row["background_source"] != "electrical"
    )
    usable = {row["run"] for row in tables.band_states}
    return frozenset(held) | frozenset(row["run"] for row in tables.used_measurements if row["run"] not in usable)


def _backgrounds(tables: FinishedTables) -> str:
    """From how many of the used measurements a background could be subtracted."""
    used = tables.used_measurements
    count = len(subtracted_runs(tables).intersection(row["run"] for row in used))
    if not count:
        return "no background subtracted: levels as measured"
    return f"background runs subtracted in power from {count} of {counted(len(used), 'used measurement')}"
