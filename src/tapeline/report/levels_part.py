"""What the page shows of levels by condition: a figure of the bands and a table of overall levels."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import partial

from tapeline.campaign.model import Campaign
from tapeline.report.chosen_runs import ChosenRuns
from tapeline.report.comparison_views import MOST_PANELS, condition_title, first_positions, in_table_order
from tapeline.report.condition_levels import ConditionLevel, Levels, band_levels, overall_levels, runs_at
from tapeline.report.figure_data import FigureData
from tapeline.report.figure_files import FigureShelf, Picture, Subject
from tapeline.report.figure_panels import Heading
from tapeline.report.figures_bands import Limits
from tapeline.report.figures_conditions import conditions_figure
from tapeline.report.finished_tables import FinishedTables
from tapeline.report.level_axis import beyond_words
from tapeline.report.page_table import PlainTable
from tapeline.report.summed_range import narrower_words
from tapeline.report.wording import (
    BAND_WORDS,
    NO_VALUE,
    confidence_words,
    counted,
    frequency,
    interval,
    number,
    operating_point,
)

MOST_CONDITIONS = 6
"""As many looks as conditions have; further ones would look like the first (see figure_style)."""


@dataclass(frozen=True)
class LevelsPart:
    """The section's figure and tables; `words` says of which session and operating point."""

    words: str
    picture: Picture | None
    tables: tuple[PlainTable, ...]


def levels_part(
    tables: FinishedTables, campaign: Campaign, chosen: ChosenRuns, shelf: FigureShelf, axis: Limits
) -> LevelsPart:
    """Levels at the session and operating point where most conditions meet; `axis` is that of all band levels."""
    levels = band_levels(tables, campaign, chosen)
    settings = campaign.settings
    return LevelsPart(
        words=f"Session {chosen.session}, {_point(campaign, chosen)}: where most conditions meet. All sessions and "
        "operating points are in tables/budgets.parquet, run by run in tables/bands and tables/overall.",
        picture=_picture(tables, campaign, chosen, levels, shelf, axis) if levels else None,
        tables=tuple(
            _overall_table(tables, campaign, chosen, each.weighting, each.range_hz) for each in settings.overall
        ),
    )


def _point(campaign: Campaign, chosen: ChosenRuns) -> str:
    return operating_point(chosen.speed_mps, chosen.yaw_deg, campaign.settings.report.speed_unit)


def _picture(
    tables: FinishedTables, campaign: Campaign, chosen: ChosenRuns, levels: Levels, shelf: FigureShelf, axis: Limits
) -> Picture:
    settings = campaign.settings
    names = [name for name in first_positions(tables, campaign) if name in levels][:MOST_PANELS]
    conditions = list(runs_at(tables, campaign, chosen))
    drawn = conditions[:MOST_CONDITIONS]
    panels = {name: {own: part for own, part in levels[name].items() if own in drawn} for name in names}
    titles = {name: condition_title(campaign, name) for name in settings.conditions}
    word = BAND_WORDS.get(settings.bands.fraction, "band")
    point = _point(campaign, chosen)
    runs = sorted({run for own in panels.values() for part in own.values() for level in part for run in level.runs})
    some = f" {len(panels)} of {len(levels)} positions, those ranked first." if len(panels) < len(levels) else ""
    if len(drawn) < len(conditions):
        some += f" {len(drawn)} of {len(conditions)} conditions; the table has all."
    values = [value for own in panels.values() for part in own.values() for level in part
              for value in (level.level_db, level.bound_db)]  # fmt: skip
    return shelf.add(
        ("conditions", chosen.session),
        partial(
            conditions_figure,
            panels,
            titles,
            Heading(
                f"{word.capitalize()} levels by condition",
                f"campaign {settings.campaign} · session {chosen.session} · {point} · conditions "
                f"{', '.join(drawn)} · {counted(len(runs), 'run')}: {', '.join(runs)}",
            ),
            axis,
            settings.reference_pressure_pa,
        ),
        alt=_message(panels, titles, word),
        data=_data(panels, chosen),
        subject=Subject(point=point, positions=tuple(panels)),
        caption=f"{word.capitalize()} levels after background subtraction, mean over the runs of each condition; "
        f"arrows are upper bounds.{some}{beyond_words(values, axis)}",
    )


