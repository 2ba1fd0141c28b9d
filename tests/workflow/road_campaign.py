"""A synthetic road campaign: white noise whose level follows the air speed, an event, spikes, two sample rates."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import soundfile

RATE_HZ, SLOW_RATE_HZ, SECONDS = 25_600, 12_800, 24
SPEEDS_MPS = (20.0, 26.0, 20.0, 32.0)
"""Six seconds each."""

RMS_PA = {20.0: 0.2, 26.0: 0.26, 32.0: 0.34}
BACKGROUND_RMS_PA = 0.05
DELAY_S, SHARED = 0.002, 0.8
EVENT_S = (8.0, 9.5)
SPIKE_S = 15.3
TREATED = 0.5
"""Factor on the rms that the treatment gives."""

TABLES = {
    "campaign.yaml": """campaign: road
conditions: {open: {applied: []}, sealed: {applied: [tape]}}
reference_condition: sealed
spectra: {resolution_hz: 4, leave_out_spikes: true}
bands: {range_hz: [80, 8000]}
overall: [{weighting: Z, range_hz: [125, 8000]}, {weighting: Z, range_hz: [125, 4000]}]
band_history: {positions: [p1]}
spectrogram: {positions: [p1, p2], resolution_hz: 20, step_s: 0.5, range_hz: [100, 4000]}
cross_spectra: {positions: all, range_hz: [100, 1000]}
""",
    "runs.csv": """run,recording,kind,session,condition,speed_mps,flow_series
open,open.wav,measurement,road,open,26,open_flow.csv
sealed,sealed.wav,measurement,road,sealed,26,
still,still.wav,background,road,,26,
""",
    "positions.csv": "position\np1\np2\np3\n",
    "fittings.csv": "session,channel,position,unit,highpass_hz,lowpass_hz\n"
    "road,1,p1,Pa,,\nroad,2,p2,Pa,,\nroad,3,p3,Pa,80,3600\n",
    "sensors.csv": "sensor,sensitivity_mv_per_pa\n",
    "calibrators.csv": "calibrator,kind,level_db,frequency_hz\n",
    "left_out.csv": f"run,start_s,stop_s,reason\nopen,{EVENT_S[0]},{EVENT_S[1]},lorry passing (synthetic)\n",
}


def write_road_campaign(folder: Path) -> Path:
    """The campaign in `folder`."""
    (folder / "config").mkdir(parents=True)
    (folder / "recordings").mkdir()
    for name, text in TABLES.items():
        (folder / "config" / name).write_text(text, encoding="utf-8")
    time = np.arange(0.0, SECONDS, 0.25)
    rows = [f"{t:.2f},{SPEEDS_MPS[int(t // 6)]:.1f},{0.3 if t % 12 < 6 else -0.4}" for t in time]
    (folder / "recordings" / "open_flow.csv").write_text("time_s,speed_mps,yaw_deg\n" + "\n".join(rows) + "\n")
    random = np.random.default_rng(11)
    rms = np.repeat([RMS_PA[speed] for speed in SPEEDS_MPS], 6 * RATE_HZ)
    samples = _channels(random, RATE_HZ) * rms[:, None] + _background(random, RATE_HZ)
    event = slice(*(int((at + shift) * RATE_HZ) for at, shift in zip(EVENT_S, (0.1, -0.1), strict=True)))
    samples[event] *= 20.0
    samples[int(SPIKE_S * RATE_HZ), 1] += 400.0
    _write(folder, "open", samples, RATE_HZ)
    rms = np.repeat([RMS_PA[speed] for speed in SPEEDS_MPS], 6 * SLOW_RATE_HZ) * TREATED * np.sqrt(0.5)
    _write(
        folder,
        "sealed",
        _channels(random, SLOW_RATE_HZ) * rms[:, None] + _background(random, SLOW_RATE_HZ),
        SLOW_RATE_HZ,
    )
    _write(folder, "still", _background(random, SLOW_RATE_HZ), SLOW_RATE_HZ)
    return folder


def _channels(random: np.random.Generator, rate_hz: int) -> np.ndarray:
    """Unit white noise; channel 2 receives part of channel 1 a little later."""
    noise = random.normal(size=(SECONDS * rate_hz, 3))
    late = np.roll(noise[:, 0], round(DELAY_S * rate_hz))
    noise[:, 1] = SHARED * late + np.sqrt(1.0 - SHARED**2) * noise[:, 1]
    return noise


def _background(random: np.random.Generator, rate_hz: int) -> np.ndarray:
    """White noise of the same density at any rate."""
    return random.normal(size=(SECONDS * rate_hz, 3)) * BACKGROUND_RMS_PA * np.sqrt(rate_hz / RATE_HZ)


def _write(folder: Path, name: str, samples: np.ndarray, rate_hz: int) -> None:
    soundfile.write(folder / "recordings" / f"{name}.wav", samples.astype(np.float32), rate_hz, subtype="FLOAT")
