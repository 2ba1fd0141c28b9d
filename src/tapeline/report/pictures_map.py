"""The picture of where the positions are, and what all maps have in common."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial

from tapeline.campaign.model import Campaign
from tapeline.report.figure_data import rows_data
from tapeline.report.figure_files import Drawn, FigureShelf, Picture
from tapeline.report.figure_messages import map_message
from tapeline.report.figure_panels import Heading
from tapeline.report.figures_positions import position_map
from tapeline.report.finished_tables import FinishedTables
from tapeline.report.map_panels import MapPanel, map_panels, undrawn, without_y
from tapeline.report.wording import counted, listed, printable

MOST_NAMES = 12


def campaign_panels(tables: FinishedTables, campaign: Campaign) -> list[MapPanel]:
    """The panels that all maps of a campaign share; none where no position has coordinates."""
    return map_panels(tables.positions, campaign.outlines, campaign.settings.axes)


def map_picture(tables: FinishedTables, campaign: Campaign, shelf: FigureShelf) -> Picture | None:
    """The map of positions; None where none has coordinates."""
    panels = campaign_panels(tables, campaign)
    if not panels:
        return None
    left_out = undrawn(tables.positions, panels)
    placed = [row for row in tables.positions if row["position"] not in left_out]
    axes = printable(campaign.settings.axes)
    heading = Heading(
        "Positions", f"campaign {campaign.settings.campaign} · n = {counted(len(placed), 'position')} · axes: {axes}"
    )
    return shelf.add(
        ("positions",),
        partial(_drawn, panels, heading),
        alt=map_message(placed, left_out),
        data=rows_data(placed, ("position", "area", "x_m", "y_m", "z_m")),
        caption=f"Axes: {axes}.{panels_words(panels)}{missing_words(left_out)}",
    )


def _drawn(panels: Sequence[MapPanel], heading: Heading) -> Drawn:
    figure, unnamed = position_map(panels, heading)
    return Drawn(figure, note=crowded(unnamed, "name"))


def panels_words(panels: Sequence[MapPanel]) -> str:
    """What a reader must know of two panels of one plane, and of positions whose y is missing."""
    sides = [panel for panel in panels if panel.plane == "x-z"]
    lost = listed(without_y(panels), MOST_NAMES)
    if len(sides) < 2:
        return f" y is missing, so seen from the side only: {lost}." if lost else ""
    both = " Positions at y = 0 are in both." if any(row["y_m"] == 0 for row in sides[0].rows) else ""
    unknown = f" y is missing, so drawn on both sides: {lost}." if lost else ""
    return f" Both sides have one x axis, so one of them is seen through the body.{both}{unknown}"


def missing_words(names: Sequence[str]) -> str:
    """Positions that are on no map."""
    return f" Without coordinates: {listed(names, MOST_NAMES)}." if names else ""


def crowded(names: Sequence[str], what: str) -> str:
    """Positions whose labels found no room."""
    if not names:
        return ""
    return f" No room for the {what} of {listed(names, MOST_NAMES)}: see the table of the figure's numbers."
