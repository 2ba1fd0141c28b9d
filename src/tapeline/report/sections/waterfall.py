"""The figure of tones: narrowband spectra stacked over speed, with the rays on which f/U is constant."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from tapeline.acoustics.levels import level_db
from tapeline.arrays import Reals
from tapeline.campaign.model import Campaign
from tapeline.campaign.operating_points import MPS_PER_UNIT
from tapeline.report.charts.figure import Figure, Key, figure_of, panel_boxes
from tapeline.report.charts.looks import condition_look
from tapeline.report.charts.panel import Box, Panel
from tapeline.report.charts.scales import rounded_limits
from tapeline.report.comparison_views import condition_title, in_table_order
from tapeline.report.figure_data import FigureData
from tapeline.report.finished_tables import FinishedTables, Row, Spectrum
from tapeline.report.speed_levels import achieved_speed_mps
from tapeline.report.tone_runs import ToneRuns
from tapeline.report.wording import counted, listed, number, short, speed

MOST_POSITIONS = 4
OVERLAP = 1.5
"""Height of the deepest spectrum in steps of speed: more would hide the next one, less would flatten it."""
BAR_DB = 20.0
LEAST_TOP_HZ = 1000.0
RAYS = 4
MOST_NAMED, MOST_NAMED_SPEEDS = 3, 4
FLOOR_SHARE = 5.0
"""Percentile of the densities that a spectrum's baseline stands for; what is below is cut."""
TONE_COLUMNS = ("frequency_hz", "level_db", "prominence_db", "frequency_per_speed_per_m", "strouhal", "own")
MOST_FOREIGN = 6
"""So many tones of background or mains are named in the caption."""
READ_PARTS = 16
"""Of so many parts of the frequencies the largest line of each spectrum can be read."""


@dataclass(frozen=True)
class Waterfall:
    """One panel: spectra with their nominal and achieved speeds (m/s), slowest first, and their tones."""

    position: str
    condition: str
    spectra: tuple[tuple[float, float, Spectrum], ...]
    tones: tuple[Row, ...]

    @property
    def length_m(self) -> float | None:
        """The length of the Strouhal number, where one is stated."""
        return next((float(tone["length_m"]) for tone in self.tones if tone["length_m"] is not None), None)


@dataclass(frozen=True)
class Stack:
    """How densities become heights: `floor_db` lies at a spectrum's speed, and a decibel is `mps_per_db` high."""

    floor_db: float
    mps_per_db: float

    def height_mps(self, speed_mps: float, density_db: Reals | float) -> Reals:
        """Where a density of a spectrum of some speed is drawn."""
        above = np.maximum(np.asarray(density_db, dtype=np.float64) - self.floor_db, 0.0)
        return np.asarray(speed_mps + self.mps_per_db * above, dtype=np.float64)


def number_words(tone: Row) -> str:
    """Strouhal number where a length is stated, else f/U."""
    per_m, strouhal = tone["frequency_per_speed_per_m"], tone["strouhal"]
    return f"f/U {per_m:.3g}/m" if strouhal is None else f"St {strouhal:.3g}"


def waterfall_figure(tables: FinishedTables, campaign: Campaign, chosen: ToneRuns) -> Figure | None:
    """The positions whose own tones are the most prominent, both conditions beside each other; None without any."""
    tones = [tone for tone in tables.tones if tone["run"] in chosen.names]
    own = sorted((tone for tone in tones if tone["own"]), key=lambda tone: (-tone["prominence_db"], tone["position"]))
    strongest = list(dict.fromkeys(tone["position"] for tone in own))
    panels = waterfalls(tables, campaign, chosen, in_table_order(campaign, strongest[:MOST_POSITIONS]), tones)
    if not panels:
        return None
    shown = list(dict.fromkeys(panel.position for panel in panels))
    stack = stacking(panels, campaign.settings.reference_pressure_pa)
    made, height = drawn_waterfalls(campaign, panels, stack)
    return figure_of(
        ("tones", chosen.session),
        "Narrowband spectra over speed",
        made,
        _keys(panels, stack),
        height=height,
        alt=_message(campaign, [tone for panel in panels for tone in panel.tones if tone["own"]]),
        caption=_caption(campaign, chosen, panels, stack, f"{len(shown)} of {counted(len(strongest), 'position')}"),
        data=_data(panels, campaign.settings.reference_pressure_pa),
    )


