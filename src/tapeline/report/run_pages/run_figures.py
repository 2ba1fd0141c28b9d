"""The figures of a run's page: small panels a position, of its spectra and of its levels against time."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np

from tapeline.arrays import Reals
from tapeline.campaign.model import Campaign
from tapeline.report.charts.figure import Figure, Key, figure_of, panel_boxes
from tapeline.report.charts.looks import Look, condition_look
from tapeline.report.charts.panel import Panel
from tapeline.report.charts.scales import band_limits, frequency_words, rounded_limits, tick_words
from tapeline.report.comparison_views import condition_title
from tapeline.report.figure_data import FigureData
from tapeline.report.finished_tables import Row
from tapeline.report.run_pages.band_arrays import SessionBands
from tapeline.report.wording import counted, frequency, listed, number, pascal, short

COLUMNS = 4
PANEL_PX = 92.0
TITLE_LETTERS = 13
OCTAVES_HZ = (63.0, 250.0, 1000.0, 4000.0)
"""What is written on an axis that has no room for all octaves."""
MOST_POINTS = 160
"""So many values of a level against time are drawn in a panel, the lowest and highest of each stretch."""
TIME_SPAN_DB = (4.0, 40.0)
"""A panel of levels against time spans no less, so that noise is not shown as change, and no more: a dropout would
hide all else."""

Verdicts = Mapping[str, str]


def spectra_figure(
    campaign: Campaign,
    run: Row,
    positions: Sequence[str],
    verdicts: Verdicts,
    bands: Mapping[str, SessionBands],
    repeats: Sequence[Row],
    *,
    is_as_measured: bool,
) -> Figure:
    """Band levels of a run with its background and its repeats, a panel a position, on one ordinate.

    `is_as_measured` says that nothing was subtracted.
    """
    own = bands[run["session"]]
    look = run_look(campaign, run)
    place = own.runs[run["run"]]
    found = {position: _repeat_levels(bands, repeats, position, own.band_hz) for position in positions}
    values = [own.level_db[place, own.positions[name]] for name in positions]
    values += [own.bound_db[place, own.positions[name]] for name in positions]
    values += [level for levels in found.values() for _, level in levels]
    limits_db = rounded_limits((float(value) for each in values for value in each), 10.0, 1.0, 20.0)
    limits_hz = band_limits(own.lower_hz.tolist(), own.upper_hz.tolist())
    boxes, height = panel_boxes(len(positions), columns=COLUMNS, height=PANEL_PX)
    made = []
    for index, (position, box) in enumerate(zip(positions, boxes, strict=True)):
        panel = Panel(
            box, limits_hz, limits_db, _panel_title(position, verdicts), frequency=True,
            y_label=level_label(campaign) if index % COLUMNS == 0 else "", x_words=frequency_words,
            x_ticks=[hertz for hertz in OCTAVES_HZ if limits_hz[0] <= hertz <= limits_hz[1]] or None,
        )  # fmt: skip
        _draw_spectra(panel, own, place, own.positions[position], found[position], run["session"], look)
        _read_spectra(panel, position, own, place, own.positions[position], [level for _, level in found[position]])
        made.append(panel)
    title = f"Band levels of {run['run']}"
    return figure_of(
        ("spectra", run["run"]), title, made,
        [
            Key(f"{run['run']}, {_state_words(campaign, run)}", look.role),
            *([Key("upper bound", look.role, "arrow", line=False)] if _has(own.bound_db[place]) else []),
            *([Key("background", "bg", dashes="2 3")] if _has(own.background_db[place]) else []),
            *_repeat_keys(run, repeats),
        ],
        height=height - 12,
        alt=f"{title} at {counted(len(positions), 'position')}, with "
        f"{'its' if _has(own.background_db[place]) else 'no'} background and {counted(len(repeats), 'repeat')}.",
        caption=_spectra_caption(repeats, is_as_measured=is_as_measured),
        data=FigureData({}),
    )  # fmt: skip


def run_look(campaign: Campaign, run: Row) -> Look:
    """The look of the run's condition; a run without one, such as a background, is neutral."""
    if run["condition"] is None:
        return Look("nt", "circle", None)
    return condition_look(list(campaign.settings.conditions), run["condition"])


def _state_words(campaign: Campaign, run: Row) -> str:
    return condition_title(campaign, run["condition"]) if run["condition"] else str(run["kind"])


def level_label(campaign: Campaign) -> str:
    """The label of an ordinate that has little room; the reference is that of the page."""
    return f"dB re {pascal(campaign.settings.reference_pressure_pa)}"


def _spectra_caption(repeats: Sequence[Row], *, is_as_measured: bool) -> str:
    levels = "Levels as measured, no background subtracted" if is_as_measured else "Levels after background subtraction"
    said = f"{levels}; abscissa: midband frequency, Hz. All panels share one ordinate. "
    if not repeats:
        return said + "No other used run has this condition and operating point."
    return said + f"Repeats: {listed((row['run'] for row in repeats), 8)}."


def _panel_title(position: str, verdicts: Verdicts) -> str:
    verdict = verdicts.get(position, "good")
    name = short(position, TITLE_LETTERS)
    return name if verdict == "good" else f"{name}: {verdict}"


def _repeat_levels(
    bands: Mapping[str, SessionBands], repeats: Sequence[Row], position: str, band_hz: Reals
) -> list[tuple[str, Reals]]:
    """Session and levels of the repeats at a position where they may be pooled, in the bands `band_hz`."""
    found = []
    for row in repeats:
        own = bands[row["session"]]
        if position in own.positions:
            place = own.runs[row["run"]], own.positions[position]
            levels = dict(zip(own.band_hz, np.where(own.is_usable[place], own.level_db[place], np.nan), strict=True))
            aligned = np.array([levels.get(band, math.nan) for band in band_hz])
            if _has(aligned):
                found.append((row["session"], aligned))
    return found


