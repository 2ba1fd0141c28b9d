"""A recording as calibrated pressure: its channels with a sensitivity, read in blocks as often as asked for."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from tapeline.arrays import Samples
from tapeline.campaign.plan import Channel
from tapeline.jobs.calibrate import checks_file
from tapeline.jobs.pressure import PressureNeeds
from tapeline.jobs.sensitivity.judged_checks import judged_checks
from tapeline.jobs.sensitivity.run import sensitivities, why_without
from tapeline.jobs.sources import open_source
from tapeline.jobs.units_to_pascal import full_scale_missing, pa_per_unit
from tapeline.limits import IMPOSSIBLE_SAMPLE_RATIO
from tapeline.quality.verdicts import Finding
from tapeline.recordings.recording import Part, Recording
from tapeline.store import parquet, tables

BLOCK_FRAMES = 16_384


@dataclass(frozen=True)
class UsedChannel:
    """One channel on its way to pascal: factor from units of the recording to Pa."""

    channel: Channel
    pa_per_unit: float


@dataclass(frozen=True)
class CalibratedRecording:
    """An open recording, the channels that can be converted, and why others cannot, by position.

    `impossible_pa` is the size beyond which a sample is none of a pressure.
    """

    recording: Recording
    part: Part
    used: tuple[UsedChannel, ...]
    without: Mapping[str, Finding]
    impossible_pa: float

    @property
    def positions(self) -> tuple[str, ...]:
        """Positions of the used channels, in the order of the fittings."""
        return tuple(used.channel.position for used in self.used)

    @property
    def sample_rate_hz(self) -> float:
        return self.recording.sample_rate_hz

    @property
    def factors(self) -> list[float]:
        """Pa per unit of the recording, a number a used channel."""
        return [used.pa_per_unit for used in self.used]

    def samples(self) -> Iterator[Samples]:
        """Blocks (used channels, frames) in units of the recording; raises RecordingError as its reader does."""
        index = [used.channel.channel - 1 for used in self.used]
        whole = index == list(range(self.recording.channels))
        for block in self.recording.blocks(self.part.start, self.part.stop) if index else ():
            yield block if whole else block[index]

    def blocks(self) -> Iterator[Samples]:
        """Blocks (used channels, frames) in Pa, NaN for what is no pressure; good until the next one is asked for."""
        factors = np.array(self.factors, dtype=np.float32)[:, None]
        impossible = np.float32(self.impossible_pa)
        waiting, count = np.empty((len(self.used), BLOCK_FRAMES), dtype=np.float32), 0
        for samples in self.samples():
            frames = samples.shape[1]
            if count + frames > BLOCK_FRAMES:
                yield waiting[:, :count]
                count = 0
            pascal = np.multiply(samples, factors, out=waiting[:, count : count + frames])
            if not (pascal.max() <= impossible and pascal.min() >= -impossible):
                # No number, as no pressure: nothing downstream then makes a level of it.
                pascal[np.abs(pascal) > impossible] = np.nan
            count += frames
        if count:
            yield waiting[:, :count]


def open_calibrated(root: Path, results: Path, needs: PressureNeeds) -> CalibratedRecording:
    """The recording with the sensitivities that its session's checks give; raises RecordingError with a reason code."""
    made = parquet.read_rows(tables.CHECKS, checks_file(results, needs.session))
    checks = judged_checks(made, needs.channels, needs.overrules).rows
    found = sensitivities(checks, needs.channels, needs.policy, needs.chart_uncertainty_db)
    recording, part = open_source(root, needs.source)
    used, without = [], {}
    for channel in needs.channels:
        where = f"position {channel.position}, channel {channel.channel}"
        if channel.channel > recording.channels:
            sentence = f"{where}: the recording has {recording.channels} channels"
            without[channel.position] = Finding("channel-missing", sentence)
        elif channel.position not in found:
            code, words = why_without(checks, channel, needs.chart_uncertainty_db)
            without[channel.position] = Finding(code, f"{where}: {words}")
        elif full_scale_missing(channel, recording.bits):
            sentence = f"{where}: {recording.bits}-bit samples need full_scale_v in the fittings table"
            without[channel.position] = Finding("full-scale-unknown", sentence)
        else:
            used.append(UsedChannel(channel, pa_per_unit(channel, found[channel.position], needs.source.gain_db)))
    return CalibratedRecording(recording, part, tuple(used), without, impossible_sample_pa(needs.impossible_pa))


def impossible_sample_pa(impossible_pa: float) -> float:
    """The size beyond which a sample is none of a pressure, in Pa, where `impossible_pa` is that of a level."""
    return IMPOSSIBLE_SAMPLE_RATIO * impossible_pa