def waterfalls(
    tables: FinishedTables, campaign: Campaign, chosen: ToneRuns, names: Sequence[str], tones: Sequence[Row]
) -> list[Waterfall]:
    """A panel a position and condition that has spectra."""
    spectra = {(each.position, each.run): each for each in tables.spectra(chosen.session, chosen.names, names)}
    made = []
    for position in names:
        for condition, runs in chosen.runs.items():
            own = [
                (float(run["speed_mps"]), achieved_speed_mps(campaign, run), spectra[position, run["run"]])
                for run in runs
                if (position, run["run"]) in spectra
            ]
            at = {run["run"] for run in runs}
            found = tuple(tone for tone in tones if tone["position"] == position and tone["run"] in at)
            if own:
                made.append(Waterfall(position, condition, tuple(own), found))
    return made


def drawn_waterfalls(campaign: Campaign, panels: Sequence[Waterfall], stack: Stack | None) -> tuple[list[Panel], float]:
    """The panels and their height; speed and frequency are linear, so that constant f/U is a ray from the origin."""
    unit, pascal = campaign.settings.report.speed_unit, campaign.settings.reference_pressure_pa
    boxes, height = panel_boxes(len(panels), columns=2, height=150)
    top_hz = highest_shown_hz(panels)
    made = []
    for index, own in enumerate(panels):
        box = boxes[index]
        title = f"{own.position}, {short(condition_title(campaign, own.condition), 28)}"
        last = "frequency, Hz" if index + 2 >= len(panels) else ""
        if stack is None:
            label = f"dB re ({pascal * 1e6:g} µPa)²/Hz" if index % 2 == 0 else ""
            panel = Panel(
                box, (0.0, top_hz), density_limits(panels, top_hz, pascal), title=title, x_label=last, y_label=label
            )
            _draw_plain(panel, campaign, own, top_hz)
        else:
            label = f"speed, {unit}, spectra stacked" if index % 2 == 0 else ""
            panel = _speed_panel(box, panels, stack, unit, pascal)
            panel.title, panel.x_label, panel.y_label = title, last, label
            _draw_stack(panel, campaign, own, stack)
            if index == 0:
                _draw_bar(panel, stack, unit, _speeds(panels)[0])
        made.append(panel)
    return made, height


def highest_shown_hz(panels: Sequence[Waterfall]) -> float:
    """Upper end of the frequency axis: a round one that holds the source's own tones, all where there are none."""
    ends = [float(each.frequency_hz[-1]) for panel in panels for *_, each in panel.spectra if each.frequency_hz.size]
    last = max(ends, default=LEAST_TOP_HZ)
    found: list[float] = [tone["frequency_hz"] for panel in panels for tone in panel.tones if tone["own"]]
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
    finite = [own for found in densities if (own := found[np.isfinite(found)]).size]
    floor = min((float(np.percentile(found, FLOOR_SHARE)) for found in finite), default=0.0)
    floor = math.floor(floor / 5.0) * 5.0
    peak = max((float(found.max()) for found in finite), default=floor + BAR_DB)
    return Stack(floor, OVERLAP * float(np.median(np.diff(speeds))) / max(peak - floor, BAR_DB))


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


def density_limits(panels: Sequence[Waterfall], top_hz: float, reference_pa: float) -> tuple[float, float]:
    """The axis of spectra that are not stacked, at most 90 dB deep."""
    densities = [_shown(spectrum, top_hz, reference_pa)[1] for panel in panels for *_, spectrum in panel.spectra]
    known = [found[np.isfinite(found)] for found in densities]
    low, high = rounded_limits([end for own in known if own.size for end in (own.min(), own.max())], 10.0, 2.0, 30.0)
    return max(low, high - 90.0), high


