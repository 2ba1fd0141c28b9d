"""Band levels against time, on request: rows of the table `band_history`."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from tapeline.acoustics.bands import bands_between
from tapeline.acoustics.filter_bank import FilterBank
from tapeline.acoustics.parts import Parts
from tapeline.acoustics.usable_range import ChannelRange, RangeLimits, absent, band_limits
from tapeline.arrays import Samples
from tapeline.campaign.setting_sections import BandHistory, Bands
from tapeline.jobs.cell_values import levels_with_gaps
from tapeline.jobs.spectra import SpectraNeeds
from tapeline.jobs.spectra.asked_positions import asked_channels
from tapeline.jobs.spectra.chart_gain import chart_gains
from tapeline.limits import FILTER_HIGHEST_EDGE_SHARE, FILTER_INTERVAL_SAMPLES
from tapeline.store.parquet import RowsOfTable
from tapeline.store.tables import BAND_HISTORY

if TYPE_CHECKING:
    from tapeline.store.rows import BandHistoryRow


class BandHistoryPass:
    """Runs the asked channels of one run through the filter bank."""

    def __init__(
        self,
        needs: SpectraNeeds,
        asked: BandHistory,
        bands: Bands,
        positions: Sequence[str],
        rate_hz: float,
        parts: Parts,
    ) -> None:
        self._needs, self._rate, self._parts = needs, rate_hz, parts
        self._chosen = asked_channels(asked.positions, positions)
        self._positions = [positions[i] for i in self._chosen]
        every = bands_between(bands.fraction, *bands.range_hz)
        highest = min(bands.highest_fraction_of_rate, FILTER_HIGHEST_EDGE_SHARE) * rate_hz
        self._bands = every.chosen(every.upper_hz <= highest)
        if needs.history.interval_s * rate_hz < FILTER_INTERVAL_SAMPLES:
            self._chosen = []
            return
        self._bank = FilterBank(self._bands, rate_hz, len(self._chosen), needs.history.interval_s * rate_hz)

    def add(self, block: Samples) -> None:
        """Take in one row of samples a position of the run."""
        if self._chosen:
            self._bank.add(block[self._chosen])

    def _usable(self, position: str) -> NDArray[np.bool_]:
        """Bands that the recorder's filters and the chart leave: what the table of bands leaves, but for its lines."""
        high_pass, low_pass = next((row[1:] for row in self._needs.filters if row[0] == position), (None, None))
        chart = next(response.hz for response in self._needs.responses if response.position == position)
        low, high = (chart[0], chart[-1]) if chart and self._needs.response_correction else (np.nan, np.nan)
        channel = ChannelRange(low, high, high_pass or np.nan, low_pass or np.nan)
        enough = np.full(len(self._bands), np.inf)
        return ~absent(
            band_limits(
                self._bands, enough, np.inf, self._rate, channel, RangeLimits(0.0, 0.0, FILTER_HIGHEST_EDGE_SHARE)
            )
        )

    def made(self) -> RowsOfTable[BandHistoryRow]:
        """The rows with their table."""
        return RowsOfTable(BAND_HISTORY, self.rows())

    def rows(self) -> list[BandHistoryRow]:
        """One row a position and band; the chart's response at the midband frequency is taken out."""
        if not self._chosen:
            return []
        step_s, powers = self._needs.history.interval_s, self._bank.powers()
        gains = chart_gains(self._needs, self._positions, self._bands.midband_hz)
        powers = powers / gains.T[:, :, None] ** 2
        ends = np.round((np.arange(powers.shape[-1]) + 1) * step_s * self._rate).astype(np.int64)
        rows: list[BandHistoryRow] = []
        usable = [self._usable(position) for position in self._positions]
        for b in range(len(self._bands)):
            memory = int(np.ceil(self._bank.settled_s[b] * self._rate))
            starts = np.maximum(ends - int(step_s * self._rate) - memory, 0)
            used = np.where(self._parts.hold(starts, ends), powers[b], np.nan)
            levels = levels_with_gaps(used, self._needs.reference_pressure_pa).astype(np.float32)
            for c, position in enumerate(self._positions):
                if not usable[c][b]:
                    continue
                rows.append(
                    {
                        "run": self._needs.run,
                        "position": position,
                        "band_hz": self._bands.nominal_hz[b],
                        "midband_hz": self._bands.midband_hz[b],
                        "step_s": step_s,
                        "delay_s": float(self._bank.delay_s[b]),
                        "settled_s": float(self._bank.settled_s[b]),
                        "level_db": levels[c],
                    }
                )
        return rows
