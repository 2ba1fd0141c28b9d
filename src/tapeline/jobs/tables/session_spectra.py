"""The spectra of one session's runs as arrays, and the mean of the background runs of each."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from tapeline.acoustics.band_levels import LineSpectra
from tapeline.acoustics.windows import WindowName, line_covariance, window
from tapeline.jobs.spectra import requested_file, spectra_file
from tapeline.store import parquet
from tapeline.store.tables import CONDITIONED_SPECTRA

LISTS = ("psd_pa2_per_hz", "relative_spread")


@dataclass(frozen=True)
class RunSpectra:
    """One run: positions in sorted order, their spectra, verdicts and the reach of their charts.

    `kept` are the spectra less what the sensors in `references` explain, None where there is nothing of the kind.
    """

    run: str
    positions: tuple[str, ...]
    spectra: LineSpectra
    sample_rate_hz: float
    averaged_s: float
    block_frames: int
    hop_frames: int
    effective_averages: float
    verdicts: tuple[str, ...]
    relative_spread: NDArray[np.float32]
    response_low_hz: NDArray[np.float64]
    response_high_hz: NDArray[np.float64]
    kept: LineSpectra | None = None
    references: tuple[str, ...] = ()

    def at(self, index: list[int]) -> RunSpectra:
        """The same at some positions alone, by their places."""
        return dataclasses.replace(
            self,
            positions=tuple(self.positions[p] for p in index),
            spectra=self.spectra.at(index),
            kept=None if self.kept is None else self.kept.at(index),
            verdicts=tuple(self.verdicts[p] for p in index),
            relative_spread=self.relative_spread[index],
            response_low_hz=self.response_low_hz[index],
            response_high_hz=self.response_high_hz[index],
        )

    def select(self, positions: tuple[str, ...], *, kept: bool) -> tuple[LineSpectra, NDArray[np.bool_]]:
        """Spectra in another order of positions, as measured or `kept`; which of these are there and usable.

        Missing ones are zero.
        """
        source = self.kept if kept and self.kept is not None else self.spectra
        if positions == self.positions:
            return source, np.array([verdict != "unusable" for verdict in self.verdicts], dtype=bool)
        psd = np.zeros((len(positions), source.psd.shape[1]), dtype=np.float32)
        usable = np.zeros(len(positions), dtype=bool)
        place = {name: i for i, name in enumerate(self.positions)}
        for i, name in enumerate(positions):
            if name in place:
                psd[i] = source.psd[place[name]]
                usable[i] = self.verdicts[place[name]] != "unusable"
        return LineSpectra(psd, source.step_hz, source.covariance), usable


def load_run(
    results: Path, run: str, window_name: WindowName, verdicts: Mapping[tuple[str, str], str], *, conditioned: bool
) -> RunSpectra | None:
    """Spectra of one run with the `verdicts` by run and position, None where its recording gave none.

    `conditioned` says that the campaign has reference sensors, whose part is read too.
    """
    rows = parquet.read(spectra_file(results, run))
    if rows.num_rows == 0:
        return None
    first = {name: rows.column(name)[0].as_py() for name in rows.column_names if name not in LISTS}
    positions = tuple(rows.column("position").to_pylist())
    psd, spread = (_lists(rows, name) for name in LISTS)
    covariance = line_covariance(window(window_name, first["block_frames"]), first["hop_frames"], first["block_pairs"])
    spectra = LineSpectra(psd, first["step_hz"], covariance)
    kept, references = _kept(results, run, spectra, positions, verdicts) if conditioned else (None, ())
    return RunSpectra(
        kept=kept,
        references=references,
        run=run,
        positions=positions,
        spectra=spectra,
        sample_rate_hz=first["sample_rate_hz"],
        averaged_s=first["averaged_s"],
        block_frames=first["block_frames"],
        hop_frames=first["hop_frames"],
        effective_averages=first["effective_averages"],
        verdicts=tuple(verdicts.get((run, name), "good") for name in positions),
        relative_spread=spread,
        response_low_hz=_numbers(rows, "response_low_hz"),
        response_high_hz=_numbers(rows, "response_high_hz"),
    )


def _kept(
    results: Path,
    run: str,
    spectra: LineSpectra,
    positions: tuple[str, ...],
    verdicts: Mapping[tuple[str, str], str],
) -> tuple[LineSpectra | None, tuple[str, ...]]:
    """The spectra with their conditioned parts put in, the covariance of n - q averages in place of n; the references.

    Nothing where a reference is unusable after all, or where there are no more averages than references.
    """
    rows = parquet.read_rows(CONDITIONED_SPECTRA, requested_file(results, run, CONDITIONED_SPECTRA.name))
    references = tuple(rows[0]["references"]) if rows else ()
    if not rows or any(verdicts.get((run, name)) == "unusable" for name in references):
        return None, ()
    averages, most = rows[0]["effective_averages"], max(rows[0]["references_used"], default=0)
    if averages <= most:
        return None, ()
    psd = np.array(spectra.psd, dtype=np.float32)
    first = round(rows[0]["first_hz"] / spectra.step_hz)
    for row in rows:
        part = np.asarray(row["psd_pa2_per_hz"], dtype=np.float32)
        psd[positions.index(row["position"]), first : first + part.size] = part
    covariance = spectra.covariance * (averages / (averages - most))
    return LineSpectra(psd, spectra.step_hz, covariance), references


def _lists(rows: pa.Table, name: str) -> NDArray[np.float32]:
    """Equally long lists as one array (rows, entries)."""
    found: NDArray[np.float32] = rows.column(name).combine_chunks().flatten().to_numpy(zero_copy_only=False)
    return found.reshape(rows.num_rows, -1)


def _numbers(rows: pa.Table, name: str) -> NDArray[np.float64]:
    return np.array([np.nan if value is None else value for value in rows.column(name).to_pylist()])