def _speed_panel(box: Box, panels: Sequence[Waterfall], stack: Stack, unit: str, reference_pa: float) -> Panel:
    """Ticks at the nominal speeds; room above the fastest for its spectrum and the names of the rays."""
    speeds, top_hz, per_unit = _speeds(panels), highest_shown_hz(panels), MPS_PER_UNIT[unit]
    tips = [
        float(np.max(heights[np.isfinite(heights)], initial=achieved))
        for own in panels
        for _, achieved, spectrum in own.spectra
        for heights in [stack.height_mps(achieved, _shown(spectrum, top_hz, reference_pa)[1])]
    ]
    step = float(np.median(np.diff(speeds)))
    ends = (speeds[0] - 0.15 * step) / per_unit, (max(*tips, speeds[-1]) + 0.35 * step) / per_unit
    return Panel(box, (0.0, top_hz), ends, y_ticks=[round(value / per_unit, 1) for value in speeds])


def _draw_stack(panel: Panel, campaign: Campaign, own: Waterfall, stack: Stack) -> None:
    unit, pascal = campaign.settings.report.speed_unit, campaign.settings.reference_pressure_pa
    per_unit, top_hz = MPS_PER_UNIT[unit], panel.x[1]
    role = condition_look(list(campaign.settings.conditions), own.condition).role
    for _, achieved, spectrum in reversed(own.spectra):
        hz, density = _shown(spectrum, top_hz, pascal)
        height = stack.height_mps(achieved, density) / per_unit
        panel.dense_band(hz, np.full(hz.size, achieved / per_unit), height, "pa")
        panel.dense_curve(hz, height, f"{role} thin")
        _read(panel, own, spectrum, hz, density, height, f"{speed(achieved, unit)}")
    _draw_rays(panel, own, unit)
    named = _named(own)
    for tone in _seen(own, top_hz):
        hertz, foot = tone["frequency_hz"], tone["flow_speed_mps"] / per_unit
        tip = float(stack.height_mps(tone["flow_speed_mps"], _density_db(own, tone, pascal))) / per_unit
        panel.curve([hertz] * 2, [foot, tip], "nt")
        _mark(panel, campaign, tone, foot)
        if tone in named:
            panel.words(f"{hertz:.4g} Hz", hertz, tip, "l halo", dx=4, dy=8)


def _draw_plain(panel: Panel, campaign: Campaign, own: Waterfall, top_hz: float) -> None:
    unit, pascal = campaign.settings.report.speed_unit, campaign.settings.reference_pressure_pa
    role = condition_look(list(campaign.settings.conditions), own.condition).role
    for _, achieved, spectrum in own.spectra:
        hz, density = _shown(spectrum, top_hz, pascal)
        panel.dense_curve(hz, density, f"{role} thin")
        _read(panel, own, spectrum, hz, density, density, speed(achieved, unit))
    named = _named(own)
    for tone in _seen(own, top_hz):
        density_db = _density_db(own, tone, pascal)
        _mark(panel, campaign, tone, density_db)
        if tone in named:
            panel.words(f"{tone['frequency_hz']:.4g} Hz", tone["frequency_hz"], density_db, "l halo", dx=6)


def _seen(own: Waterfall, top_hz: float) -> list[Row]:
    return [tone for tone in own.tones if tone["frequency_hz"] <= top_hz]


def _density_db(own: Waterfall, tone: Row, reference_pa: float) -> float:
    """The density of the spectral line nearest to a tone."""
    spectrum = next(each for *_, each in own.spectra if each.run == tone["run"])
    at = int(np.argmin(np.abs(spectrum.frequency_hz - tone["frequency_hz"])))
    return float(level_db(spectrum.psd[at], reference_pa))


