"""What the page shows of repeatability: sentences, figures and tables of the reference condition and of all repeats."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from statistics import median

import numpy as np

from tapeline.campaign.model import Campaign
from tapeline.limits import BETWEEN_SESSIONS_KNOWN_SESSIONS, OTHER_REPEATS_DIFFERENCES
from tapeline.report.attention_repeats import measured_twice, unlike_other_repeats
from tapeline.report.comparison_views import condition_title
from tapeline.report.figure_data import FigureData, rows_data
from tapeline.report.figure_files import FigureShelf, Picture, Subject
from tapeline.report.figure_panels import Heading
from tapeline.report.figures_repeatability import BandScatter, band_scatter, control_figure, scatter_figure
from tapeline.report.finished_tables import FinishedTables, Row
from tapeline.report.page_table import PlainTable
from tapeline.report.tables_of_repeatability import level_words, pairs_table, scatter_table, shift_table
from tapeline.report.wording import confidence_words, counted, frequency, listed, number, operating_point
from tapeline.statistics.significance import student_factor

MOST_CHARTS = 6
WEIGHTING_ORDER = {"A": 0, "Z": 1, "C": 2}
CHARTED = (
    "position", "speed_mps", "yaw_deg", "weighting", "lowest_band_hz", "highest_band_hz", "session", "level_db",
    "run_count", "mount", "centre_db", "lower_limit_db", "upper_limit_db", "outside", "trend",
)  # fmt: skip


@dataclass(frozen=True)
class RepeatabilityPart:
    """Sentences, figures and tables, in the order of the page."""

    sentences: tuple[str, ...]
    pictures: tuple[Picture, ...]
    tables: tuple[PlainTable, ...]


def repeatability_part(tables: FinishedTables, campaign: Campaign, shelf: FigureShelf) -> RepeatabilityPart | None:
    """The section's content; None where no run has a level."""
    overall = tables.repeatability("overall")
    reference = campaign.settings.reference_condition
    bands = tables.repeatability("band", reference)
    if not overall and not bands:
        return None
    found = [_scatter_picture(campaign, shelf, bands), _control_picture(campaign, shelf, tables.control_values)]
    shifts = [row for row in overall if row["condition"] == reference]
    of_pairs = [pairs_table(campaign, tables.repeat_tests)] if tables.repeat_tests else []
    return RepeatabilityPart(
        sentences=tuple(_sentences(campaign, overall, tables.repeat_tests, measured_twice(tables.runs))),
        pictures=tuple(picture for picture in found if picture is not None),
        tables=(scatter_table(campaign, overall), shift_table(campaign, shifts), *of_pairs),
    )


def _not_between(overall: Sequence[Row], twice: bool) -> str:
    """Why nothing is known of scatter between sessions."""
    if not twice:
        cause = "No condition was measured in two sessions at one operating point"
    else:
        reasons = sorted({row["between_refused"] for row in overall} - {None, "one session"})
        cause = "No level of a condition counts in two sessions" + (f" ({', '.join(reasons)})" if reasons else "")
    return f"{cause}: of scatter between sessions nothing is known."


def _sentences(campaign: Campaign, overall: Sequence[Row], tests: Sequence[Row], twice: bool) -> list[str]:
    most = max((row["session_count"] for row in overall), default=0)
    said = []
    if most < 2:
        said.append(_not_between(overall, twice))
    else:
        dof, confidence = most - 1, campaign.settings.confidence
        text = (
            f"Scatter between sessions rests on {most} sessions at most, {dof} degree"
            f"{'' if dof == 1 else 's'} of freedom: t is {number(float(student_factor(dof, confidence)))} for "
            f"{confidence_words(confidence)}."
        )
        said.append(
            f"{text} With fewer than {BETWEEN_SESSIONS_KNOWN_SESSIONS} sessions it is weak."
            if most < BETWEEN_SESSIONS_KNOWN_SESSIONS
            else text
        )
    tested = [row for row in tests if row["same"] is not None]
    if tested:
        changed = sum(bool(row["changed"]) for row in tested)
        failed = sum(not row["same"] for row in tested)
        said.append(
            f"{counted(len(tested), 'pair')} of repeats of one position tested: {failed} not the same, {changed} of "
            f"them by {campaign.settings.repeatability.excess_db:g} dB rms or more beyond random error."
        )
        said.append(_usual_sentence(campaign, tested))
    return said


def _usual_sentence(campaign: Campaign, tested: Sequence[Row]) -> str:
    """How repeats stand to what those of the campaign usually differ by."""
    told = [row for row in tested if row["as_usual"] is not None]
    if not told:
        return (
            f"Too few other repeats tell what is usual: {OTHER_REPEATS_DIFFERENCES} independent differences between "
            "other repeats are needed."
        )
    levels = median(row["usual_level_sd_db"] for row in told)
    odd = sum(unlike_other_repeats(row, campaign.settings.repeatability.excess_db) for row in told)
    return (
        f"Repeats of this campaign usually differ in level by a standard deviation of {number(levels, 2)} dB: {odd} of "
        f"{counted(len(told), 'pair')} differ more than that in level or shape."
    )


