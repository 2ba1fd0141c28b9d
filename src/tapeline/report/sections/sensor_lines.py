"""Lines of sensors: how fast pressure is carried along them, and how soon it loses its coherence."""

from __future__ import annotations

from collections.abc import Sequence
from statistics import median

from tapeline.campaign.model import Campaign
from tapeline.report.blocks import Block, Bullets, FigureBlock, Fold, Section, TableBlock
from tapeline.report.charts.figure import WIDTH_PX, Figure, Key, condition_key, figure_of
from tapeline.report.charts.looks import condition_look
from tapeline.report.charts.panel import Box, Panel
from tapeline.report.charts.scales import band_limits, rounded_limits
from tapeline.report.comparison_views import condition_title
from tapeline.report.figure_data import rows_data
from tapeline.report.finished_tables import FinishedTables, Row, reals
from tapeline.report.page_table import PlainTable
from tapeline.report.wording import (
    NO_VALUE,
    confidence_words,
    counted,
    frequency,
    interval,
    listed,
    number,
    operating_point,
)

MOST_LINES = 4
MOST_ROWS = 60
PANEL_PX = 150.0
COLUMNS = (
    "run", "line", "band_hz", "midband_hz", "convection_speed_mps", "convection_lower_mps", "convection_upper_mps",
    "convection_share", "decay", "decay_lower", "decay_upper", "coherence", "pairs", "marks",
)  # fmt: skip


def sensor_line_sections(tables: FinishedTables, campaign: Campaign) -> list[Section]:
    """A sentence a line, convection and decay over frequency at one operating point, and the rows."""
    rows = [row for row in tables.lines if row["run"] in {run["run"] for run in tables.used_measurements}]
    if not rows:
        return []
    shown = _at_one_point(tables, rows)
    names = sorted({row["line"] for row in rows})[:MOST_LINES]
    blocks: list[Block] = [Bullets([_line_words(campaign, tables, name, rows, shown) for name in names])]
    if any(row["convection_share"] is not None for row in shown):
        blocks.append(FigureBlock(_figure(tables, campaign, names, shown)))
    blocks.append(Fold("Convection and decay by band", (TableBlock(_table(campaign, tables, shown)),)))
    return [Section("sensor-lines", "Lines of sensors", "compare", blocks, is_folded=not _contradicts(rows))]


def _contradicts(rows: Sequence[Row]) -> bool:
    return any(
        row["against_order"] or row["opposite_positions"] or "order-contradicted" in row["marks"] for row in rows
    )


def _at_one_point(tables: FinishedTables, rows: Sequence[Row]) -> list[Row]:
    """The rows of the session and operating point with most runs; of several the fastest, then the first session."""
    places: dict[tuple[str, float, float], set[str]] = {}
    for row in rows:
        run = tables.run_by_name[row["run"]]
        if run["speed_mps"]:
            places.setdefault((row["session"], run["speed_mps"], run["yaw_deg"] or 0.0), set()).add(row["run"])
    if not places:
        return []
    chosen = places[min(places, key=lambda place: (-len(places[place]), -place[1], abs(place[2]), place))]
    return [row for row in rows if row["run"] in chosen]


def _is_sure(row: Row) -> bool:
    return row["convection_share"] is not None and not row["marks"]


def _line_words(
    campaign: Campaign, tables: FinishedTables, name: str, rows: Sequence[Row], shown: Sequence[Row]
) -> str:
    own = [row for row in rows if row["line"] == name]
    against = sorted({pair for row in own for pair in row["against_positions"] or ()})
    opposite = sorted({pair for row in own for pair in row["opposite_positions"] or ()})
    said = [f"{name} ({', '.join(own[0]['positions'])})"]
    sure = [row for row in shown if row["line"] == name and _is_sure(row)]
    if sure:
        run = tables.run_by_name[sure[0]["run"]]
        point = operating_point(run["speed_mps"], run["yaw_deg"], campaign.settings.report.speed_unit)
        bands = sorted({row["band_hz"] for row in sure})
        share = median(row["convection_share"] for row in sure)
        said.append(
            f"at {point} pressure is carried at {number(share, 2)} of the speed, median of "
            f"{counted(len(sure), 'band level')}, {frequency(bands[0])} to {frequency(bands[-1])}"
        )
    else:
        said.append("no band tells a single speed at which pressure is carried")
    words = f"{said[0]}: {said[1]}."
    if against:
        words += f" Pressure runs up the stated order at {listed(against)}: check the order, or the channels."
    return f"{words} Polarity differs at {listed(opposite)}." if opposite else words