def _mark(panel: Panel, campaign: Campaign, tone: Row, y: float) -> None:
    """Filled where the tone is the source's own, open where it is the background's or the mains'."""
    panel.dots([tone["frequency_hz"]], [y], f"ze{'' if tone['own'] else ' ho'}", shape="diamond")
    where = f"run {tone['run']} at {speed(tone['flow_speed_mps'], campaign.settings.report.speed_unit)}"
    panel.reads(
        tone["frequency_hz"],
        y,
        f"{tone['position']}, {where}: tone at {tone['frequency_hz']:.4g} Hz, {number(tone['level_db'])} dB, "
        f"{number(tone['prominence_db'])} dB above the continuous spectrum, {number_words(tone)}"
        f"{'' if tone['own'] else ', not its own: ' + tone['not_own']}{', doubtful' if tone['doubtful'] else ''}",
    )


def _read(
    panel: Panel, own: Waterfall, spectrum: Spectrum, hz: Reals, density: Reals, height: Reals, where: str
) -> None:
    """The largest line of each part of the frequencies."""
    part = np.floor(hz / panel.x[1] * READ_PARTS)
    for index in range(READ_PARTS):
        inside = np.flatnonzero((part == index) & np.isfinite(density))
        if inside.size:
            at = int(inside[np.argmax(density[inside])])
            words = f"{own.position}, run {spectrum.run} at {where}: {hz[at]:g} Hz, {number(float(density[at]))} dB"
            panel.reads(float(hz[at]), float(height[at]), words)


def _named(own: Waterfall) -> list[Row]:
    """The tones whose frequency is written: of each speed the most prominent own ones; of many the two end ones."""
    ranked: dict[float, list[Row]] = {}
    for tone in sorted(own.tones, key=lambda tone: -tone["prominence_db"]):
        if tone["own"]:
            ranked.setdefault(tone["speed_mps"], []).append(tone)
    speeds = sorted(ranked)
    named = speeds if len(speeds) <= MOST_NAMED_SPEEDS else [speeds[0], speeds[-1]]
    return [tone for nominal in named for tone in ranked[nominal][:MOST_NAMED]]


def _draw_rays(panel: Panel, own: Waterfall, unit: str) -> None:
    """Rays named where they leave the panel, at its top or its right."""
    top_hz, (low, high), per_unit = panel.x[1], panel.y, MPS_PER_UNIT[unit]
    fastest = own.spectra[-1][0]
    for per_m in rays_per_m(top_hz, fastest, own.length_m):
        end = min(high, top_hz / per_m / per_unit)
        start = min(low, end)
        panel.curve([per_m * start * per_unit, per_m * end * per_unit], [start, end], "li", "4 3")
        words = f"{per_m:.3g}/m" if own.length_m is None else f"St {per_m * own.length_m:.2g}"
        panel.words(words, per_m * end * per_unit, end, "t halo", "end", dx=-3, dy=10)


def _draw_bar(panel: Panel, stack: Stack, unit: str, slowest_mps: float) -> None:
    """How high 20 dB are."""
    per_unit, at = MPS_PER_UNIT[unit], 0.975 * panel.x[1]
    foot = slowest_mps / per_unit
    top = foot + BAR_DB * stack.mps_per_db / per_unit
    panel.whiskers([at], [foot], [top], "ze")
    panel.words(f"{BAR_DB:g} dB", at, (foot + top) / 2, "l halo", "end", dx=-6, dy=4)


def _keys(panels: Sequence[Waterfall], stack: Stack | None) -> list[Key]:
    marks = {bool(tone["own"]) for panel in panels for tone in panel.tones}
    keys = [Key("tone", "ze", "diamond", line=False)] if True in marks else []
    keys += [Key("tone of background or mains", "ze ho", "diamond", line=False)] if False in marks else []
    return keys if stack is None else [*keys, Key("constant f/U or St", "li", dashes="4 3")]