def _scatter_picture(campaign: Campaign, shelf: FigureShelf, rows: Sequence[Row]) -> Picture | None:
    within, between = (band_scatter(rows, f"{name}_session_sd_db") for name in ("within", "between"))
    sessions = max((row["session_count"] for row in rows), default=0)
    titles = ("within sessions, s_r", f"between {counted(sessions, 'session')}, s_L")
    panels = {title: part for title, part in zip(titles, (within, between), strict=True) if part.band_hz.size}
    if not panels:
        return None
    reference = campaign.settings.reference_condition
    title = condition_title(campaign, reference)
    heading = Heading(
        f"Scatter of band levels, {title}",
        f"campaign {campaign.settings.campaign} · condition {reference} · {_counts(rows)}",
    )
    repeated = [row for row in rows if row["within_session_sd_db"] is not None]
    random_error = band_scatter(repeated, "random_error_db")
    return shelf.add(
        ("repeatability", reference),
        partial(scatter_figure, panels, random_error, heading),
        alt=f"Standard deviations of band levels of {title}. "
        + " ".join(_scatter_words(words, part, random_error) for words, part in panels.items()),
        data=_scatter_data({**panels, "random error": random_error}),
        caption="Standard deviation of a run's band level within sessions and of session means beyond it, over all "
        "positions and operating points of the reference condition. Scatter within sessions well above the random "
        "error has a cause of its own: speed, steadiness, the flow itself.",
    )


def _scatter_data(parts: Mapping[str, BandScatter]) -> FigureData:
    names = ("band_hz", "least_db", "median_db", "most_db")
    return FigureData(
        {
            "of": [title for title, part in parts.items() for _ in part.band_hz],
            **{name: np.concatenate([getattr(part, name) for part in parts.values()]) for name in names},
        }
    )


def _counts(rows: Sequence[Row]) -> str:
    positions, points = {row["position"] for row in rows}, {(row["speed_mps"], row["yaw_deg"]) for row in rows}
    sessions = sorted({name for row in rows for name in row["sessions"] or ()})
    most = max((row["run_count"] for row in rows), default=0)
    return (
        f"{counted(len(positions), 'position')} · {counted(len(points), 'operating point')} · sessions "
        f"{listed(sessions, 8)} · n = {counted(most, 'run')} at most"
    )


def _scatter_words(title: str, part: BandScatter, random_error: BandScatter) -> str:
    top, low = int(part.median_db.argmax()), int(part.median_db.argmin())
    errors = dict(zip(random_error.band_hz.tolist(), random_error.median_db.tolist(), strict=True))
    low_hz, top_hz = (frequency(float(part.band_hz[place])) for place in (low, top))
    return (
        f"{title[0].upper()}{title[1:]}: median {number(part.median_db[low], 2)} dB at {low_hz} to "
        f"{number(part.median_db[top], 2)} dB at {top_hz}, where random error alone makes "
        f"{number(errors.get(float(part.band_hz[top])), 2)} dB."
    )


def _control_picture(campaign: Campaign, shelf: FigureShelf, rows: Sequence[Row]) -> Picture | None:
    charted = [row for row in rows if row["centre_db"] is not None]
    if not charted:
        return None
    first = min(
        charted,
        key=lambda row: (WEIGHTING_ORDER.get(row["weighting"], 9), row["lowest_band_hz"], row["highest_band_hz"]),
    )
    level = [row for row in charted if level_words(row) == level_words(first)]
    point = max(sorted({_point(row) for row in level}), key=lambda at: sum(_point(row) == at for row in level))
    panels: dict[str, list[Row]] = {}
    for row in level:
        if _point(row) == point:
            panels.setdefault(row["position"], []).append(row)
    chosen = sorted(panels, key=lambda name: (-_furthest(panels[name]), name))[:MOST_CHARTS]
    shown = {name: panels[name] for name in chosen}
    words = operating_point(*point, campaign.settings.report.speed_unit)
    reference = campaign.settings.reference_condition
    sessions = max(row["session_count"] for row in level)
    outside = sorted(name for name, own in panels.items() if any(row["outside"] for row in own))
    judged = f"outside of the limits: {listed(outside) or 'none'}" if sessions > BETWEEN_SESSIONS_KNOWN_SESSIONS else (
        "too few sessions for a value to lie outside of the limits"
    )  # fmt: skip
    return shelf.add(
        ("control", reference),
        partial(
            control_figure,
            shown,
            Heading(
                f"Control charts, {condition_title(campaign, reference)}, overall level {level_words(first)}",
                f"campaign {campaign.settings.campaign} · condition {reference} · {words} · "
                f"{counted(sessions, 'session')} · {len(shown)} of {counted(len(panels), 'position')}",
            ),
        ),
        alt=f"Session means of {condition_title(campaign, reference)} at {words}: furthest from its centre is "
        f"{chosen[0]} with {number(_furthest(panels[chosen[0]]), 2)} dB; {judged}.",
        data=rows_data([row for rows in shown.values() for row in rows], CHARTED),
        subject=Subject(point=words, positions=tuple(shown)),
        caption=f"The reference condition as check standard: mean overall level of each session less the mean of "
        f"all, {words}. Limits are 2.66 mean moving ranges; of fewer than five sessions they hold every "
        "value. The positions that moved most.",
    )


def _point(row: Row) -> tuple[float, float]:
    return row["speed_mps"], row["yaw_deg"]


def _furthest(rows: Sequence[Row]) -> float:
    return float(max(abs(row["level_db"] - row["centre_db"]) for row in rows))
