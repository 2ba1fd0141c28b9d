"""What is made on request, pass by pass: charts with phases, filter memory beside gaps, times of a used part."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest

from tapeline.acoustics.averaged_spectra import AveragedSpectrum
from tapeline.acoustics.parts import Parts
from tapeline.acoustics.short_time_spectra import ShortTimeSpectra
from tapeline.acoustics.windows import all_pairs, window
from tapeline.campaign.plan import Source, picked
from tapeline.campaign.setting_sections import (
    BandHistory,
    Bands,
    CrossSpectra,
    FlowBins,
    History,
    Quality,
    Spectra,
    Spectrogram,
)
from tapeline.jobs.pressure import PressureNeeds
from tapeline.jobs.spectra import FlowNeeds, Response, SpectraNeeds, StreamQuality
from tapeline.jobs.spectra.band_history import BandHistoryPass
from tapeline.jobs.spectra.cross_spectra import CrossSpectraPass
from tapeline.jobs.spectra.flow_spectra import FlowPass
from tapeline.jobs.spectra.run import used_parts
from tapeline.jobs.spectra.spectrogram import SpectrogramPass

RATE = 12_800.0
POSITIONS = ("p1", "p2")
CHART_HZ = (50.0, 500.0, 1000.0, 2000.0, 5000.0)
NEEDS = SpectraNeeds(
    campaign="c",
    run="r",
    pressure=PressureNeeds("c", "s", Source("r", (), None, None, None, None), (), "chart", 0.2, 1e5, ()),
    quality=picked(StreamQuality, Quality()),
    mains_hz=50.0,
    left_out=(),
    responses=(Response("p1", (), (), ()), Response("p2", (), (), ())),
    response_correction=True,
    spectra=Spectra(),
    history=History(),
    history_range_hz=(100.0, 4000.0),
    filters=(),
    reference_pressure_pa=2e-5,
    band_history=None,
    spectrogram=None,
    cross_spectra=None,
    references=None,
    flow=None,
)


def noise(seconds: float, channels: int = 2) -> np.ndarray:
    return np.random.default_rng(4).normal(size=(channels, int(seconds * RATE))).astype(np.float32)


def test_a_sensors_phase_is_taken_out_of_cross_spectra() -> None:
    """The second sensor turns what it hears by its chart's phase and weakens it by 6 dB: neither is left."""
    phase_deg = (0.0, -20.0, -45.0, -80.0, -120.0)
    first = noise(20.0, 1)[0]
    hz = np.arange(first.size // 2 + 1) * RATE / first.size
    turned = np.deg2rad(np.interp(hz, CHART_HZ, phase_deg))
    heard = np.fft.irfft(np.fft.rfft(first) * 0.5 * np.exp(1j * turned), n=first.size)
    needs = dataclasses.replace(
        NEEDS, responses=(NEEDS.responses[0], Response("p2", CHART_HZ, (-6.0206,) * 5, phase_deg))
    )
    shape = window("hann", 1024)
    asked = (CrossSpectra(positions="all", range_hz=(100.0, 4000.0)), 0.95)
    made = CrossSpectraPass(needs, asked, POSITIONS, RATE, shape, 512, Parts([(0, first.size)]))
    blocks = ShortTimeSpectra(shape, 512, np.zeros(2), [made.taker])
    blocks.add(np.stack([first, heard]).astype(np.float32))
    blocks.finish()
    (row,) = made.rows(all_pairs(499, 1024, 512))
    csd = row["csd_real_pa2_per_hz"] + 1j * row["csd_imaginary_pa2_per_hz"]
    assert np.abs(np.rad2deg(np.angle(csd))).max() < 1.0
    assert np.abs(csd).mean() == pytest.approx(2.0 / RATE, rel=0.02)
    assert row["coherence"].min() > 0.99


def test_a_range_between_two_lines_gives_no_row() -> None:
    shape = window("hann", 3200)
    asked = (CrossSpectra(positions="all", range_hz=(101.0, 103.0)), 0.95)
    made = CrossSpectraPass(NEEDS, asked, POSITIONS, RATE, shape, 1600, Parts([(0, 10_000)]))
    blocks = ShortTimeSpectra(shape, 1600, np.zeros(2), [made.taker])
    blocks.add(noise(1.0))
    blocks.finish()
    assert made.rows((6, 5)) == []
    for limits in ((101.0, 109.0), (7000.0, 8000.0)):
        gram = SpectrogramPass(
            NEEDS, Spectrogram(positions="all", range_hz=limits), POSITIONS, np.zeros(2), RATE, Parts([(0, 10_000)])
        )
        gram.add(noise(1.0))
        assert gram.rows() == []


def band_levels(
    needs: SpectraNeeds, samples: np.ndarray, parts: Parts, bands: Bands
) -> dict[tuple[str, float], np.ndarray]:
    made = BandHistoryPass(needs, BandHistory(positions="all"), bands, POSITIONS, RATE, parts)
    made.add(samples)
    return {(row["position"], row["band_hz"]): row["level_db"] for row in made.rows()}


def test_band_histories_take_the_charts_and_filters_that_the_bands_take() -> None:
    samples = noise(8.0)
    parts = Parts([(0, samples.shape[1])])
    plain = band_levels(NEEDS, samples, parts, Bands(range_hz=(100.0, 5000.0)))
    needs = dataclasses.replace(
        NEEDS,
        responses=(
            Response("p1", CHART_HZ, (0.0, 0.0, 6.0, 0.0, 0.0), ()),
            Response("p2", (200.0, 2000.0), (0.0, 0.0), ()),
        ),
        filters=(("p1", 100.0, 3000.0),),
    )
    found = band_levels(needs, samples, parts, Bands(range_hz=(100.0, 5000.0)))
    assert found["p1", 1000.0][8:] == pytest.approx(plain["p1", 1000.0][8:] - 6.0, abs=0.01)
    assert [band for position, band in found if position == "p1"] == [
        250,
        315,
        400,
        500,
        630,
        800,
        1000,
        1250,
        1600,
        2000,
        2500,
    ]
    assert [band for position, band in found if position == "p2"] == [
        200,
        250,
        315,
        400,
        500,
        630,
        800,
        1000,
        1250,
        1600,
        2000,
    ]


def test_a_filter_remembers_what_was_left_out() -> None:
    """A bang in a gap rings on in the narrow filters: the intervals after it are empty until that has died away."""
    samples = noise(8.0)
    samples[:, int(3.2 * RATE) : int(3.3 * RATE)] *= 1000.0
    gap = Parts([(int(3.0 * RATE), int(3.5 * RATE))])
    parts = Parts([(0, samples.shape[1])]).without(gap)
    found = band_levels(NEEDS, samples, parts, Bands(range_hz=(25.0, 1000.0)))
    for band in (25.0, 100.0, 1000.0):
        levels = found["p1", band]
        time = np.arange(levels.size) * 0.125
        quiet = levels[(time >= 1.5) & (time < 2.75)]
        after = levels[(time >= 3.5)]
        assert np.isnan(levels[(time >= 3.0) & (time < 3.5)]).all()
        assert np.nanmax(after) < quiet.max() + 6.0, band


def test_an_interval_too_short_for_the_filters_gives_no_row() -> None:
    needs = dataclasses.replace(NEEDS, history=History(interval_s=0.01))
    made = BandHistoryPass(needs, BandHistory(positions="all"), Bands(), POSITIONS, 800.0, Parts([(0, 8000)]))
    made.add(np.zeros((2, 8000), dtype=np.float32))
    assert made.rows() == []


def test_flow_is_read_in_the_recordings_own_time(tmp_path: Path) -> None:
    """The used part starts at 10 s of the recording, where the speed has risen to 30 m/s."""
    rows = [f"{t / 4},{20.0 if t < 40 else 30.0}" for t in range(80)]
    (tmp_path / "flow.csv").write_text("time_s,speed_mps\n" + "\n".join(rows) + "\n")
    shape, samples = window("hann", 1280), noise(9.0)
    flow = FlowNeeds("flow.csv", 10.0, FlowBins())
    made = FlowPass(tmp_path, NEEDS, flow, POSITIONS, RATE, shape, 640, Parts([(0, samples.shape[1])]))
    blocks = ShortTimeSpectra(shape, 640, np.zeros(2), made.takers)
    blocks.add(samples)
    blocks.finish()
    found = made.rows()
    assert {(row["speed_mps"], row["mean_speed_mps"], row["segments"]) for row in found} == {(30.0, 30.0, 9)}
    assert {row["averaged_s"] for row in found} == {9.0}


@pytest.mark.parametrize(("segment_s", "hop"), [(1.0, 640), (1.2, 6400), (0.4, 5120), (1.0, 3200)])
def test_every_segment_counts_that_is_counted(tmp_path: Path, segment_s: float, hop: int) -> None:
    """Speeds that change from segment to segment, at any overlap: each segment has a block of its own."""
    shape = window("hann", 12_800)
    hops = int(np.ceil(max(segment_s * RATE, shape.size) / hop - 1e-9))
    whole = hops * hop / RATE
    times = np.arange(0.0, 30.0 * whole, whole / 4.0)
    rows = [f"{t:.6f},{20.0 if int(t / whole + 1e-9) % 2 else 30.0}" for t in times]
    (tmp_path / "flow.csv").write_text("time_s,speed_mps\n" + "\n".join(rows) + "\n")
    samples = noise(30.0 * whole, 1)
    made = FlowPass(
        tmp_path, NEEDS, FlowNeeds("flow.csv", 0.0, FlowBins(segment_s=segment_s)), ("p1",), RATE, shape, hop,
        Parts([(0, samples.shape[1])]),
    )  # fmt: skip
    blocks = ShortTimeSpectra(shape, hop, np.zeros(1), made.takers)
    blocks.add(samples)
    blocks.finish()
    found = made.rows()
    assert [(row["speed_mps"], row["segments"]) for row in found] == [(20.0, 15), (30.0, 15)]
    for row, spectrum in zip(found, made.takers, strict=True):
        assert isinstance(spectrum, AveragedSpectrum)
        assert row["block_pairs"][0] == spectrum.blocks >= 15
        assert row["averaged_s"] <= 15 * row["segment_s"] + 1e-9


def test_stretches_that_end_on_a_frame_end_there() -> None:
    quality = [
        {"verdict": "good", "frames": 128_000, "spike_times_s": [5.0]},
        {"verdict": "unusable", "frames": 128_000, "spike_times_s": [7.0]},
    ]
    needs = dataclasses.replace(
        NEEDS, left_out=((1.1, 2.2),), spectra=Spectra(leave_out_spikes=True, spike_margin_s=0.25)
    )
    found = used_parts(needs, quality, RATE)
    assert found.ranges == ((0, 14_080), (28_160, 60_800), (67_200, 128_000)), (
        "an unusable channel's spikes do not count"
    )
