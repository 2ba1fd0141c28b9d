"""The pictures of the section on speed: overall level over speed, and the collapse of band spectra."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from functools import partial

from tapeline.campaign.model import Campaign
from tapeline.report.comparison_views import MOST_PANELS, condition_title, in_table_order
from tapeline.report.figure_data import FigureData
from tapeline.report.figure_files import FigureShelf, Picture, Subject
from tapeline.report.figure_panels import Heading
from tapeline.report.figure_style import CONDITION_COLOURS
from tapeline.report.figures_collapse import CollapseSeries, abscissa, at_reference_db, collapse_figure
from tapeline.report.figures_speed import SpeedAxis, speed_figure
from tapeline.report.finished_tables import FinishedTables, Row
from tapeline.report.speed_levels import SpeedLevel, SpeedSeries, band_levels, overall_series, speeds_of
from tapeline.report.tables_of_scaling import asked_rows, at_one_speed
from tapeline.report.wording import confidence_words, counted, frequency, interval, listed, number, speed

MOST_FIGURES = 4
MOST_COLLAPSES = 4
FITTED = (
    "exponent", "exponent_lower", "exponent_upper", "level_at_reference_db", "reference_speed_mps", "speeds",
    "level_count",
)  # fmt: skip


def speed_pictures(tables: FinishedTables, campaign: Campaign, shelf: FigureShelf) -> list[Picture]:
    """Overall level over speed, a figure a session and yaw that has an exponent; those with most exponents."""
    groups: dict[tuple[str, float], list[Row]] = {}
    for row in asked_rows(tables, campaign):
        if not at_one_speed(row):
            groups.setdefault((row["session"], row["yaw_deg"]), []).append(row)
    counts = {place: sum(row["exponent"] is not None for row in rows) for place, rows in groups.items()}
    ranked = sorted((place for place in groups if counts[place]), key=lambda each: (-counts[each], abs(each[1]), each))
    drawn = sorted(ranked[:MOST_FIGURES])
    pictures = [_speed_picture(tables, campaign, shelf, groups[place]) for place in drawn]
    return [picture for picture in pictures if picture is not None]


def first_positions(tables: FinishedTables, campaign: Campaign, rows: Sequence[Row], most: int) -> list[str]:
    """The positions of some rows of the table `scaling`: first those ranked, then the loudest; in the table's order."""
    ranks: dict[str, int] = {}
    for row in sorted(tables.ranking, key=lambda row: (row["place"], row["comparison"])):
        ranks.setdefault(row["position"], row["place"])
    loudest: dict[str, float] = {}
    for row in rows:
        level = row["level_at_reference_db"]
        loudest[row["position"]] = max(loudest.get(row["position"], -math.inf), -math.inf if level is None else level)
    order = sorted(loudest, key=lambda name: (ranks.get(name, math.inf), -loudest[name], name))
    return in_table_order(campaign, order[:most])


def _speed_picture(
    tables: FinishedTables, campaign: Campaign, shelf: FigureShelf, rows: Sequence[Row]
) -> Picture | None:
    names = first_positions(tables, campaign, rows, MOST_PANELS)
    panels = _panels(tables, campaign, [row for row in rows if row["position"] in names], names)
    every = [series for panel in panels.values() for series in panel]
    fitted = [series for series in every if series.fitted]
    if not fitted:
        return None
    settings = campaign.settings
    first = settings.overall[0]
    what = f"{first.weighting} level, {frequency(first.range_hz[0])} to {frequency(first.range_hz[1])}"
    speeds = speeds_of([level for series in every for level in series.levels])
    titles = {name: condition_title(campaign, name) for name in settings.conditions}
    heading = Heading(f"{what}, over speed", _selection(campaign, rows[0], every))
    y_label = f"{first.weighting} level, dB re {settings.reference_pressure_pa * 1e6:g} µPa"
    axis = SpeedAxis(tuple(speeds), settings.report.speed_unit)
    return shelf.add(
        ("speed", rows[0]["session"], *_yaw_name(rows[0])),
        partial(speed_figure, panels, titles, heading, axis, y_label),
        alt=_speed_message(campaign, what, rows[0], every),
        data=_speed_data(every),
        subject=Subject(positions=tuple(panels)),
        caption=_speed_caption(campaign, every, len(panels), len({row["position"] for row in rows})),
    )


def _panels(
    tables: FinishedTables, campaign: Campaign, rows: Sequence[Row], names: Sequence[str]
) -> dict[str, list[SpeedSeries]]:
    order = {name: index for index, name in enumerate(campaign.settings.conditions)}
    panels: dict[str, list[SpeedSeries]] = {name: [] for name in names}
    ordered = sorted(rows, key=lambda row: (order.get(row["condition"], len(order)), row["condition"]))
    for series in overall_series(tables, campaign, ordered):
        if (series.levels or series.fitted) and len(panels[series.row["position"]]) < len(CONDITION_COLOURS):
            panels[series.row["position"]].append(series)
    return {name: panel for name, panel in panels.items() if panel}


