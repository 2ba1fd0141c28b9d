"""A first look at a recording just made: verdicts and levels of its channels, without the rest of the campaign."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from tapeline.acoustics.averaged_spectra import AveragedSpectrum
from tapeline.acoustics.bands import bands_between
from tapeline.acoustics.levels import level_db
from tapeline.acoustics.response import response_db
from tapeline.acoustics.short_time_spectra import ShortTimeSpectra, block_frames
from tapeline.acoustics.stream_checks import StreamChecks
from tapeline.acoustics.weightings import Weighting, power_weights
from tapeline.acoustics.windows import window
from tapeline.arrays import Reals
from tapeline.campaign.faults import did_you_mean, listed, quoted
from tapeline.campaign.model import Campaign
from tapeline.campaign.plan import Channel, Plan, picked
from tapeline.campaign.setting_sections import Quality
from tapeline.campaign.settings import Settings
from tapeline.cli.look_repeats import Asked, Repeats, repeats_of
from tapeline.jobs.calibrate import checks_file
from tapeline.jobs.sensitivity.judged_checks import judged_checks
from tapeline.jobs.sensitivity.run import sensitivities
from tapeline.jobs.sources import raw_layout
from tapeline.jobs.spectra import StreamQuality
from tapeline.jobs.spectra.channel_quality import channel_measures, stream_checks, verdict_limits
from tapeline.jobs.units_to_pascal import full_scale_missing, pa_per_unit
from tapeline.limits import LARGEST_VALUE_UNITS, LOOK_HIGHEST_RATE_SHARE
from tapeline.quality.reasons import worst
from tapeline.quality.verdicts import Finding, judge
from tapeline.recordings.opening import open_recording
from tapeline.recordings.raw_binary import RawLayout
from tapeline.recordings.recording import Recording, used_part
from tapeline.recordings.watched_files import WatchedFiles
from tapeline.store import parquet, tables
from tapeline.text_columns import aligned_columns

LEVEL_RESOLUTION_HZ = 5.0
"""Line spacing of the spectrum that the levels are summed from; an offset reaches two lines."""

WEIGHTINGS: tuple[Weighting, ...] = ("Z", "A")
MAINS_HZ = 50.0
"""Mains frequency where no campaign names one."""

LEVEL_RANGE_HZ = (25.0, 8000.0)
"""Range of the levels where no campaign names one."""


class LookError(Exception):
    """What was asked for does not fit the campaign; the text says how to mend it."""


@dataclass(frozen=True)
class Against:
    """A channel's level less the mean of its repeats' levels in one weighting, and these levels in dB by run."""

    weighting: Weighting
    difference_db: float
    repeats_db: Mapping[str, float]

    def words(self, name: str, limit_db: float) -> str:
        """A line on a channel that differs by more than the limit; empty where it does not."""
        if abs(self.difference_db) <= limit_db:
            return ""
        other = "above" if self.difference_db > 0.0 else "below"
        low, high = min(self.repeats_db.values()), max(self.repeats_db.values())
        span = f"{low:.1f} dB" if len(self.repeats_db) == 1 else f"{low:.1f} to {high:.1f} dB"
        return (
            f"  position {name}: L{self.weighting} is {abs(self.difference_db):.1f} dB {other} the repeats ({span}; "
            f"limit {limit_db:g} dB, quality.odd_level_db)"
        )


@dataclass(frozen=True)
class Seen:
    """One channel: name, verdict, levels in dB (re 20 uPa where the sensitivity is known, else re full scale)."""

    name: str
    verdict: str
    findings: tuple[Finding, ...]
    levels_db: dict[Weighting, float]
    range_use_db: float | None
    against: Against | None = None


@dataclass(frozen=True)
class Look:
    """One recording: what it is taken for, the unit of its levels, its channels."""

    path: Path
    taken_for: str
    duration_s: float
    unit: str
    channels: tuple[Seen, ...]
    unfitted: int
    repeats: str
    odd_level_db: float

    @property
    def worst(self) -> str:
        """The worst verdict on any channel."""
        return worst([finding.code for channel in self.channels for finding in channel.findings])

    def lines(self) -> list[str]:
        """The same for people: a table, then one line for each reason."""
        compared = any(channel.against for channel in self.channels)
        head = ("channel", "verdict", *(f"L{w}" for w in WEIGHTINGS), "below range dB")
        rows = [(*head, "to repeats dB") if compared else head]
        for channel in self.channels:
            values = (f"{channel.levels_db[w]:.1f}" if channel.levels_db else "–" for w in WEIGHTINGS)
            margin = "–" if channel.range_use_db is None else f"{-channel.range_use_db:.1f}"
            against = f"{channel.against.difference_db:+.1f}" if channel.against else "–"
            row = (channel.name, channel.verdict, *values, margin)
            rows.append((*row, against) if compared else row)
        heading = f"{self.path}: {self.duration_s:.2f} s, {self.taken_for}; levels in {self.unit}"
        lines = [heading, *aligned_columns(rows, range(2, len(rows[0])))]
        reasons = [f"  {f.code}: {f.sentence}" for channel in self.channels for f in channel.findings]
        if self.unfitted:
            reasons.append(f"  {self.unfitted} more channels are not in the fittings table and were not looked at")
        told = [each.against.words(each.name, self.odd_level_db) for each in self.channels if each.against]
        ending = ["", *reasons] if reasons else ["", "  every channel is good"]
        return [*lines, *ending, "", f"  {self.repeats}", *filter(None, told)]


def look(
    path: Path, campaign: Campaign | None, session: str | None, raw_format: str | None, asked: Asked | None = None
) -> Look:
    """Verdicts and levels of one recording, on its own or with a campaign's fittings and sensitivities.

    Sensitivities come from the session's checks where they are made, else from the sensor table. Total levels are held
    against those of the repeats in the results: of the recording's row, or as `asked` says. Raises LookError where the
    session, format or condition cannot be told, RecordingError for a recording that cannot be used.
    """
    settings = campaign.settings if campaign else None
    plan = Plan(campaign) if campaign else None
    run = _run_of(path, campaign) if campaign else None
    layout = _layout(settings, raw_format or (campaign.runs[run].format if campaign and run else None))
    watched = WatchedFiles([path])
    recording = open_recording([path], layout)
    channels: Sequence[Channel] = ()
    found: dict[str, float] = {}
    taken_for, repeats = "no campaign", Repeats("not compared with repeats: no campaign is named")
    asked = asked or Asked()
    if campaign and asked.condition is not None and asked.condition not in campaign.settings.conditions:
        raise LookError(_unknown("condition", asked.condition, campaign.settings.conditions))
    if campaign and plan:
        named = session or (campaign.runs[run].session if run else None) or _only_session(campaign)
        channels = plan.channels(named, charts=True)
        if not channels:
            fitted = dict.fromkeys(fitting.session for fitting in campaign.fittings)
            raise LookError(_unknown("session", named, fitted, "the fittings table"))
        found = _sensitivities(campaign, named, channels)
        repeats = repeats_of(campaign, named, run, asked)
        taken_for = f"run {run} of session {named}" if run else f"session {named}, in no row of the run table"
    gain_db = campaign.runs[run].gain_db if campaign and run else None
    seen = _looked_at(path, recording, channels, found, gain_db, settings, taken_for, repeats)
    watched.require_unchanged()
    return seen


def _run_of(path: Path, campaign: Campaign) -> str | None:
    """The run of the table that this file is the recording of."""
    target = path.resolve()
    return next(
        (
            name
            for name, run in campaign.runs.items()
            if target in [part.resolve() for part in campaign.recording_paths(run)]
        ),
        None,
    )


def _only_session(campaign: Campaign) -> str:
    sessions = list(dict.fromkeys(fitting.session for fitting in campaign.fittings))
    if len(sessions) == 1:
        return sessions[0]
    raise LookError(f"the recording is in no row of the run table: name its session, --session {' or '.join(sessions)}")


def _unknown(kind: str, name: str, known: Iterable[str], where: str = "the campaign's settings") -> str:
    names = list(known)
    hint = did_you_mean(name, names)
    expected = f"one of {listed(names)}" if names else "none, there are none"
    return f"found {kind} {quoted(name)}, expected {expected} in {where}" + (f"; {hint}" if hint else "")


def _layout(settings: Settings | None, name: str | None) -> RawLayout | None:
    if name is None:
        return None
    formats = settings.raw_formats if settings else {}
    if name not in formats:
        raise LookError(_unknown("raw format", name, formats))
    return raw_layout(formats[name])


def _sensitivities(campaign: Campaign, session: str, channels: Sequence[Channel]) -> dict[str, float]:
    made = checks_file(campaign.results, session)
    limits = campaign.settings.calibration
    checks = parquet.read_rows(tables.CHECKS, made) if made.is_file() else []
    judged = judged_checks(checks, channels, Plan(campaign).check_overrules(session))
    return sensitivities(judged.rows, channels, limits.sensitivity, limits.chart_uncertainty_db)


def _looked_at(
    path: Path,
    recording: Recording,
    channels: Sequence[Channel],
    sensitivity: dict[str, float],
    gain_db: float | None,
    settings: Settings | None,
    taken_for: str,
    repeats: Repeats,
) -> Look:
    """The recording in one pass; without fitted channels all that it has, in fractions of full scale."""
    fitted = [c for c in channels if c.channel <= recording.channels]
    names = [c.position for c in fitted] if channels else [f"channel {i + 1}" for i in range(recording.channels)]
    index = [c.channel - 1 for c in fitted] if channels else list(range(recording.channels))
    scales = [_unit_per_sample(c, sensitivity, gain_db, recording) for c in fitted] if channels else [1.0] * len(index)
    ends = [1.0 if recording.bits or c.full_scale_v else None for c in fitted] if channels else None
    full_scales = ends if ends is not None else [1.0 if recording.bits else None] * len(index)
    # Without a campaign samples have no size in pascal.
    quality = settings.quality if settings else Quality(dead_level_pa=0.0, impossible_pa=LARGEST_VALUE_UNITS)
    streamed = picked(StreamQuality, quality)
    mains_hz = settings.mains_hz if settings else MAINS_HZ
    per_unit = [scale or 1.0 for scale in scales]
    checks, spectrum, frames = _streamed(recording, index, per_unit, streamed, mains_hz)
    limit = streamed.same_signal_correlation
    measures = channel_measures(names, per_unit, full_scales, recording, frames, checks, limit)
    edges = _edges_hz(settings)
    levels = _levels(spectrum, recording.sample_rate_hz, fitted, scales, settings, [edges] * len(index))
    against = _against(spectrum, recording.sample_rate_hz, fitted, scales, settings, repeats)
    limits = verdict_limits(streamed, mains_hz)
    seen = []
    for i, m in enumerate(measures):
        findings = judge(m, limits)
        if scales[i] is None:
            words = f"position {names[i]}: no sensitivity or full_scale_v is known"
            findings.append(Finding("no-sensitivity", words))
        peak = max(m.maximum, -m.minimum)
        use = min(20.0 * float(np.log10(peak)), 0.0) if full_scales[i] and peak > 0.0 else None
        known = levels[i] if scales[i] is not None else {}
        seen.append(
            Seen(names[i], worst([f.code for f in findings]), tuple(findings), known, use, against.get(names[i]))
        )
    for c in channels:
        if c.channel > recording.channels:
            words = f"position {c.position} is on channel {c.channel} of {recording.channels}"
            seen.append(Seen(c.position, "unusable", (Finding("channel-missing", words),), {}, None))
    unit = "dB re 20 uPa" if channels else "dB re full scale" if recording.bits else "dB re 1"
    unfitted = recording.channels - len(index) if channels else 0
    return Look(
        path,
        taken_for,
        frames / recording.sample_rate_hz,
        unit,
        tuple(seen),
        unfitted,
        repeats.words,
        quality.odd_level_db,
    )


def _streamed(
    recording: Recording, index: list[int], per_unit: list[float], quality: StreamQuality, mains_hz: float
) -> tuple[StreamChecks, AveragedSpectrum, int]:
    """Checks and averaged spectrum of some channels of a whole recording, and its length."""
    part = used_part(recording, None, None)
    checks = stream_checks(quality, mains_hz, per_unit, recording)
    frames = block_frames(recording.sample_rate_hz, LEVEL_RESOLUTION_HZ)
    shape = window("hann", frames)
    spectrum = AveragedSpectrum(shape, frames // 2, len(index))
    blocks = ShortTimeSpectra(shape, frames // 2, np.zeros(len(index)), [spectrum])
    for block in recording.blocks(part.start, part.stop):
        samples = block[index]
        checks.add(samples)
        blocks.add(samples)
    checks.finish()
    return checks, spectrum, part.frames


def _unit_per_sample(
    channel: Channel, sensitivity: dict[str, float], gain_db: float | None, recording: Recording
) -> float | None:
    """Pascal for one unit of the recording; None where something is not known."""
    if channel.position not in sensitivity or full_scale_missing(channel, recording.bits):
        return None
    return abs(pa_per_unit(channel, sensitivity[channel.position], gain_db))


def _edges_hz(settings: Settings | None) -> tuple[float, float]:
    """Outer edges of the bands of the first overall level."""
    bands = bands_between(settings.bands.fraction if settings else 3, *_range_hz(settings))
    return float(bands.lower_hz[0]), float(bands.upper_hz[-1])


def _range_hz(settings: Settings | None) -> tuple[float, float]:
    return settings.overall[0].range_hz if settings else LEVEL_RANGE_HZ


def _against(
    spectrum: AveragedSpectrum,
    rate_hz: float,
    channels: Sequence[Channel],
    scales: Sequence[float | None],
    settings: Settings | None,
    repeats: Repeats,
) -> dict[str, Against]:
    """By position the level over the repeats' bands less the mean of theirs, A-weighted where there is such."""
    found: dict[str, Against] = {}
    for weighting in WEIGHTINGS:
        known = [repeats.known.get(channel.position, {}).get(weighting) for channel in channels]
        if not any(known):
            continue
        ranges = [each.edges_hz if each else _edges_hz(settings) for each in known]
        levels = _levels(spectrum, rate_hz, channels, scales, settings, ranges)
        for channel, each, own, scale in zip(channels, known, levels, scales, strict=True):
            if each and own and scale is not None:
                mean = float(np.mean(list(each.levels_db.values())))
                found[channel.position] = Against(weighting, own[weighting] - mean, each.levels_db)
    return found