def _message(campaign: Campaign, own: Sequence[Row]) -> str:
    most = max(own, key=lambda tone: tone["prominence_db"])
    return (
        f"Narrowband spectra over speed with {counted(len(own), 'tone')}; the most prominent at {most['position']}, "
        f"{condition_title(campaign, most['condition'])}, "
        f"{speed(most['flow_speed_mps'], campaign.settings.report.speed_unit)}: {most['frequency_hz']:.4g} Hz, "
        f"{number(most['prominence_db'])} dB above the continuous spectrum, {number(most['level_db'])} dB, "
        f"{number_words(most)}."
    )


def _caption(campaign: Campaign, chosen: ToneRuns, panels: Sequence[Waterfall], stack: Stack | None, shown: str) -> str:
    lengths = {own.position: own.length_m for own in panels if own.length_m is not None}
    stated = "; ".join(f"{name} l = {1000.0 * length:g} mm" for name, length in lengths.items())
    reference = f"{campaign.settings.reference_pressure_pa * 1e6:g} µPa"
    drawn = (
        "Power spectral densities at the one speed that was measured."
        if stack is None
        else f"Spectra are offset by speed; the base line of each is {stack.floor_db:g} dB re ({reference})²/Hz or "
        "less. On a dashed ray f/U is constant: a tone of the flow stays near one, or steps from one to another. A "
        "fan's may rise with speed too."
    )
    return (
        f"Session {chosen.session}, yaw {chosen.yaw_deg:g}°, one run a speed and condition, as measured. {drawn}"
        " Frequencies in the figure are those of the drawn run; a sentence holds the mean over all runs."
        f"{_others_words(campaign, chosen, panels)}"
        f"{f' St = f l/U: {stated}.' if stated else ''} {shown} with tones of their own."
    )


def _others_words(campaign: Campaign, chosen: ToneRuns, panels: Sequence[Waterfall]) -> str:
    """The tones that are not the source's own, and the conditions that are not drawn."""
    unit, top_hz = campaign.settings.report.speed_unit, highest_shown_hz(panels)
    foreign = [tone for own in panels for tone in _seen(own, top_hz) if not tone["own"]]
    names = dict.fromkeys(f"{tone['frequency_hz']:.3g} Hz at {speed(tone['speed_mps'], unit)}" for tone in foreign)
    said = f" Of background or mains: {listed(names, MOST_FOREIGN)}." if names else ""
    others = [condition_title(campaign, name) for name in campaign.settings.conditions if name not in chosen.runs]
    return f"{said} Not drawn: {listed(others)}." if others else said


def _data(panels: Sequence[Waterfall], reference_pa: float) -> FigureData:
    """A row a spectral line; what is said of a tone stands beside the line nearest to it."""
    pairs = [(panel, *each) for panel in panels for each in panel.spectra]
    sizes = [spectrum.frequency_hz.size for *_, spectrum in pairs]

    def repeated(values: Sequence[object]) -> list[object]:
        return [value for value, size in zip(values, sizes, strict=True) for _ in range(size)]

    said: dict[str, list[object]] = {name: [] for name in TONE_COLUMNS}
    for panel, _, _, spectrum in pairs:
        nearest = {
            int(np.argmin(np.abs(spectrum.frequency_hz - tone["frequency_hz"]))): tone
            for tone in panel.tones
            if tone["run"] == spectrum.run
        }
        for at in range(spectrum.frequency_hz.size):
            for name, values in said.items():
                values.append(nearest[at][name] if at in nearest else None)
    empty = np.zeros(0)
    columns: Mapping[str, Sequence[object] | Reals] = {
        "position": repeated([panel.position for panel, *_ in pairs]),
        "condition": repeated([panel.condition for panel, *_ in pairs]),
        "run": repeated([spectrum.run for *_, spectrum in pairs]),
        "speed_mps": repeated([achieved for _, _, achieved, _ in pairs]),
        "line_hz": np.concatenate([empty, *(spectrum.frequency_hz for *_, spectrum in pairs)]),
        "psd_db": np.concatenate([empty, *(level_db(spectrum.psd, reference_pa) for *_, spectrum in pairs)]),
        **said,
    }
    return FigureData(columns)
