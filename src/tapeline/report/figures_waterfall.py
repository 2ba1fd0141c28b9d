"""Narrowband spectra of several speeds stacked over speed, with the rays on which f/U is constant."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.ticker import FixedFormatter, FixedLocator, MaxNLocator

from tapeline.acoustics.levels import level_db
from tapeline.arrays import Reals
from tapeline.campaign.operating_points import MPS_PER_UNIT
from tapeline.report.figure_panels import Heading, cut_name, legend_line, panel_grid
from tapeline.report.figure_style import condition_look
from tapeline.report.figures_bands import rounded_limits
from tapeline.report.finished_tables import Spectrum
from tapeline.report.tone_search import ToneLine
from tapeline.report.wording import counted, short

OVERLAP = 1.5
"""Height of the deepest spectrum in steps of speed: more would hide the next one, less would flatten it."""
BAR_DB = 20.0
LEAST_TOP_HZ = 1000.0
RAYS = 4
RAY_COLOUR, LINE_COLOUR, MARK_COLOUR = "#9a9a94", "#333333", "#8c2d5a"
MOST_NAMED, MOST_NAMED_SPEEDS = 3, 4
PAPER = {"facecolor": "white", "alpha": 0.85, "linewidth": 0, "pad": 0.4}
FLOOR_SHARE = 5.0
"""Percentile of the densities that a spectrum's baseline stands for; what is below is cut."""


@dataclass(frozen=True)
class Waterfall:
    """One panel: spectra with their nominal and achieved speeds (m/s), slowest first, and lines that stand out."""

    position: str
    condition: str
    spectra: tuple[tuple[float, float, Spectrum], ...]
    lines: tuple[ToneLine, ...]
    length_m: float | None


@dataclass(frozen=True)
class Stack:
    """How densities become heights: `floor_db` lies at a spectrum's speed, and a decibel is `mps_per_db` high."""

    floor_db: float
    mps_per_db: float

    def height_mps(self, speed_mps: float, density_db: Reals | float) -> Reals:
        """Where a density of a spectrum of some speed is drawn."""
        above = np.maximum(np.asarray(density_db, dtype=np.float64) - self.floor_db, 0.0)
        return np.asarray(speed_mps + self.mps_per_db * above, dtype=np.float64)


def waterfall_figure(
    panels: Sequence[Waterfall], titles: Mapping[str, str], heading: Heading, unit: str, reference_pa: float
) -> Figure:
    """Spectra stacked over speed, two panels a row; of a single speed spectra alone, over the density.

    Speed and frequency are linear, so that lines of constant f/U are straight rays from the origin.
    """
    speeds, stack = _speeds(panels), stacking(panels, reference_pa)
    density = f"density, dB re ({reference_pa * 1e6:g} µPa)²/Hz"
    y_label = density if stack is None else f"speed, {unit}, spectra stacked"
    figure, every = panel_grid(len(panels), heading, "frequency, Hz", y_label, columns=2, panel_in=1.7)
    top_hz = highest_shown_hz(panels)
    every[0].set_xlim(0.0, top_hz)
    every[0].xaxis.set_major_locator(MaxNLocator(6, prune="upper"))
    for index, (axes, panel) in enumerate(zip(every, panels, strict=False)):
        title = short(titles.get(panel.condition, panel.condition), 28)
        said = f"{title}   n = {counted(len(panel.spectra), 'run')}"
        axes.set_title(cut_name(axes, panel.position, said, ", "))
        colour = condition_look(tuple(titles), panel.condition)[0]
        if stack is None:
            _draw_plain(axes, panel, colour, top_hz, reference_pa)
        else:
            _draw_stack(axes, panel, stack, colour, top_hz, unit, reference_pa)
            if index == 0:
                _draw_bar(axes, stack, unit, top_hz, speeds)
    if stack is None:
        every[0].set_ylim(_density_limits(panels, top_hz, reference_pa))
    elif every:
        _speed_axis(every, speeds, stack, panels, unit, reference_pa)
    legend_line(figure, _handles(panels, stack, reference_pa))
    return figure


def highest_shown_hz(panels: Sequence[Waterfall]) -> float:
    """Upper end of the frequency axis: a round one that holds the lines that stand out, all where there are none."""
    ends = [float(each.frequency_hz[-1]) for panel in panels for *_, each in panel.spectra if each.frequency_hz.size]
    last = max(ends, default=LEAST_TOP_HZ)
    found = [line.frequency_hz for panel in panels for line in panel.lines]
    if not found:
        return last
    return min(last, max(LEAST_TOP_HZ, math.ceil(1.25 * max(found) / 500.0) * 500.0))


