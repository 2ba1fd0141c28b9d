"""The pictures of levels and differences on the body."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from functools import partial

from tapeline.campaign.model import Campaign
from tapeline.report.comparison_views import View, condition_title, selection
from tapeline.report.difference_words import quantity_words
from tapeline.report.figure_data import FigureData
from tapeline.report.figure_files import Drawn, FigureShelf, Picture, Subject
from tapeline.report.figure_messages import level_map_message, mark_map_message
from tapeline.report.figure_panels import Heading
from tapeline.report.figure_style import DIFFERENCE_COLOURS, LEVEL_COLOURS
from tapeline.report.figures_heat import heat_limit
from tapeline.report.figures_map_values import value_map
from tapeline.report.finished_tables import FinishedTables
from tapeline.report.map_marks import ConditionLevels, Mark, difference_marks, reference_levels
from tapeline.report.map_panels import MapPanel, undrawn
from tapeline.report.map_symbols import ColourScale
from tapeline.report.pictures_map import MOST_NAMES, campaign_panels, crowded, missing_words, panels_words
from tapeline.report.summed_range import narrower_words
from tapeline.report.view_names import figure_name, view_subject
from tapeline.report.wording import frequency, listed, number, operating_point, printable


def level_map_picture(tables: FinishedTables, campaign: Campaign, shelf: FigureShelf) -> Picture | None:
    """The map of the reference condition's levels; None where no position has coordinates or no run a level."""
    panels, levels = campaign_panels(tables, campaign), reference_levels(tables, campaign)
    if not panels or levels is None:
        return None
    settings = campaign.settings
    title, what = condition_title(campaign, levels.condition), _overall_words(campaign)
    point = operating_point(levels.speed_mps, levels.yaw_deg, settings.report.speed_unit)
    runs = sorted({run for mark in levels.marks for run in mark.runs})
    heading = Heading(
        f"Levels on the body, {title}: {what}",
        f"campaign {settings.campaign} · condition {levels.condition} · session {levels.session} · {point} · "
        f"runs: {listed(runs, 8) or 'none'} (n = {len(runs)}) · axes: {printable(settings.axes)}",
    )
    reference = f"{settings.reference_pressure_pa * 1e6:g} µPa"
    scale = ColourScale(LEVEL_COLOURS, *_level_ends(levels), f"level, dB re {reference}")
    return shelf.add(
        ("levels-map", levels.condition),
        partial(_drawn, panels, levels.marks, scale, heading),
        full_colour=True,
        alt=level_map_message(levels.marks, f"{title}, {what}, {point}, session {levels.session}"),
        data=_marks_data(
            tables,
            levels.marks,
            condition=levels.condition,
            session=levels.session,
            speed_mps=levels.speed_mps,
            yaw_deg=levels.yaw_deg,
            weighting=settings.overall[0].weighting,
        ),
        subject=Subject("", point, tuple(mark.position for mark in levels.marks)),
        caption=f"{what[0].upper()}{what[1:]} of {title} after background subtraction, mean over the runs, where most "
        "positions have one. Arrows are upper bounds, a question mark is a doubtful channel or calibration."
        f"{_narrower(tables, campaign, levels.marks)}{panels_words(panels)}"
        f"{missing_words(undrawn(tables.positions, panels))}",
    )


def difference_maps(
    tables: FinishedTables, campaign: Campaign, shelf: FigureShelf, views: Iterable[View]
) -> dict[str, Picture]:
    """A map of overall differences for each comparison, by name, all with one colour scale; `views` is one of each."""
    panels = campaign_panels(tables, campaign)
    if not panels:
        return {}
    found = [(view, difference_marks(tables, campaign, view)) for view in views]
    values = [mark.value_db for _, marks in found for mark in marks if mark.value_db is not None]
    end = heat_limit(values, campaign.settings.compare.practical_threshold_db)
    scale = ColourScale(DIFFERENCE_COLOURS, -end, end, "treatment minus reference, dB")
    return {
        view.comparison: _difference_map(tables, campaign, shelf, panels, view, marks, scale) for view, marks in found
    }


