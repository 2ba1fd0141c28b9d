"""Averaged spectra of a road run by measured speed and yaw: rows of the table `flow_spectra`, as made."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from tapeline.acoustics.averaged_spectra import AveragedSpectrum
from tapeline.acoustics.flow_bins import Segment, flow_bins, mean_angle_deg
from tapeline.acoustics.parts import Parts
from tapeline.acoustics.windows import effective_averages
from tapeline.arrays import Reals
from tapeline.campaign.faults import CampaignFaults, Fault
from tapeline.campaign.flow_series import read_flow_series
from tapeline.jobs.spectra import FlowNeeds, SpectraNeeds
from tapeline.jobs.spectra.chart_gain import chart_gains
from tapeline.limits import WHOLE_NUMBER_WITHIN_UNITS

if TYPE_CHECKING:
    from tapeline.store.rows import FlowSpectraRow


class FlowPass:
    """One averaged spectrum a bin, from the blocks that lie wholly within the bin's segments."""

    def __init__(
        self,
        root: Path,
        needs: SpectraNeeds,
        flow: FlowNeeds,
        positions: Sequence[str],
        rate_hz: float,
        shape: Reals,
        hop_frames: int,
        used: Parts,
    ) -> None:
        """Raises CampaignFaults where the series cannot be read."""
        faults: list[Fault] = []
        series = read_flow_series(root, flow.path, faults)
        if series is None:
            raise CampaignFaults(faults)
        self._needs, self._positions, self._rate = needs, positions, rate_hz
        self._shape, self._hop = shape, hop_frames
        frames = used.ranges[-1][1] if used.ranges else 0
        # Whole hops, so that even a lone segment holds a block of the run's own.
        hops = int(np.ceil(max(flow.bins.segment_s * rate_hz, shape.size) / hop_frames - WHOLE_NUMBER_WITHIN_UNITS))
        self._segment_s = hops * hop_frames / rate_hz
        self.bins = flow_bins(
            np.array(series.time_s) - flow.start_s,
            np.array(series.speed_mps),
            np.array(series.yaw_deg),
            frames / rate_hz,
            self._segment_s,
            flow.bins.speed_step_mps,
            flow.bins.yaw_step_deg,
        )
        stretches = [[self._frames_of(segment) for segment in found.segments] for found in self.bins]
        parts = [Parts(ranges).within(used) for ranges in stretches]
        self.takers = [AveragedSpectrum(shape, hop_frames, len(positions), own, spread=False) for own in parts]

    def _frames_of(self, segment: Segment) -> tuple[int, int]:
        return round(segment.start_s * self._rate), round(segment.stop_s * self._rate)

    def _is_in(self, segment: Segment, covered: Parts) -> bool:
        """Whether any of a segment was averaged."""
        return Parts([self._frames_of(segment)]).within(covered).frames > 0

    def rows(self) -> list[FlowSpectraRow]:
        """One row a bin and position; bins without one whole block have none."""
        hz = np.arange(self._shape.size // 2 + 1) * self._rate / self._shape.size
        gains = chart_gains(self._needs, self._positions, hz)
        rows: list[FlowSpectraRow] = []
        for found, spectrum in zip(self.bins, self.takers, strict=True):
            covered = spectrum.covered
            averaged = [segment for segment in found.segments if self._is_in(segment, covered)]
            if not averaged:
                continue
            density = spectrum.density(self._rate) / gains**2
            pairs = spectrum.pairs()
            rows += [
                {
                    "run": self._needs.run,
                    "position": position,
                    "speed_mps": found.speed_mps,
                    "yaw_deg": found.yaw_deg,
                    "mean_speed_mps": float(np.mean([segment.speed_mps for segment in averaged])),
                    "mean_yaw_deg": mean_angle_deg([segment.yaw_deg for segment in averaged]),
                    "segments": len(averaged),
                    "segment_s": self._segment_s,
                    "averaged_s": covered.frames / self._rate,
                    "block_pairs": list(pairs),
                    "effective_averages": effective_averages(self._shape, self._hop, pairs),
                    "psd_pa2_per_hz": density[i].astype(np.float32),
                }
                for i, position in enumerate(self._positions)
            ]
        return rows