def stacking(panels: Sequence[Waterfall], reference_pa: float) -> Stack | None:
    """One scale for all panels: the deepest spectrum is `OVERLAP` steps of speed high; None of a single speed."""
    speeds = _speeds(panels)
    if len(speeds) < 2:
        return None
    top_hz = highest_shown_hz(panels)
    densities = [_shown(spectrum, top_hz, reference_pa)[1] for panel in panels for *_, spectrum in panel.spectra]
    finite = [found[np.isfinite(found)] for found in densities]
    floor = min((float(np.percentile(found, FLOOR_SHARE)) for found in finite if found.size), default=0.0)
    floor = math.floor(floor / 5.0) * 5.0
    peak = max((float(found.max()) for found in finite if found.size), default=floor + BAR_DB)
    step = float(np.median(np.diff(speeds)))
    return Stack(floor, OVERLAP * step / max(peak - floor, BAR_DB))


def _speeds(panels: Sequence[Waterfall]) -> list[float]:
    return sorted({nominal for panel in panels for nominal, _, _ in panel.spectra})


def rays_per_m(top_hz: float, fastest_mps: float, length_m: float | None) -> list[float]:
    """Round values of f/U (1/m), or of f l / U where a length is stated: `RAYS` of them within the axis, up to ten."""
    unit = 1.0 if length_m is None else length_m
    highest = top_hz / fastest_mps * unit
    decade = 10.0 ** math.floor(math.log10(highest / RAYS))
    step = max(factor * decade for factor in (1.0, 2.0, 5.0) if factor * decade <= highest / RAYS * 1.001)
    return [k * step / unit for k in range(1, math.floor(highest / step * 1.001) + 1)]


def _shown(spectrum: Spectrum, top_hz: float, reference_pa: float) -> tuple[Reals, Reals]:
    inside = spectrum.frequency_hz <= top_hz
    return spectrum.frequency_hz[inside], level_db(spectrum.psd[inside], reference_pa)


def _draw_stack(
    axes: Axes, panel: Waterfall, stack: Stack, colour: str, top_hz: float, unit: str, reference_pa: float
) -> None:
    unit_mps = MPS_PER_UNIT[unit]
    for place, (nominal, achieved, spectrum) in enumerate(panel.spectra):
        hz, density = _shown(spectrum, top_hz, reference_pa)
        height = stack.height_mps(achieved, density) / unit_mps
        before = 3.0 + len(panel.spectra) - place
        axes.fill_between(hz, achieved / unit_mps, height, color="white", linewidth=0, zorder=before)
        axes.plot(hz, height, color=colour, linewidth=0.55, zorder=before + 0.5, gid=f"speed {nominal:.6g}")
    for line in panel.lines:
        density = level_db(line.line_psd, reference_pa)
        foot, tip = line.speed_mps / unit_mps, float(stack.height_mps(line.speed_mps, float(density))) / unit_mps
        axes.plot([line.frequency_hz, line.frequency_hz], [foot, tip], color=MARK_COLOUR, linewidth=0.6, zorder=40)
        _mark(axes, line, foot)
    for line in _named(panel):
        tip = float(stack.height_mps(line.speed_mps, float(level_db(line.line_psd, reference_pa)))) / unit_mps
        _name(axes, line, tip)


def _mark(axes: Axes, line: ToneLine, y: float) -> None:
    """Filled where the line is in the run alone, open where it is in a background too."""
    axes.plot([line.frequency_hz], [y], linestyle="none", marker="o", color=MARK_COLOUR, markersize=3.2, zorder=41,
              markerfacecolor="white" if line.also_in else MARK_COLOUR, markeredgewidth=0.7,
              gid="also in background" if line.also_in else "stands out")  # fmt: skip


def _named(panel: Waterfall) -> list[ToneLine]:
    """The lines whose frequency is written: of each speed those furthest above the median; of many the two end ones."""
    ranked: dict[float, list[ToneLine]] = {}
    for line in sorted(panel.lines, key=lambda line: -line.above_db):
        ranked.setdefault(line.nominal_mps, []).append(line)
    speeds = sorted(ranked)
    named = speeds if len(speeds) <= MOST_NAMED_SPEEDS else [speeds[0], speeds[-1]]
    return [line for nominal in named for line in ranked[nominal][:MOST_NAMED]]


def _name(axes: Axes, line: ToneLine, y: float) -> None:
    axes.annotate(f"{line.frequency_hz:g} Hz", (line.frequency_hz, y), (3, 0), textcoords="offset points",
                  fontsize=5.5, va="top", color=MARK_COLOUR, zorder=42, bbox=PAPER)  # fmt: skip


def _draw_plain(axes: Axes, panel: Waterfall, colour: str, top_hz: float, reference_pa: float) -> None:
    for nominal, _, spectrum in panel.spectra:
        hz, density = _shown(spectrum, top_hz, reference_pa)
        axes.plot(hz, density, color=colour, linewidth=0.55, gid=f"speed {nominal:.6g}")
    for line in panel.lines:
        _mark(axes, line, float(level_db(line.line_psd, reference_pa)))
    for line in _named(panel):
        _name(axes, line, float(level_db(line.line_psd, reference_pa)))


