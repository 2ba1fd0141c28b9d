"""Spectra against time in the report: gaps stay gaps, one colour scale, the figure is drawn."""

from __future__ import annotations

import numpy as np

from tapeline.report.figure_files import png_bytes
from tapeline.report.figure_panels import Heading
from tapeline.report.figures_spectrogram import DEEPEST_DB, colour_limits, spectrogram_figure, time_spectra

REFERENCE_PA = 2e-5


def rows(times: list[float], factor: float = 1.0) -> list[dict[str, object]]:
    """White noise of 60 dB density, 40 lines from 100 Hz on."""
    psd = [4e-10 * 1e6 * factor] * 40
    return [{"time_s": t, "first_hz": 100.0, "step_hz": 20.0, "psd_pa2_per_hz": psd} for t in times]


def test_a_gap_in_time_stays_empty() -> None:
    found = time_spectra(rows([0.25, 0.75, 2.25, 2.75]), REFERENCE_PA)
    assert found.time_s.tolist() == [0.25, 0.75, 1.25, 1.75, 2.25, 2.75]
    assert np.isnan(found.level_db).all(axis=0).tolist() == [False, False, True, True, False, False]
    assert np.allclose(found.level_db[:, 0], 60.0)
    assert found.frequency_hz[[0, -1]].tolist() == [100.0, 880.0]


def test_one_scale_holds_all_panels_and_no_more_than_sixty_decibels() -> None:
    quiet, loud = time_spectra(rows([0.0, 0.5]), REFERENCE_PA), time_spectra(rows([0.0, 0.5], 1e9), REFERENCE_PA)
    low, high = colour_limits([quiet, loud])
    assert high >= 150.0
    assert high - low == DEEPEST_DB
    assert colour_limits([]) == (0.0, 1.0)
    limits = colour_limits([quiet])
    assert limits[0] <= 60.0 + 1e-6
    assert limits[1] > limits[0]


def test_the_figure_is_drawn() -> None:
    panels = {"seam-left": time_spectra(rows([0.0, 0.5, 2.0]), REFERENCE_PA)}
    figure = spectrogram_figure(panels, Heading("Spectra against time", "synthetic"), (40.0, 80.0), REFERENCE_PA)
    assert figure.axes[0].get_title() == "seam-left"
    assert len(png_bytes(figure, full_colour=True)) > 5_000