def _speed_message(campaign: Campaign, what: str, first: Row, every: Sequence[SpeedSeries]) -> str:
    rows = sorted((series.row for series in every if series.fitted), key=lambda row: (row["exponent"], row["position"]))
    ends = [
        f"{number(row['exponent'])} ({interval(row['exponent_lower'], row['exponent_upper'])}; {row['position']}, "
        f"{condition_title(campaign, row['condition'])})"
        for row in (rows if len(rows) < 2 else (rows[0], rows[-1]))
    ]
    weak = sum(row["speeds"] == 2 for row in rows)
    parts = [f"exponents n of {counted(len(rows), 'line')} from {' to '.join(ends)}"]
    parts += [f"{weak} of them weak, of two speeds"] if weak else []
    without = len(every) - len(rows)
    parts += [f"{without} without an exponent"] if without else []
    return f"{what}, over speed, session {first['session']}, yaw {first['yaw_deg']:g}°: {'; '.join(parts)}."


def _speed_caption(campaign: Campaign, every: Sequence[SpeedSeries], shown: int, there: int) -> str:
    settings = campaign.settings
    row = next(series.row for series in every if series.fitted)
    doubt = " ?: a level of the fit is of a doubtful channel." if any(series.doubtful for series in every) else ""
    some = "" if shown == there else f" {shown} of {there} positions: those ranked first, then the loudest."
    return (
        f"{taken_off_words(every)}, at their achieved speeds and in air of "
        f"{settings.operating_point.reference_density_kgm3:g} kg/m³: as the fit takes them. Lines: L_ref + 10 n "
        f"lg(U/U_ref), U_ref {speed(row['reference_speed_mps'], settings.report.speed_unit)} (dotted upright line), n "
        f"with its {confidence_words(settings.confidence)} interval; weak: two speeds do not tell whether a line "
        f"fits.{doubt} Crossed marks are no part of a fit (the table says why), arrows are upper bounds; unusable "
        f"channels are not there.{some}"
    )


def taken_off_words(every: Sequence[SpeedSeries]) -> str:
    """Whether background was subtracted from the levels of a figure; from how many of them there was none to take."""
    levels = [level for series in every for level in series.levels if level.part != "bound"]
    without = sum(level.background_source == "nothing" for level in levels)
    if levels and without == len(levels):
        return "Levels of single runs as measured, no background to subtract"
    some = f" ({without} of {len(levels)} as measured, no background to subtract)" if without else ""
    return f"Levels of single runs after background subtraction{some}"


def _selection(campaign: Campaign, first: Row, every: Sequence[SpeedSeries]) -> str:
    conditions = dict.fromkeys(series.row["condition"] for series in every)
    runs = {
        name: sorted({level.run for series in every if series.row["condition"] == name for level in series.levels})
        for name in conditions
    }
    said = "; ".join(f"{name} runs: {listed(names, 8)}" for name, names in runs.items())
    return (
        f"campaign {campaign.settings.campaign} · session {first['session']} · yaw {first['yaw_deg']:g}° · "
        f"air of {campaign.settings.operating_point.reference_density_kgm3:g} kg/m³ · {said}"
    )


def _yaw_name(row: Row) -> tuple[str, ...]:
    yaw = round(row["yaw_deg"], 1)
    return (f"yaw{'m' if yaw < 0 else ''}{abs(yaw):g}",)


def _speed_data(every: Sequence[SpeedSeries]) -> FigureData:
    pairs = [(series.row, level) for series in every for level in series.levels]
    place = ("position", "condition", "session", "yaw_deg", "weighting", "lowest_band_hz", "highest_band_hz")
    return FigureData(
        {
            **{name: [row[name] for row, _ in pairs] for name in place},
            "run": [level.run for _, level in pairs],
            "part": [level.part for _, level in pairs],
            "background_source": [level.background_source for _, level in pairs],
            "doubtful": [level.doubtful for _, level in pairs],
            "nominal_speed_mps": [level.nominal_mps for _, level in pairs],
            "speed_mps": [level.speed_mps for _, level in pairs],
            "level_db": [None if level.part == "bound" else level.level_db for _, level in pairs],
            "upper_bound_db": [level.level_db if level.part == "bound" else None for _, level in pairs],
            **{name: [row[name] for row, _ in pairs] for name in FITTED},
        }
    )


