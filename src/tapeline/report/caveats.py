"""Caveats: what a reader must hold in mind before a number of the report is used elsewhere."""

from __future__ import annotations

from collections.abc import Iterable

from tapeline.campaign.model import Campaign
from tapeline.report.comparison_views import is_given
from tapeline.report.figure_letters import undrawn_sentence
from tapeline.report.finished_tables import FinishedTables, Row
from tapeline.report.sections.what_was_tested import measured_here, subtracted_runs
from tapeline.report.wording import counted, listed, number, pairing

MOST_NAMED = 4
ASSUMED = ("assumed sessions", "assumed repeats")


def caveats(tables: FinishedTables, campaign: Campaign) -> list[str]:
    """Sentences that hold for this campaign; the rest stands in methods and cautions."""
    return [
        *_left_out(tables),
        *_calibration(tables),
        *_mounting(campaign),
        *_background(tables),
        *_across(tables),
        *_assumed(tables),
        *_doubted(tables),
        *_air(tables),
        *_files(campaign),
        *filter(None, [undrawn_sentence(campaign)]),
    ]


def _left_out(tables: FinishedTables) -> list[str]:
    sentences = []
    for status, words in (
        ("unusable", "could not be used"),
        ("left out", "left out by the run table"),
        ("superseded", "taken again and replaced"),
    ):
        names = sorted(row["run"] for row in tables.runs if row["status"] == status)
        if names:
            verb = "were" if len(names) > 1 else "was"
            said = words if status == "unusable" else f"{verb} {words}"
            sentences.append(f"{counted(len(names), 'recording')} {said}: {listed(names, MOST_NAMED)}.")
    parts = sorted(row["run"] for row in tables.runs if row["left_out"])
    if parts:
        many = counted(len(parts), "recording")
        sentences.append(f"Parts of {many} are left out by hand, in time or frequency: {listed(parts, MOST_NAMED)}.")
    return sentences


def _calibration(tables: FinishedTables) -> list[str]:
    rows = tables.calibration
    sentences = []
    known = measured_here(rows)
    if known:
        worst = max(known, key=lambda row: (row["standard_uncertainty_db"], row["session"], row["position"]))
        sentences.append(
            f"Absolute levels carry the calibration's uncertainty, at twice the standard uncertainty up to "
            f"{number(2 * worst['standard_uncertainty_db'])} dB ({_place(worst)}). What all checks share cancels in "
            "differences within a session; drift of a sensor does not."
        )
    for chosen, words in (
        ([row for row in rows if row["source"] == "pascal"],
         "Recordings that hold pascal: how they were calibrated, and how well, is not known here"),
        ([row for row in rows if row["source"] in ("chart", "data_sheet")],
         "No valid calibrator check, the sensitivity is that of the papers"),
        ([row for row in rows if row["verdict"] == "unusable" or row["source"] == "none"],
         "No levels, for want of a sensitivity that can be used"),
        ([row for row in rows if row["verdict"] == "doubtful"], "The calibration is in doubt"),
    ):  # fmt: skip
        if chosen:
            sentences.append(f"{words}: {listed(map(_place, chosen), MOST_NAMED)}.")
    return sentences


def _mounting(campaign: Campaign) -> list[str]:
    """The default that stands for a mounting of which nothing is stated."""
    stated = campaign.settings.uncertainty
    if "mounting_db" in stated.stated_settings:
        return []
    (low_hz, low_db), (high_hz, high_db) = stated.mounting_db[0], stated.mounting_db[-1]
    return [
        f"How well sensors are fitted is not stated: levels carry a default standard uncertainty, {low_db:g} dB below "
        f"{low_hz / 1000:g} kHz to {high_db:g} dB above {high_hz / 1000:g} kHz (common practice). It cancels in "
        "differences under one mount. The setting uncertainty.mounting_db replaces it."
    ]


def _place(row: Row) -> str:
    return f"{row['position']} in {row['session']}"


def _background(tables: FinishedTables) -> list[str]:
    """Measurements whose levels hold the background as well."""
    used, subtracted = tables.used_measurements, subtracted_runs(tables)
    without = sorted(row["run"] for row in used if row["run"] not in subtracted)
    if not without:
        return []
    return [
        f"No background is subtracted from {len(without)} of {counted(len(used), 'measurement')}: their levels hold it "
        f"({listed(without, MOST_NAMED)})."
    ]


def _across(tables: FinishedTables) -> list[str]:
    """Comparisons between sessions."""
    found: dict[str, list[Row]] = {}
    for row in tables.comparisons:
        found.setdefault(row["comparison"], []).append(row)
    sentences = []
    for name, rows in sorted(found.items()):
        across = [row for row in rows if row["pairing"] != "same-session"]
        if across:
            words = listed(sorted({pairing(row["pairing"]) for row in across}))
            some = "" if len(across) == len(rows) else f" in {len(across):,} of {len(rows):,} differences"
            sentences.append(
                f"{name} compares different sessions{some} ({words}); such intervals hold what sessions change."
            )
    return sentences


def _assumed(tables: FinishedTables) -> list[str]:
    """Intervals that rest on the settings and not on measurements."""
    sentences = []
    for basis in ASSUMED:
        names = _comparisons(row["comparison"] for row in tables.comparisons if row["interval_basis"] == basis)
        if names:
            what = "the scatter of sessions" if basis == "assumed sessions" else "the scatter of repeats"
            sentences.append(f"Intervals of {names} rest on an assumption of the settings for {what}.")
    return sentences


def _comparisons(names: Iterable[str]) -> str:
    return listed(sorted(set(names)), MOST_NAMED)


def _doubted(tables: FinishedTables) -> list[str]:
    given = [row for row in tables.comparisons if is_given(row)]
    doubted = sum(bool(row["doubtful"]) for row in given)
    if not doubted:
        return []
    return [
        f"{doubted:,} of {len(given):,} differences rest on a doubtful channel, calibration or background, and say so."
    ]


def _air(tables: FinishedTables) -> list[str]:
    assumed = sorted({name for row in tables.runs if row["status"] == "used" for name in row["air_assumed"] or ()})
    return [f"Standard values are assumed where the run table has no {listed(assumed)}."] if assumed else []


def _files(campaign: Campaign) -> list[str]:
    count = len(campaign.file_warnings)
    return (
        [f"The campaign's files gave {counted(count, 'warning')}, listed with what needs attention."] if count else []
    )