def _figure(tables: FinishedTables, campaign: Campaign, names: Sequence[str], rows: Sequence[Row]) -> Figure:
    conditions = list(campaign.settings.conditions)
    used = list(dict.fromkeys(tables.run_by_name[row["run"]]["condition"] for row in rows))
    limits = band_limits([row["midband_hz"] / 1.12 for row in rows], [row["midband_hz"] * 1.12 for row in rows])
    shares = rounded_limits([0.0, 1.0, *(row["convection_share"] for row in rows)], 0.2, 0.0, 1.0)
    decays = rounded_limits([0.0, *(row["decay"] for row in rows)], 0.1, 0.0, 0.3)
    panels = []
    for place, name in enumerate(names):
        own = [row for row in rows if row["line"] == name]
        top = 26.0 + place * (PANEL_PX + 56.0)
        left = Box(58.0, top, 330.0, top + PANEL_PX)
        right = Box(398.0, top, WIDTH_PX - 8.0, top + PANEL_PX)
        label = "midband frequency, Hz"
        speeds = Panel(left, limits, shares, f"{name}: convection speed over speed", label, "share", frequency=True)
        decay = Panel(right, limits, decays, f"{name}: decay of coherence", label, "a", frequency=True)
        for condition in used:
            chosen = [row for row in own if tables.run_by_name[row["run"]]["condition"] == condition]
            look = condition_look(conditions, condition)
            for sure in (True, False):
                part = [row for row in chosen if _is_sure(row) == sure]
                midband = [row["midband_hz"] for row in part]
                speeds.marks(midband, reals(part, "convection_share"), look, hollow=not sure)
                decay.marks(midband, reals(part, "decay"), look, hollow=not sure)
            for row in chosen:
                _read(campaign, tables, speeds, decay, row)
        panels += [speeds, decay]
    keys = [condition_key(condition_look(conditions, name), condition_title(campaign, name)) for name in used]
    keys.append(Key("hollow: see marks", "nt ho", "circle", line=False))
    run = tables.run_by_name[rows[0]["run"]]
    point = operating_point(run["speed_mps"], run["yaw_deg"], campaign.settings.report.speed_unit)
    caption = (
        f"Single runs, {point}, session {rows[0]['session']}. Coherence falls as exp(-a ω distance / speed), after "
        "Corcos. Hollow: sound and flow together, or a line too short to tell them apart."
    )
    alt = "; ".join(_line_words(campaign, tables, name, rows, rows) for name in names)
    height = 26.0 + len(names) * (PANEL_PX + 56.0) - 16.0
    return figure_of(("sensor-lines", rows[0]["session"]), "Convection and decay along lines of sensors", panels, keys,
                     height=height, alt=alt, caption=caption, data=rows_data(rows, COLUMNS))  # fmt: skip


def _read(campaign: Campaign, tables: FinishedTables, speeds: Panel, decay: Panel, row: Row) -> None:
    if row["convection_share"] is None:
        return
    title = condition_title(campaign, tables.run_by_name[row["run"]]["condition"])
    ends = interval(row["convection_lower_mps"], row["convection_upper_mps"])
    marks = f"; {', '.join(row['marks'])}" if row["marks"] else ""
    words = (
        f"{row['line']}, {frequency(row['band_hz'])}, run {row['run']} ({title}): convection "
        f"{number(row['convection_speed_mps'])} m/s ({ends}), {number(row['convection_share'], 2)} of the speed; a "
        f"{number(row['decay'], 2)} ({interval(row['decay_lower'], row['decay_upper'], 2)}){marks}"
    )
    speeds.reads(row["midband_hz"], row["convection_share"], words)
    if row["decay"] is not None:
        decay.reads(row["midband_hz"], row["decay"], words)


def _table(campaign: Campaign, tables: FinishedTables, rows: Sequence[Row]) -> PlainTable:
    confidence = f"{confidence_words(campaign.settings.confidence)} interval"
    head = ("line", "run", "condition", "band", "convection, m/s", confidence, "of the speed", "decay a",
            f"a, {confidence}", "coherence", "pairs", "marks")  # fmt: skip
    note = "" if len(rows) <= MOST_ROWS else f"The first {MOST_ROWS} of {counted(len(rows), 'row')}; all: tables/lines."
    cells = tuple(
        (
            row["line"],
            row["run"],
            tables.run_by_name[row["run"]]["condition"] or NO_VALUE,
            frequency(row["band_hz"]),
            number(row["convection_speed_mps"]),
            interval(row["convection_lower_mps"], row["convection_upper_mps"]),
            number(row["convection_share"], 2),
            number(row["decay"], 2),
            interval(row["decay_lower"], row["decay_upper"], 2),
            number(row["coherence"], 2),
            str(row["pairs"]),
            ", ".join(row["marks"]) or NO_VALUE,
        )
        for row in rows[:MOST_ROWS]
    )
    return PlainTable("sensor-lines-table", "Convection and decay by line, run and band", head, cells,
                      frozenset({3, 4, 5, 6, 7, 8, 9, 10}), note)  # fmt: skip
