"""The figure of a comparison at one position and operating point: both levels, and their difference below."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from tapeline.campaign.model import Campaign
from tapeline.report.charts.figure import Figure, Key, condition_key, figure_of
from tapeline.report.charts.looks import condition_look
from tapeline.report.charts.panel import Box, Panel
from tapeline.report.charts.scales import Limits, band_limits, beyond_words, rounded_limits
from tapeline.report.comparison_views import SHOWN, View, condition_title
from tapeline.report.figure_data import rows_data
from tapeline.report.figure_messages import differences_message
from tapeline.report.finished_tables import Row, reals
from tapeline.report.view_names import figure_name
from tapeline.report.wording import confidence_words, counted, frequency, interval, number, operating_point

COLUMNS = (
    "position", "band_hz", "midband_hz", "lower_hz", "upper_hz", "reference_level_db", "treatment_level_db",
    "reference_bound_db", "treatment_bound_db", "background_db", "difference_db", "lower_db", "upper_db", "finding",
    "doubtful", "doubt", "reference_runs", "treatment_runs",
)  # fmt: skip


WITHOUT_BACKGROUND = "No background was subtracted."
LEVELS = ("reference_level_db", "treatment_level_db", "reference_bound_db", "treatment_bound_db")


@dataclass(frozen=True)
class Axes:
    """Limits that all figures of a comparison share, so that they can be held against each other."""

    levels: Limits
    differences: Limits


def difference_limits(rows: Iterable[Row], threshold_db: float) -> Limits:
    """One axis for all differences of a comparison; intervals that reach further are cut at its ends."""
    values: list[float | None] = [-threshold_db, threshold_db]
    for row in rows:
        values += [row["difference_db"]] if row["difference_db"] is not None else [row["lower_db"], row["upper_db"]]
    return rounded_limits(values, 1.0, 1.0, 4.0)


def level_limits(rows: Iterable[Row]) -> Limits:
    """One axis for the levels of a comparison: from the lowest level or bound to the highest, background apart."""
    return rounded_limits((row.get(name) for row in rows for name in LEVELS), 5.0, 1.0, 15.0)


def cut_words(rows: Iterable[Row], limits: Limits) -> str:
    """How many intervals reach beyond the axis, as a sentence after another; nothing where none does."""
    ends = [(row["lower_db"], row["upper_db"]) for row in rows]
    count = sum((low is not None and low < limits[0]) or (high is not None and high > limits[1]) for low, high in ends)
    return f" {counted(count, 'interval')} cut at the end of the axis." if count else ""


def without_background_words(rows: Sequence[Row]) -> str:
    """That no background was subtracted, or in how many bands none was; nothing where it was in all.

    A band counts where a run of either condition has none; `rows` are those of `with_bounds`.
    """
    count = sum(row["without_background"] for row in rows)
    if not count:
        return ""
    if count == len(rows):
        return WITHOUT_BACKGROUND
    return f"No background was subtracted in {count} of {counted(len(rows), 'band')}."


def pair_figure(campaign: Campaign, view: View, position: str, rows: Sequence[Row], axes: Axes) -> Figure:
    """Levels of both conditions over their difference; `rows` are those of `with_bounds`, in order of frequency."""
    conditions = list(campaign.settings.conditions)
    looks = {side: condition_look(conditions, getattr(view, side)) for side in ("reference", "treatment")}
    titles = {side: condition_title(campaign, getattr(view, side)) for side in looks}
    limits = band_limits(reals(rows, "lower_hz"), reals(rows, "upper_hz"))
    pascal = campaign.settings.reference_pressure_pa
    point = operating_point(view.speed_mps, view.yaw_deg, campaign.settings.report.speed_unit)
    levels = Panel(Box(58, 14, 672, 190), limits, axes.levels, y_label=f"dB re {pascal * 1e6:g} µPa", frequency=True)
    midband = reals(rows, "midband_hz")
    background = reals(rows, "background_db")
    levels.curve(midband, background, "bg", "2 3")
    for side, look in looks.items():
        level = reals(rows, f"{side}_level_db")
        levels.curve(midband, level, look.role, look.dashes)
        levels.marks(midband, level, look)
        levels.bounds(midband, reals(rows, f"{side}_bound_db"), look.role)
    differences = Panel(
        Box(58, 214, 672, 352), limits, axes.differences, x_label="midband frequency, Hz",
        y_label="difference, dB", frequency=True,
    )  # fmt: skip
    threshold = campaign.settings.compare.practical_threshold_db
    _draw_differences(differences, rows, threshold)
    for row in rows:
        words = reading_words(row, titles)
        for side in ("treatment", "reference"):
            _reads(levels, row, words, f"{side}_level_db", f"{side}_bound_db")
        _reads(differences, row, words, "difference_db", "upper_db", "lower_db")
    keys = [
        *(condition_key(looks[side], titles[side]) for side in looks),
        *([Key("background", "bg", dashes="2 3")] if any(map(levels.is_on_axis, background)) else []),
        *_difference_keys(rows, threshold, campaign.settings.confidence),
    ]
    return figure_of(
        (*figure_name(campaign, "pair", view), position),
        f"{view.comparison} at {position}, {point}, session {view.sessions}",
        [levels, differences],
        keys,
        height=388,
        alt=differences_message(rows, f"{titles['treatment']} minus {titles['reference']} at {position}"),
        caption=f"Above: {_levels_words(rows)} "
        f"Below: treatment minus reference; negative: {titles['treatment']} is quieter."
        f"{beyond_words((row[name] for row in rows for name in LEVELS), axes.levels)}"
        f"{beyond_words((row['difference_db'] for row in rows), axes.differences)}"
        f"{cut_words(rows, axes.differences)}",
        data=rows_data(rows, COLUMNS, comparison=view.comparison, speed_mps=view.speed_mps, yaw_deg=view.yaw_deg),
    )


def _reads(panel: Panel, row: Row, words: str, *names: str) -> None:
    """A reading at the first of these values that is given; none where none is."""
    height = next((row[name] for name in names if row[name] is not None), None)
    if height is not None:
        panel.reads(row["midband_hz"], height, words)


def _levels_words(rows: Sequence[Row]) -> str:
    without = without_background_words(rows)
    if without == WITHOUT_BACKGROUND:
        return f"levels as measured, mean over the runs. {without}"
    return " ".join(part for part in ("levels after background subtraction, mean over the runs.", without) if part)


def reading_words(row: Row, titles: dict[str, str]) -> str:
    """One band in words: levels, difference, interval and finding."""
    sides = ", ".join(f"{titles[side]} {_level_words(row, side)}" for side in ("treatment", "reference"))
    if row["difference_db"] is None and row["lower_db"] is None and row["upper_db"] is None:
        difference = "difference not known"
    elif row["difference_db"] is None:
        difference = f"difference {interval(row['lower_db'], row['upper_db'])} dB"
    else:
        ends = interval(row["lower_db"], row["upper_db"])
        difference = f"difference {number(row['difference_db'], signed=True)} dB ({ends})"
    doubt = ", doubtful" if row["doubtful"] else ""
    return f"{frequency(row['band_hz'])}: {sides}; {difference}, {row['finding']}{doubt}"


def _level_words(row: Row, side: str) -> str:
    level, bound = row[f"{side}_level_db"], row[f"{side}_bound_db"]
    if level is not None:
        return f"{number(level)} dB"
    return "no level" if bound is None else f"at most {number(bound)} dB"


def _draw_differences(panel: Panel, rows: Sequence[Row], threshold_db: float) -> None:
    known = [row for row in rows if row["lower_db"] is not None or row["upper_db"] is not None]
    left, right, low, high = (reals(known, name) for name in ("lower_hz", "upper_hz", "lower_db", "upper_db"))
    panel.interval_bars(left, right, low, high)
    panel.level_line(0.0, "ze")
    for level in (-threshold_db, threshold_db):
        panel.level_line(level, "li", "4 3")
    for role, chosen in _by_role(rows).items():
        colour, _, fill = role.partition(" ")
        values = reals(chosen, "difference_db")
        panel.dots(reals(chosen, "midband_hz"), values, f"{colour}{' ho' if fill else ''}",
                   shape="diamond" if fill == "equivalent" else "circle")  # fmt: skip
    bounds = [row for row in rows if row["difference_db"] is None]
    panel.bounds(reals(bounds, "midband_hz"), reals(bounds, "upper_db"), "nt")
    panel.bounds(reals(bounds, "midband_hz"), reals(bounds, "lower_db"), "nt", upward=True)


def _by_role(rows: Sequence[Row]) -> dict[str, list[Row]]:
    """Rows with a difference by how they are drawn: higher or lower, and neutral and hollow where not shown."""
    found: dict[str, list[Row]] = {}
    for row in rows:
        if row["difference_db"] is None:
            continue
        is_neutral = row["doubtful"] or row["finding"] not in SHOWN
        colour = "nt" if is_neutral else "up" if row["difference_db"] > 0 else "dn"
        fill = "" if row["finding"] in SHOWN else "equivalent" if row["finding"] == "equivalent" else "hollow"
        found.setdefault(f"{colour} {fill}".strip(), []).append(row)
    return dict(sorted(found.items()))


def _difference_keys(rows: Sequence[Row], threshold_db: float, confidence: float) -> list[Key]:
    roles = _by_role(rows)
    known = {
        "up": Key("higher", "up", "circle", line=False),
        "dn": Key("lower", "dn", "circle", line=False),
        "nt": Key("doubtful", "nt", "circle", line=False),
    }
    keys = [key for role, key in known.items() if role in roles]
    if any(role.endswith("hollow") for role in roles):
        keys.append(Key("not shown", "nt ho", "circle", line=False))
    if any(role.endswith("equivalent") for role in roles):
        keys.append(Key("equivalent", "nt ho", "diamond", line=False))
    if any(row["difference_db"] is None for row in rows):
        keys.append(Key("at most, at least", "nt", "arrow", line=False))
    threshold = Key(f"threshold ±{number(threshold_db)} dB", "li", dashes="4 3")
    return [*keys, Key(f"{confidence_words(confidence)} interval", "iv", "box"), threshold]