def _draw_spectra(
    panel: Panel,
    own: SessionBands,
    run: int,
    position: int,
    repeats: Sequence[tuple[str, Reals]],
    session: str,
    look: Look,
) -> None:
    midband = own.midband_hz
    for other, level in repeats:
        panel.curve(midband, level, "th nt", None if other == session else "4 2")
    panel.curve(midband, own.background_db[run, position], "bg", "2 3")
    panel.curve(midband, own.level_db[run, position], look.role)
    panel.bounds(midband, own.bound_db[run, position], look.role)


def _read_spectra(
    panel: Panel, position: str, own: SessionBands, run: int, place: int, repeats: Sequence[Reals]
) -> None:
    for band, hertz in enumerate(own.midband_hz):
        level, bound = own.level_db[run, place, band], own.bound_db[run, place, band]
        if not (math.isfinite(level) or math.isfinite(bound)):
            continue
        said = f"{number(level)} dB" if math.isfinite(level) else f"at most {number(bound)} dB"
        if math.isfinite(own.background_db[run, place, band]):
            said += f", background {number(own.background_db[run, place, band])}"
        others = [each[band] for each in repeats if math.isfinite(each[band])]
        if others:
            said += f", repeats {number(min(others))} to {number(max(others))}"
        height = level if math.isfinite(level) else bound
        panel.reads(float(hertz), float(height), f"{position} {frequency(own.band_hz[band])}: {said}")


def _repeat_keys(run: Row, repeats: Sequence[Row]) -> list[Key]:
    others = {row["session"] != run["session"] for row in repeats}
    keys = [Key("repeats", "th nt")] if False in others else []
    return [*keys, *([Key("repeats of other sessions", "th nt", dashes="4 2")] if True in others else [])]


def time_figure(
    campaign: Campaign, run: Row, positions: Sequence[str], verdicts: Verdicts, history: Sequence[Row], weighting: str
) -> Figure | None:
    """Levels against time, a panel a position, on ordinates of one span; None where there are none."""
    found: dict[str, tuple[Reals, Reals]] = {}
    for position in positions:
        rows = sorted((row for row in history if row["position"] == position), key=lambda row: row["time_s"])
        level = np.array([math.nan if row["level_db"] is None else row["level_db"] for row in rows])
        if _has(level):
            found[position] = (np.array([row["time_s"] for row in rows]), level)
    if not found:
        return None
    middles = {name: float(np.median(level[np.isfinite(level)])) for name, (_, level) in found.items()}
    sound = [name for name in found if verdicts.get(name) != "unusable"] or list(found)
    widest = max(float(np.nanmax(np.abs(found[name][1] - middles[name]))) for name in sound)
    half = math.ceil(min(max(widest + 0.5, TIME_SPAN_DB[0] / 2), TIME_SPAN_DB[1] / 2))
    # What cannot be used may lie far off: its own panel shows all of it and leaves the others as they are.
    halves = {name: float(half) for name in found}
    for name in found.keys() - set(sound):
        own = float(np.nanmax(np.abs(found[name][1] - middles[name])))
        halves[name] = float(math.ceil(min(max(own + 0.5, half), TIME_SPAN_DB[1] / 2)))
    wider = [name for name in found if halves[name] > half]
    end = max(float(times[-1]) for times, _ in found.values())
    boxes, height = panel_boxes(len(found), columns=COLUMNS, height=PANEL_PX)
    weighted = "" if weighting == "Z" else f"({weighting})"
    look = run_look(campaign, run)
    made = []
    for index, ((position, (times, level)), box) in enumerate(zip(found.items(), boxes, strict=True)):
        middle, own_half = round(middles[position]), halves[position]
        panel = Panel(
            box, (0.0, end), (middle - own_half, middle + own_half), _panel_title(position, verdicts),
            y_label=f"dB{weighted}" if index % COLUMNS == 0 else "", x_words=tick_words,
        )  # fmt: skip
        kept = thinned(level, MOST_POINTS)
        panel.curve(times[kept], level[kept], look.role)
        made.append(panel)
    title = f"Levels of {run['run']} against time"
    word = "Unweighted" if weighting == "Z" else f"{weighting}-weighted"
    return figure_of(
        ("time", run["run"]), title, made, [], height=height - 12,
        alt=f"{title} at {counted(len(found), 'position')}: {word.lower()} levels over {number(end)} s.",
        caption=f"{word} levels; abscissa: time, s. All panels span {2 * half} dB"
        + (f", but {listed(f'{name} {2 * halves[name]:g}' for name in wider)}." if wider else "."),
        data=FigureData({}),
    )  # fmt: skip


def thinned(values: Reals, most: int) -> list[int]:
    """The places of at most `most` values, in order: the lowest and highest finite ones of equal stretches.

    >>> thinned(np.array([0.0, 5.0, 1.0, -3.0, 0.0, 0.0]), 4)
    [0, 1, 3, 4]
    """
    if values.size <= most:
        return list(range(values.size))
    kept: set[int] = set()
    for part in np.array_split(np.arange(values.size), most // 2):
        finite = part[np.isfinite(values[part])]
        if finite.size:
            kept |= {int(finite[np.argmin(values[finite])]), int(finite[np.argmax(values[finite])])}
    return sorted(kept)


def _has(values: Reals) -> bool:
    return bool(np.isfinite(values).any())