def collapse_pictures(tables: FinishedTables, campaign: Campaign, shelf: FigureShelf) -> list[Picture]:
    """Band spectra over f/U and over f, of the positions where the two scatter most differently; one figure or none."""
    reference = next((row["reference_speed_mps"] for row in tables.overall_scaling), None)
    if reference is None:
        return []
    every = [
        CollapseSeries(row, condition_title(campaign, row["condition"]), levels, reference)
        for row in most_different(tables.collapse)
        if (levels := tuple(band_levels(tables, campaign, row)))
    ]
    if not every:
        return []
    settings = campaign.settings
    unit = settings.report.speed_unit
    runs = sorted({level.run for series in every for level in series.levels})
    yaws = "yaw " + ", ".join(f"{yaw:g}°" for yaw in sorted({series.row["yaw_deg"] + 0.0 for series in every}))
    heading = Heading(
        f"Band levels at {speed(reference, unit)}, over Strouhal number and over frequency",
        f"campaign {settings.campaign} · {'; '.join(series.name for series in every)} · {yaws} · runs "
        f"{listed(runs, 12)} · air of {settings.operating_point.reference_density_kgm3:g} kg/m³",
    )
    positions = tuple(series.row["position"] for series in every)
    there = len({row["position"] for row in tables.collapse})
    return [
        shelf.add(
            ("collapse", settings.campaign),
            partial(collapse_figure, every, heading, unit, settings.reference_pressure_pa),
            alt=" ".join(_collapse_message(series) for series in every),
            data=_collapse_data(every),
            subject=Subject(positions=positions),
            caption=f"Band levels of single runs less 10 n lg(U/U_ref), U_ref {speed(reference, unit)}, n fitted on "
            "either side by itself; lines are means over the runs of a speed. What falls together on the left goes "
            "with Strouhal number, on the right with frequency. "
            f"{listed((f'{series.name}: {_goes_with(series.row)}' for series in every), MOST_COLLAPSES)}. Scatter is "
            "that about one smooth curve, not about the lines drawn. Only bands with levels at two speeds; bounds and "
            f"tonal levels are left out. {len(every)} of {there} positions: the largest differences between the two "
            "scatters.",
        )
    ]


def most_different(rows: Sequence[Row], most: int = MOST_COLLAPSES) -> list[Row]:
    """Of each position the row whose two scatters differ most; the first positions by that difference."""
    first: dict[str, Row] = {}
    known = [row for row in rows if row["strouhal_scatter_db"] is not None and row["frequency_scatter_db"] is not None]
    for row in sorted(known, key=lambda row: (-_apart_db(row), row["position"], row["condition"], row["session"])):
        first.setdefault(row["position"], row)
    return list(first.values())[:most]


def _apart_db(row: Row) -> float:
    return abs(float(row["strouhal_scatter_db"]) - float(row["frequency_scatter_db"]))


def _goes_with(row: Row) -> str:
    words = {"strouhal": "goes with Strouhal number", "frequency": "goes with frequency"}
    return words.get(row["better"], "not shown to go with either")


def _collapse_message(series: CollapseSeries) -> str:
    row = series.row
    return (
        f"{series.name}: scatter {number(row['strouhal_scatter_db'], 2)} dB over Strouhal number with n = "
        f"{number(row['strouhal_exponent'])}, {number(row['frequency_scatter_db'], 2)} dB over frequency with n = "
        f"{number(row['frequency_exponent'])}, {counted(len(series.levels), 'level')}: {_goes_with(row)}."
    )


def _collapse_data(every: Sequence[CollapseSeries]) -> FigureData:
    pairs = [(series, level) for series in every for level in series.levels]
    place = ("position", "condition", "session", "yaw_deg", "length_m", "length_source")

    def brought(side: str) -> list[float]:
        return [at_reference_db(level, series.row[f"{side}_exponent"], series.reference_mps) for series, level in pairs]

    columns: Mapping[str, list[object]] = {
        **{name: [series.row[name] for series, _ in pairs] for name in place},
        **{name: [getattr(level, name) for _, level in pairs] for name in _LEVEL_COLUMNS},
        "per_m": [abscissa(level, "strouhal", None) for _, level in pairs],
        "strouhal": [_strouhal(series.row, level) for series, level in pairs],
        "at_reference_by_strouhal_db": list(brought("strouhal")),
        "at_reference_by_frequency_db": list(brought("frequency")),
    }
    return FigureData(columns)


_LEVEL_COLUMNS = ("run", "nominal_mps", "speed_mps", "band_hz", "midband_hz", "level_db")


def _strouhal(row: Row, level: SpeedLevel) -> float | None:
    return None if row["length_m"] is None else abscissa(level, "strouhal", row["length_m"])