def _density_limits(panels: Sequence[Waterfall], top_hz: float, reference_pa: float) -> tuple[float, float]:
    densities = [_shown(spectrum, top_hz, reference_pa)[1] for panel in panels for *_, spectrum in panel.spectra]
    ends = [float(of(found[np.isfinite(found)])) for found in densities for of in (np.min, np.max)
            if np.isfinite(found).any()]  # fmt: skip
    low, high = rounded_limits(ends, 10.0, 2.0, 30.0)
    return max(low, high - 90.0), high


def _speed_axis(
    every: Sequence[Axes],
    speeds: Sequence[float],
    stack: Stack,
    panels: Sequence[Waterfall],
    unit: str,
    reference_pa: float,
) -> None:
    """Ticks at the nominal speeds; room above the fastest for its spectrum and the names of the rays."""
    axes, top_hz = every[0], every[0].get_xlim()[1]
    unit_mps = MPS_PER_UNIT[unit]
    tips = [
        float(np.max(heights[np.isfinite(heights)], initial=achieved))
        for panel in panels
        for _, achieved, spectrum in panel.spectra
        for heights in [stack.height_mps(achieved, _shown(spectrum, top_hz, reference_pa)[1])]
    ]
    step = float(np.median(np.diff(speeds)))
    low, high = speeds[0] - 0.15 * step, max(*tips, speeds[-1]) + 0.35 * step
    axes.set_ylim(low / unit_mps, high / unit_mps)
    axes.yaxis.set_major_locator(FixedLocator([value / unit_mps for value in speeds]))
    axes.yaxis.set_major_formatter(FixedFormatter([f"{round(value / unit_mps, 1):g}" for value in speeds]))
    for own, panel in zip(every, panels, strict=False):
        _draw_rays(own, panel, (low, high), speeds[-1], unit_mps)


def _draw_rays(
    axes: Axes, panel: Waterfall, limits_mps: tuple[float, float], fastest_mps: float, unit_mps: float
) -> None:
    """Rays named where they leave the panel, at its top or its right."""
    top_hz = axes.get_xlim()[1]
    for per_m in rays_per_m(top_hz, fastest_mps, panel.length_m):
        high_mps = min(limits_mps[1], top_hz / per_m)
        ends = np.array([limits_mps[0], high_mps])
        axes.plot(per_m * ends, ends / unit_mps, color=RAY_COLOUR, linewidth=0.6, linestyle=(0, (4.0, 2.0)), zorder=30,
                  gid=f"ray {per_m:.6g}", scalex=False, scaley=False)  # fmt: skip
        text = f"{per_m:.3g}/m" if panel.length_m is None else f"St {per_m * panel.length_m:.2g}"
        axes.annotate(text, (per_m * high_mps, high_mps / unit_mps), (-1.5, -1.0), textcoords="offset points",
                      fontsize=5.5, ha="right", va="top", color="#55554f", zorder=31, bbox=PAPER)  # fmt: skip


def _draw_bar(axes: Axes, stack: Stack, unit: str, top_hz: float, speeds: Sequence[float]) -> None:
    """How high 20 dB are."""
    unit_mps = MPS_PER_UNIT[unit]
    foot, at = speeds[0] / unit_mps, 0.965 * top_hz
    top = foot + BAR_DB * stack.mps_per_db / unit_mps
    axes.plot([at, at], [foot, top], color=LINE_COLOUR, linewidth=1.4, marker="_", markersize=5, zorder=43, gid="bar")
    axes.annotate(f"{BAR_DB:g} dB", (at, (foot + top) / 2), (-4, 0), textcoords="offset points", fontsize=6, ha="right",
                  va="center", zorder=43, bbox=PAPER)  # fmt: skip


def _handles(panels: Sequence[Waterfall], stack: Stack | None, reference_pa: float) -> list[Artist]:
    handles: list[Artist] = []
    marks = {bool(line.also_in) for panel in panels for line in panel.lines}
    for also, words in ((False, "stands out"), (True, "stands out, also in a background")):
        if also in marks:
            handles.append(Line2D([], [], linestyle="none", marker="o", color=MARK_COLOUR, label=words,
                                  markerfacecolor="white" if also else MARK_COLOUR))  # fmt: skip
    if stack is not None:
        ray = Line2D([], [], color=RAY_COLOUR, linewidth=0.6, linestyle=(0, (4.0, 2.0)))
        ray.set_label("constant f/U or St")
        handles.append(ray)
        bar = Line2D([], [], color=LINE_COLOUR, linestyle="none", marker="|", markersize=7, markeredgewidth=1.4)
        reference = f"({reference_pa * 1e6:g} µPa)²/Hz"
        bar.set_label(f"bar {BAR_DB:g} dB; base line {stack.floor_db:g} dB re {reference} or less")
        handles.append(bar)
    return handles