def _difference_map(
    tables: FinishedTables,
    campaign: Campaign,
    shelf: FigureShelf,
    panels: Sequence[MapPanel],
    view: View,
    marks: Sequence[Mark],
    scale: ColourScale,
) -> Picture:
    settings = campaign.settings
    what = _overall_words(campaign)
    point = operating_point(view.speed_mps, view.yaw_deg, settings.report.speed_unit)
    minus = f"{condition_title(campaign, view.treatment)} minus {condition_title(campaign, view.reference)}"
    sizes = {row["family_size"] for row in view.overall if row["family_size"]}
    family = f" · findings adjusted over {max(sizes):,} tests" if sizes else ""
    heading = Heading(
        f"Differences on the body, {view.comparison}: {what}",
        f"{selection(campaign, view)}{family} · axes: {printable(settings.axes)}",
    )
    references = settings.background.references
    apart = f" Reference sensors are not compared: {listed(references, MOST_NAMES)}." if references else ""
    return shelf.add(
        figure_name(campaign, "body-map", view),
        partial(_drawn, panels, marks, scale, heading),
        full_colour=True,
        alt=mark_map_message(marks, f"{minus}, {what}, {point}, session {view.sessions}"),
        data=_marks_data(
            tables,
            marks,
            comparison=view.comparison,
            reference=view.reference,
            treatment=view.treatment,
            session_label=view.sessions,
            speed_mps=view.speed_mps,
            yaw_deg=view.yaw_deg,
            weighting=settings.overall[0].weighting,
        ),
        subject=view_subject(campaign, view, (mark.position for mark in marks)),
        caption=f"{minus}: {what} at {point}, session {view.sessions}. Blue is lower, brown is higher, on one scale "
        "for all comparisons. A filled mark is a difference shown, a hollow diamond one that is equivalent (its "
        f"interval lies within ±{number(settings.compare.practical_threshold_db)} dB), a ring one not shown to "
        "differ, an arrow what bounds leave to say. A question mark is doubtful."
        f"{_narrower(tables, campaign, marks)}{apart}{panels_words(panels)}"
        f"{missing_words(undrawn(tables.positions, panels))}",
    )


def _drawn(panels: Sequence[MapPanel], marks: Sequence[Mark], scale: ColourScale, heading: Heading) -> Drawn:
    made = value_map(panels, marks, scale, heading)
    return Drawn(made.figure, made.spots, crowded(made.unwritten, "number"))


def _overall_words(campaign: Campaign) -> str:
    """The settings' first overall level: "unweighted level 100 Hz to 5 kHz"."""
    first = campaign.settings.overall[0]
    low, high = map(frequency, first.range_hz)
    return quantity_words({"weighting": first.weighting}, f"{low} to {high}")


def _narrower(tables: FinishedTables, campaign: Campaign, marks: Sequence[Mark]) -> str:
    first = campaign.settings.overall[0]
    runs = {run for mark in marks for run in (*mark.runs, *mark.reference_runs, *mark.treatment_runs)}
    return narrower_words(tables, first.weighting, first.range_hz, runs)


def _level_ends(levels: ConditionLevels) -> tuple[float, float]:
    """Whole decibels about the values, at least one apart."""
    values = [mark.value_db for mark in levels.marks if mark.value_db is not None] or [0.0]
    low = math.floor(min(values))
    return float(low), float(max(math.ceil(max(values)), low + 1))


def _marks_data(tables: FinishedTables, marks: Sequence[Mark], **same: str | float) -> FigureData:
    """Every mark with its place and numbers; `same` are columns with one value throughout, which come first."""
    places = {row["position"]: row for row in tables.positions}
    columns: dict[str, list[object]] = {name: [value] * len(marks) for name, value in same.items()}
    columns |= {"position": [mark.position for mark in marks]}
    columns |= {name: [places[mark.position][name] for mark in marks] for name in ("area", "x_m", "y_m", "z_m")}
    columns |= {"status": [mark.state for mark in marks]}
    if any(mark.signed for mark in marks):
        columns |= {"finding": [mark.finding for mark in marks], "difference_db": [mark.value_db for mark in marks]}
        columns |= {"lower_db": [mark.lower_db for mark in marks], "upper_db": [mark.upper_db for mark in marks]}
        runs = {
            "reference_runs": [mark.reference_runs for mark in marks],
            "treatment_runs": [mark.treatment_runs for mark in marks],
        }
    else:
        columns |= {"level_db": [mark.value_db for mark in marks], "upper_bound_db": [mark.upper_db for mark in marks]}
        runs = {"runs": [mark.runs for mark in marks]}
    return FigureData({**columns, "doubt": ["; ".join(mark.doubt) for mark in marks], **runs})
