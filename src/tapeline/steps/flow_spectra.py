"""Averaged spectra of a road run by measured speed and yaw: rows of the table `flow_spectra`, as made."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from tapeline.acoustics.averaged_spectra import AveragedSpectrum
from tapeline.acoustics.flow_bins import flow_bins
from tapeline.acoustics.parts import Parts
from tapeline.acoustics.windows import Reals, effective_averages
from tapeline.campaign.faults import CampaignFaults, Fault
from tapeline.campaign.flow_series import read_flow_series
from tapeline.campaign.slices import FlowNeeds, SpectraNeeds
from tapeline.steps.chart_gain import chart_gains
from tapeline.store.schema import Table
from tapeline.store.tables import FLOW_SPECTRA


class FlowPass:
    """One averaged spectrum a bin, from the blocks that lie wholly within the bin's segments."""

    table: Table = FLOW_SPECTRA

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
        self._segment_s = max(flow.bins.segment_s, shape.size / rate_hz)
        self.bins = flow_bins(
            np.array(series.time_s) - flow.start_s,
            np.array(series.speed_mps),
            np.array(series.yaw_deg),
            frames / rate_hz,
            self._segment_s,
            flow.bins.speed_step_mps,
            flow.bins.yaw_step_deg,
        )
        self._parts = [
            Parts((round(a * rate_hz), round(b * rate_hz)) for a, b in found.segments).within(used)
            for found in self.bins
        ]
        self.takers = [
            AveragedSpectrum(shape, hop_frames, len(positions), parts, spread=False) for parts in self._parts
        ]

    def rows(self) -> list[dict[str, Any]]:
        """One row a bin and position; bins without one whole block have none."""
        hz = np.arange(self._shape.size // 2 + 1) * self._rate / self._shape.size
        gains = chart_gains(self._needs, self._positions, hz)
        rows = []
        for found, parts, spectrum in zip(self.bins, self._parts, self.takers, strict=True):
            if not spectrum.blocks:
                continue
            density = spectrum.density(self._rate) / gains**2
            pairs = spectrum.pairs()
            rows += [
                {
                    "run": self._needs.run,
                    "position": position,
                    "speed_mps": found.speed_mps,
                    "yaw_deg": found.yaw_deg,
                    "mean_speed_mps": found.mean_speed_mps,
                    "mean_yaw_deg": found.mean_yaw_deg,
                    "segments": len(found.segments),
                    "segment_s": self._segment_s,
                    "used_s": parts.frames / self._rate,
                    "block_pairs": list(pairs),
                    "effective_averages": effective_averages(self._shape, self._hop, pairs),
                    "psd_pa2_per_hz": density[i].astype(np.float32),
                }
                for i, position in enumerate(self._positions)
            ]
        return rows
