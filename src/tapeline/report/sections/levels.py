"""Compare: levels of all conditions beside each other, where most conditions meet."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence

from tapeline.campaign.model import Campaign
from tapeline.report.blocks import Block, FigureBlock, Fold, Prose, Section, TableBlock
from tapeline.report.charts.figure import Figure, Key, condition_key, figure_of, panel_boxes
from tapeline.report.charts.looks import CONDITION_LOOKS, condition_look
from tapeline.report.charts.panel import Panel
from tapeline.report.charts.scales import Limits, band_limits, beyond_words, rounded_limits
from tapeline.report.chosen_runs import ChosenRuns, chosen_runs
from tapeline.report.comparison_views import MOST_PANELS, condition_title, first_positions, in_table_order
from tapeline.report.condition_levels import (
    Backgrounds,
    ConditionLevel,
    Levels,
    band_levels,
    overall_levels,
    runs_at,
)
from tapeline.report.figure_data import FigureData
from tapeline.report.finished_tables import FinishedTables
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

DEEPEST_DB = 80.0
BESIDE, WIDEST_STEP = 0.9, 1.08
"""Arrows of a band's conditions stand beside each other over this share of its width, and never further apart."""
FEW_PANELS = 8
"""So many positions get panels of half the width; of more, a third."""
DATA = ("midband_hz", "lower_hz", "upper_hz", "level_db", "lower_db", "upper_db", "bound_db", "runs", "doubtful")


def levels_sections(tables: FinishedTables, campaign: Campaign) -> list[Section]:
    """Levels at the session and operating point where most conditions meet."""
    chosen = chosen_runs(tables, campaign)
    if chosen is None:
        return [_section([Prose("No levels: no run was used.", "none")])]
    point = operating_point(chosen.speed_mps, chosen.yaw_deg, campaign.settings.report.speed_unit)
    blocks: list[Block] = [Prose(f"Session {chosen.session}, {point}: most conditions were measured here.", "note")]
    levels, backgrounds = band_levels(tables, campaign, chosen)
    if levels:
        blocks.append(FigureBlock(levels_figure(tables, campaign, chosen, levels, backgrounds)))
    overall = [
        overall_table(tables, campaign, chosen, each.weighting, each.range_hz) for each in campaign.settings.overall
    ]
    blocks += [TableBlock(table) for table in overall[:1]]
    if overall[1:]:
        blocks.append(Fold("Other overall levels", tuple(TableBlock(table) for table in overall[1:])))
    blocks.append(Prose("Other sessions and operating points: tables/budgets.parquet. Single runs: tables/bands and "
                        "tables/overall.", "note"))  # fmt: skip
    return [_section(blocks)]


def _section(blocks: Sequence[Block]) -> Section:
    return Section("levels", "Levels by condition", "compare", blocks)


