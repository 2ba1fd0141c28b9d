"""The spectra of one session's runs as arrays, and the mean of the background runs of each."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from tapeline.acoustics.band_levels import LineSpectra
from tapeline.acoustics.windows import WindowName, line_covariance, window
from tapeline.steps import places
from tapeline.store import parquet

LISTS = ("psd_pa2_per_hz", "relative_spread")


@dataclass(frozen=True)
class RunSpectra:
    """One run: positions in sorted order, their spectra, verdicts and the reach of their charts."""

    run: str
    positions: tuple[str, ...]
    spectra: LineSpectra
    sample_rate_hz: float
    used_s: float
    block_frames: int
    hop_frames: int
    effective_averages: float
    verdicts: tuple[str, ...]
    relative_spread: NDArray[np.float32]
    response_low_hz: NDArray[np.float64]
    response_high_hz: NDArray[np.float64]

    def select(self, positions: tuple[str, ...]) -> tuple[LineSpectra, NDArray[np.bool_]]:
        """Spectra in another order of positions, and which of these are there and usable; missing ones are zero."""
        psd = np.zeros((len(positions), self.spectra.psd.shape[1]), dtype=np.float32)
        usable = np.zeros(len(positions), dtype=bool)
        place = {name: i for i, name in enumerate(self.positions)}
        for i, name in enumerate(positions):
            if name in place:
                psd[i] = self.spectra.psd[place[name]]
                usable[i] = self.verdicts[place[name]] != "unusable"
        return LineSpectra(psd, self.spectra.step_hz, self.spectra.covariance), usable


def load_run(
    results: Path, run: str, window_name: WindowName, verdicts: Mapping[tuple[str, str], str]
) -> RunSpectra | None:
    """Spectra of one run with the `verdicts` by run and position, None where its recording gave none."""
    rows = parquet.read(places.spectra(results, run))
    if rows.num_rows == 0:
        return None
    first = {name: rows.column(name)[0].as_py() for name in rows.column_names if name not in LISTS}
    positions = tuple(rows.column("position").to_pylist())
    psd, spread = (_lists(rows, name) for name in LISTS)
    covariance = line_covariance(window(window_name, first["block_frames"]), first["hop_frames"], first["block_pairs"])
    return RunSpectra(
        run=run,
        positions=positions,
        spectra=LineSpectra(psd, first["step_hz"], covariance),
        sample_rate_hz=first["sample_rate_hz"],
        used_s=first["used_s"],
        block_frames=first["block_frames"],
        hop_frames=first["hop_frames"],
        effective_averages=first["effective_averages"],
        verdicts=tuple(verdicts.get((run, name), "good") for name in positions),
        relative_spread=spread,
        response_low_hz=_numbers(rows, "response_low_hz"),
        response_high_hz=_numbers(rows, "response_high_hz"),
    )


def _lists(rows: pa.Table, name: str) -> NDArray[np.float32]:
    """Equally long lists as one array (rows, entries)."""
    found: NDArray[np.float32] = rows.column(name).combine_chunks().flatten().to_numpy(zero_copy_only=False)
    return found.reshape(rows.num_rows, -1)


def _numbers(rows: pa.Table, name: str) -> NDArray[np.float64]:
    return np.array([np.nan if value is None else value for value in rows.column(name).to_pylist()])
