"""Maps of the body: where the positions are, the untreated levels, and the differences of a comparison."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from tapeline.campaign.model import Campaign
from tapeline.report.blocks import Block, FigureBlock, Prose, Section, TableBlock
from tapeline.report.charts.body_map import Spot, body_map, body_views, undrawn
from tapeline.report.charts.figure import WIDTH_PX, Figure, Key, legend_markup
from tapeline.report.charts.looks import SHAPES
from tapeline.report.charts.markup import drawing
from tapeline.report.comparison_views import View, condition_title
from tapeline.report.figure_data import FigureData, rows_data
from tapeline.report.figure_messages import level_map_message, map_message, mark_map_message
from tapeline.report.finished_tables import FinishedTables, Row
from tapeline.report.headline import spoken_level
from tapeline.report.map_marks import Mark, difference_marks, reference_levels
from tapeline.report.page_table import PlainTable
from tapeline.report.view_names import figure_name
from tapeline.report.wording import NO_VALUE, level_words, listed, number, operating_point

NO_AREA = "area not stated"
MOST_AREAS = 6
"""So many areas are told apart by their marks; the others share the last one."""

PLACE = ("area", "x_m", "y_m", "z_m", "flow")


def position_sections(tables: FinishedTables, campaign: Campaign) -> list[Section]:
    """Where the positions are, with the map of the untreated levels."""
    blocks: list[Block] = []
    for figure in (_position_map(tables, campaign), _level_map(tables, campaign)):
        blocks += [FigureBlock(figure)] if figure is not None else []
    if not blocks:
        blocks.append(Prose(f"No map: no position has coordinates. Axes: {campaign.settings.axes}.", "none"))
    return [Section("positions", "Positions", "trace", [*blocks, TableBlock(_table(tables))], is_folded=True)]


def _table(tables: FinishedTables) -> PlainTable:
    rows = tuple(
        (
            row["position"],
            row["area"] or NO_VALUE,
            *(number(row[axis], 3) for axis in ("x_m", "y_m", "z_m")),
            row["flow"] or NO_VALUE,
            row["remark"] or "",
        )
        for row in tables.positions
    )
    head = ("position", "area", "x, m", "y, m", "z, m", "flow", "remark")
    return PlainTable("positions-table", "Positions of the sensors", head, rows, frozenset({2, 3, 4}))


def _position_map(tables: FinishedTables, campaign: Campaign) -> Figure | None:
    areas = list(dict.fromkeys(row["area"] or NO_AREA for row in tables.positions))
    shapes = {area: SHAPES[min(index, MOST_AREAS - 1)] for index, area in enumerate(areas)}
    spots = {
        row["position"]: Spot(row["position"], "nt", row["position"], _place_words(row), shapes[row["area"] or NO_AREA])
        for row in tables.positions
    }
    keys = [Key(area, "nt", shape, line=False) for area, shape in list(shapes.items())[:MOST_AREAS]]
    data = rows_data(tables.positions, ("position", *PLACE))
    axes = f"Axes: {campaign.settings.axes}."
    return _map(
        tables, campaign, ("positions",), "Positions", spots, keys, data, map_message(tables.positions, ()), axes
    )


def _place_words(row: Row) -> str:
    at = ", ".join(f"{axis[0]} {number(row[axis], 3)} m" for axis in ("x_m", "y_m", "z_m") if row[axis] is not None)
    return f"{row['position']}, {row['area'] or NO_AREA}: {at}"


def _level_map(tables: FinishedTables, campaign: Campaign) -> Figure | None:
    """The reference condition's overall level where most positions have one."""
    levels = reference_levels(tables, campaign)
    if levels is None:
        return None
    title = condition_title(campaign, levels.condition)
    point = operating_point(levels.speed_mps, levels.yaw_deg, campaign.settings.report.speed_unit)
    what = f"{title}, {level_words(*spoken_level(campaign))}, {point}, session {levels.session}"
    spots = {mark.position: _spot(mark, "c0") for mark in levels.marks}
    keys = [Key("level", "c0", "circle", line=False), *_other_keys(levels.marks)]
    alt, caption = level_map_message(levels.marks, what), f"{what}: levels in dB after background subtraction."
    return _map(tables, campaign, ("levels-map", levels.condition), "Levels on the body", spots, keys,
                _marks_data(levels.marks), alt, caption)  # fmt: skip