def levels_figure(
    tables: FinishedTables, campaign: Campaign, chosen: ChosenRuns, levels: Levels, backgrounds: Backgrounds
) -> Figure:
    """A panel a position; of many positions those ranked first, of many conditions the first of the settings."""
    names = [name for name in first_positions(tables, campaign) if name in levels][:MOST_PANELS]
    conditions = list(runs_at(tables, campaign, chosen))
    drawn = conditions[:CONDITION_LOOKS]
    panels = {name: {own: part for own, part in levels[name].items() if own in drawn} for name in names}
    every = [level for own in panels.values() for part in own.values() for level in part]
    values = [value for level in every for value in (level.level_db, level.bound_db)]
    limits = campaign.settings.report.level_axis_db or level_axis(values)
    word = BAND_WORDS.get(campaign.settings.bands.fraction, "band")
    some = (
        f" {len(panels)} of {counted(len(levels), 'position')}, those ranked first."
        if len(panels) < len(levels)
        else ""
    )
    some += f" {len(drawn)} of {len(conditions)} conditions; the table has all." if len(drawn) < len(conditions) else ""
    columns = 2 if len(panels) <= FEW_PANELS else 3
    boxes, height = panel_boxes(len(panels), columns=columns, height=124)
    edges = band_limits([level.lower_hz for level in every], [level.upper_hz for level in every])
    pascal = campaign.settings.reference_pressure_pa
    made = []
    for index, (position, own) in enumerate(panels.items()):
        panel = Panel(boxes[index], edges, limits, title=position, frequency=True,
                      y_label=f"dB re {pascal * 1e6:g} µPa" if index % columns == 0 else "",
                      x_label="midband frequency, Hz" if index + columns >= len(panels) else " ")  # fmt: skip
        _draw(panel, campaign, position, own, backgrounds)
        made.append(panel)
    looks = [
        condition_key(condition_look(list(campaign.settings.conditions), name), condition_title(campaign, name))
        for name in drawn
    ]
    bounds = (
        [Key("at most: background hides the rest", "nt", "arrow", line=False)]
        if any(level.bound_db is not None for level in every)
        else []
    )
    shown = (
        [Key("background", "bg", dashes="2 3")]
        if any(
            (name, level.midband_hz) in backgrounds
            for name in panels
            for part in panels[name].values()
            for level in part
        )
        else []
    )
    return figure_of(
        ("conditions", chosen.session),
        "Levels by condition",
        made,
        [*looks, *shown, *bounds],
        height=height,
        alt=_message(campaign, panels, word),
        caption=f"{word.capitalize()} {_subtraction_words(backgrounds)}{some}{beyond_words(values, limits)}",
        data=_data(panels, backgrounds, chosen),
    )


def _subtraction_words(backgrounds: Backgrounds) -> str:
    if not backgrounds:
        return "levels as measured, mean over the runs of each condition. No background was subtracted."
    return (
        "levels after background subtraction, mean over the runs of each condition. "
        "The background is the mean over the runs of all conditions."
    )


def level_axis(values: Iterable[float | None]) -> Limits:
    """One axis for all panels, at most 80 dB deep."""
    low, high = rounded_limits(values, 10.0, 2.0, 30.0)
    return max(low, high - DEEPEST_DB), high


def _draw(
    panel: Panel,
    campaign: Campaign,
    position: str,
    own: Mapping[str, Sequence[ConditionLevel]],
    backgrounds: Backgrounds,
) -> None:
    bands: dict[float, dict[str, ConditionLevel]] = {}
    for condition, levels in own.items():
        for level in levels:
            bands.setdefault(level.midband_hz or math.nan, {})[condition] = level
    order = sorted(bands)
    step = arrow_step([level for levels in own.values() for level in levels], len(own))
    panel.curve(order, [backgrounds.get((position, hertz), math.nan) for hertz in order], "bg", "2 3")
    for place, (condition, levels) in enumerate(own.items()):
        look = condition_look(list(campaign.settings.conditions), condition)
        of_band = {level.midband_hz: level for level in levels}
        values = [_or_nan(of_band[hertz].level_db) if hertz in of_band else math.nan for hertz in order]
        panel.curve(order, values, look.role, look.dashes)
        panel.marks(order, values, look, size=2.4)
        beside = step ** (place - (len(own) - 1) / 2)
        panel.bounds(
            (hertz * beside for hertz in order),
            (_or_nan(of_band[hertz].bound_db) if hertz in of_band else math.nan for hertz in order),
            look.role,
        )
    for hertz in order:
        at = [
            value for level in bands[hertz].values() for value in (level.level_db, level.bound_db) if value is not None
        ]
        said = "; ".join(
            f"{condition_title(campaign, name)} {level_words(level)}" for name, level in bands[hertz].items()
        )
        behind = backgrounds.get((position, hertz))
        back = "" if behind is None else f"; background {number(behind)} dB"
        panel.reads(hertz, max(at), f"{position}, {_about(hertz)}: {said}{back}")