def _message(panels: Levels, titles: Mapping[str, str], word: str) -> str:
    """Where each condition is loudest, and how many levels are bounds."""
    parts = [f"{word.capitalize()} levels at {counted(len(panels), 'position')}."]
    conditions = list(dict.fromkeys(name for own in panels.values() for name in own))
    for name in conditions:
        known = [
            (level.level_db, position, level.midband_hz)
            for position, own in panels.items()
            for level in own.get(name, ())
            if level.level_db is not None
        ]
        if known:
            value, position, hertz = max(known)
            parts.append(
                f"{titles.get(name, name)} is loudest with {number(value)} dB at {position} near {_about(hertz)}."
            )
    bounds = sum(level.bound_db is not None for own in panels.values() for part in own.values() for level in part)
    parts.append(f"{counted(bounds, 'level')} {'is' if bounds == 1 else 'are'} only an upper bound." if bounds else "")
    return " ".join(part for part in parts if part)


def _about(hertz: float | None) -> str:
    return NO_VALUE if hertz is None else frequency(float(f"{hertz:.2g}"))


def _data(panels: Levels, chosen: ChosenRuns) -> FigureData:
    rows = [
        (position, condition, level)
        for position, own in panels.items()
        for condition, part in own.items()
        for level in part
    ]
    names = (
        "midband_hz",
        "lower_hz",
        "upper_hz",
        "level_db",
        "lower_db",
        "upper_db",
        "bound_db",
        "runs",
        "doubtful",
    )
    return FigureData(
        {
            "session": [chosen.session] * len(rows),
            "speed_mps": [chosen.speed_mps] * len(rows),
            "yaw_deg": [chosen.yaw_deg] * len(rows),
            "position": [position for position, _, _ in rows],
            "condition": [condition for _, condition, _ in rows],
            **{name: [getattr(level, name) for _, _, level in rows] for name in names},
        }
    )


def _overall_table(
    tables: FinishedTables,
    campaign: Campaign,
    chosen: ChosenRuns,
    weighting: str,
    range_hz: tuple[float, float],
) -> PlainTable:
    """A row a position, a column a condition: level, absolute interval and number of runs; or the bound."""
    found = overall_levels(tables, campaign, chosen, weighting, range_hz)
    conditions = list(runs_at(tables, campaign, chosen))
    shown = [level for own in found.values() for level in own.values()]
    low, high = range_hz
    weighted = "unweighted" if weighting == "Z" else f"{weighting}-weighted"
    rows = [
        (position, *(_cell(found[position].get(name)) for name in conditions))
        for position in in_table_order(campaign, found)
    ]
    return PlainTable(
        key=f"levels-{weighting}-{low:g}-{high:g}",
        caption=f"Overall levels, {weighted}, {frequency(low)} to {frequency(high)}, dB",
        head=("position", *(condition_title(campaign, name) for name in conditions)),
        rows=tuple(rows),
        note=f"Mean over the runs with the {confidence_words(campaign.settings.confidence)} interval of the absolute "
        "level, calibration included, which all levels of a session share in part: judge differences by the "
        "comparisons, not by these intervals. At most: an upper bound, because the background hides the rest. "
        "?: channel, calibration or background is in doubt. n: runs."
        + narrower_words(tables, weighting, range_hz, {run for own in shown for run in own.runs}),
    )


def _cell(level: ConditionLevel | None) -> str:
    if level is None:
        return NO_VALUE
    runs, doubt = f"n {len(level.runs)}", "?" if level.doubtful else ""
    if level.bound_db is not None:
        return f"at most {number(level.bound_db)}{doubt}, {runs}"
    return f"{number(level.level_db)}{doubt} ({interval(level.lower_db, level.upper_db)}), {runs}"