def comparison_map(tables: FinishedTables, campaign: Campaign, view: View) -> Figure | None:
    """The overall differences of one view on the body; None where no position has coordinates."""
    marks = difference_marks(tables, campaign, view)
    minus = f"{condition_title(campaign, view.treatment)} minus {condition_title(campaign, view.reference)}"
    point = operating_point(view.speed_mps, view.yaw_deg, campaign.settings.report.speed_unit)
    what = f"{minus}, {level_words(*spoken_level(campaign))}, {point}, session {view.sessions}"
    spots = {mark.position: _spot(mark, "") for mark in marks}
    found = {(mark.value_db or 0.0) > 0 for mark in marks if mark.status == "shown"}
    keys = [Key("louder" if way else "quieter", "up" if way else "dn", "circle", line=False) for way in sorted(found)]
    name, alt = figure_name(campaign, "body-map", view), mark_map_message(marks, what)
    keys += _other_keys(marks)
    title = f"Differences on the body: {view.comparison}, {point}, session {view.sessions}"
    return _map(tables, campaign, name, title, spots, keys, _marks_data(marks), alt, f"{what}.")


def _map(
    tables: FinishedTables, campaign: Campaign, name: tuple[str, ...], title: str, spots: Mapping[str, Spot],
    keys: Sequence[Key], data: FigureData, alt: str, caption: str,
) -> Figure | None:  # fmt: skip
    views = body_views(tables.positions, campaign.outlines, campaign.settings.axes)
    if not views:
        return None
    drawn = body_map(views, spots)
    legend, end = legend_markup(keys, drawn.free[1], WIDTH_PX, drawn.free[0])
    missing = undrawn(tables.positions, views)
    caption += f" Without coordinates: {listed(missing)}." if missing else ""
    caption += f" Without room for a label: {listed(drawn.unlabelled)}." if drawn.unlabelled else ""
    svg = drawing(WIDTH_PX, max(end, drawn.height), drawn.markup, legend, title=alt)
    return Figure(name, title, svg, alt, caption, data, drawn.readings)


def _spot(mark: Mark, role: str) -> Spot:
    label = f"{mark.position} {mark.text}".rstrip()
    weight = abs(mark.value_db or mark.upper_db or mark.lower_db or 0.0) + (mark.status in ("shown", "bound"))
    if mark.status == "bound" and (mark.upper_db is not None or mark.lower_db is not None):
        way = "down" if mark.upper_db is not None else "up"
        return Spot(mark.position, role or "nt", label, mark.words, arrow=way, weight=weight)
    if mark.value_db is None:
        return Spot(mark.position, "nt", mark.position, mark.words, shape="cross", hollow=mark.status != "unusable")
    is_sure = mark.status == "shown" and not mark.doubtful
    coloured = role or ("up" if mark.value_db > 0 else "dn")
    return Spot(mark.position, coloured if is_sure else "nt", label, mark.words, hollow=not is_sure, weight=weight)


def _other_keys(marks: Iterable[Mark]) -> list[Key]:
    every = list(marks)
    keys = []
    if any(mark.value_db is not None and (mark.status != "shown" or mark.doubtful) for mark in every):
        keys.append(Key("not shown, equivalent or doubtful", "nt ho", "circle", line=False))
    if any(mark.status == "bound" for mark in every):
        keys.append(Key("at most, at least", "nt", "arrow", line=False))
    if any(mark.status == "bound" and mark.upper_db is None and mark.lower_db is None for mark in every):
        keys.append(Key("both levels are upper bounds", "nt ho", "cross", line=False))
    if any(mark.status == "unusable" for mark in every):
        keys.append(Key("unusable", "nt", "cross", line=False))
    if any(mark.status == "not measured" for mark in every):
        keys.append(Key("not measured", "nt ho", "cross", line=False))
    return keys


def _marks_data(marks: Sequence[Mark]) -> FigureData:
    return FigureData(
        {
            "position": [mark.position for mark in marks],
            "value_db": [mark.value_db for mark in marks],
            "lower_db": [mark.lower_db for mark in marks],
            "upper_db": [mark.upper_db for mark in marks],
            "status": [mark.state for mark in marks],
            "doubt": ["; ".join(mark.doubt) for mark in marks],
            "runs": [mark.runs or (*mark.reference_runs, *mark.treatment_runs) for mark in marks],
        }
    )