def arrow_step(levels: Sequence[ConditionLevel], conditions: int) -> float:
    """Ratio from the arrow of one condition to that of the next; those of a band stay within `BESIDE` of it."""
    narrowest = min((level.upper_hz / level.lower_hz for level in levels), default=1.0)
    return min(WIDEST_STEP, float(narrowest ** (BESIDE / max(conditions, 1))))


def _or_nan(value: float | None) -> float:
    return math.nan if value is None else value


def level_words(level: ConditionLevel) -> str:
    """A level with its interval and runs, or its bound: "85.2 dB (84.1 to 86.3), n 3"."""
    runs, doubt = f"n {len(level.runs)}", "?" if level.doubtful else ""
    if level.bound_db is not None:
        return f"at most {number(level.bound_db)} dB{doubt}, {runs}"
    return f"{number(level.level_db)} dB{doubt} ({interval(level.lower_db, level.upper_db)}), {runs}"


def _message(campaign: Campaign, panels: Levels, word: str) -> str:
    """Where each condition is loudest, and how many levels are bounds."""
    parts = [f"{word.capitalize()} levels at {counted(len(panels), 'position')}."]
    for name in dict.fromkeys(name for own in panels.values() for name in own):
        known = [
            (level.level_db, position, level.midband_hz)
            for position, own in panels.items()
            for level in own.get(name, ())
            if level.level_db is not None
        ]
        if known:
            value, position, hertz = max(known)
            parts.append(
                f"{condition_title(campaign, name)} is loudest with {number(value)} dB at {position} near "
                f"{_about(hertz)}."
            )
    bounds = sum(level.bound_db is not None for own in panels.values() for part in own.values() for level in part)
    parts += [f"{counted(bounds, 'level')} {'is' if bounds == 1 else 'are'} only an upper bound."] if bounds else []
    return " ".join(parts)


def _about(hertz: float | None) -> str:
    return NO_VALUE if hertz is None else frequency(float(f"{hertz:.3g}"))


def _data(panels: Levels, backgrounds: Backgrounds, chosen: ChosenRuns) -> FigureData:
    rows = [(position, name, level) for position, own in panels.items() for name, part in own.items() for level in part]
    return FigureData(
        {
            "session": [chosen.session] * len(rows),
            "speed_mps": [chosen.speed_mps] * len(rows),
            "yaw_deg": [chosen.yaw_deg] * len(rows),
            "position": [position for position, _, _ in rows],
            "condition": [condition for _, condition, _ in rows],
            **{name: [getattr(level, name) for _, _, level in rows] for name in DATA},
            "background_db": [backgrounds.get((position, level.midband_hz or math.nan)) for position, _, level in rows],
        }
    )


def overall_table(
    tables: FinishedTables, campaign: Campaign, chosen: ChosenRuns, weighting: str, range_hz: tuple[float, float]
) -> PlainTable:
    """A row a position, a column a condition: level, absolute interval and number of runs; or the bound."""
    found = overall_levels(tables, campaign, chosen, weighting, range_hz)
    conditions = list(runs_at(tables, campaign, chosen))
    low, high = range_hz
    weighted = "unweighted" if weighting == "Z" else f"{weighting}-weighted"
    runs = {run for own in found.values() for level in own.values() for run in level.runs}
    return PlainTable(
        key=f"levels-{weighting}-{low:g}-{high:g}",
        caption=f"Overall levels, {weighted}, {frequency(low)} to {frequency(high)}",
        head=("position", *(condition_title(campaign, name) for name in conditions)),
        rows=tuple(
            (position, *(level_words(own[name]) if name in own else NO_VALUE for name in conditions))
            for position, own in ((name, found[name]) for name in in_table_order(campaign, found))
        ),
        note=f"Mean over n runs, with the {confidence_words(campaign.settings.confidence)} interval of the absolute "
        "level. Calibration is part of it and shared by the levels of a session: judge differences by the comparisons. "
        "At most: an upper bound, because the background hides the rest. ?: channel, calibration or background is in "
        f"doubt.{narrower_words(tables, weighting, range_hz, runs)}",
    )