def _levels(
    spectrum: AveragedSpectrum,
    rate_hz: float,
    channels: Sequence[Channel],
    scales: Sequence[float | None],
    settings: Settings | None,
    ranges_hz: Sequence[tuple[float, float]],
) -> list[dict[Weighting, float]]:
    """Weighted levels of every channel, each over its range; empty for a short recording."""
    if not spectrum.blocks:
        return [{} for _ in scales]
    density = spectrum.density(rate_hz)
    lines_hz: Reals = np.arange(density.shape[1]) * rate_hz / (2.0 * (density.shape[1] - 1))
    reference = settings.reference_pressure_pa if settings and channels else 1.0
    correct = settings is not None and settings.calibration.response_correction
    found = []
    for i, scale in enumerate(scales):
        low, high = ranges_hz[i]
        inside = (lines_hz >= low) & (lines_hz <= min(high, LOOK_HIGHEST_RATE_SHARE * rate_hz))
        power = density[i, inside] * (lines_hz[1] - lines_hz[0]) * (scale or 1.0) ** 2
        if correct and channels and channels[i].chart_hz:
            response, _ = response_db(lines_hz[inside], channels[i].chart_hz, channels[i].chart_db)
            power = power / 10.0 ** (response / 10.0)
        found.append(
            {w: float(level_db(np.sum(power * power_weights(w, lines_hz[inside])), reference)) for w in WEIGHTINGS}
        )
    return found
