"""The small synthetic campaign that faults are planted in: one recording of every common format, a chart, a data sheet,
a flow series, every table; and the campaign of a neighbour, which differs by its noise alone."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import soundfile

RATE_HZ, SECONDS = 6_400, 8
VOLTS_PER_PASCAL = (0.010, 0.011)
RMS_PA = {"bg1": 0.02, "m1": 0.4, "m2": 0.2}
TONE_S, GAP_S = 3.0, 1.5
RAW = "{sample_type: float32, byte_order: little, layout: interleaved, channels: 2, sample_rate_hz: 6400}"

FILES = {
    "config/campaign.yaml": f"""campaign: planted-faults
title: Campaign to plant faults in (synthetic data)
conditions: {{open: {{applied: []}}, sealed: {{applied: [tape]}}}}
reference_condition: sealed
raw_formats: {{logger: {RAW}}}
spectra: {{resolution_hz: 8, range_hz: [50, 2500]}}
bands: {{range_hz: [250, 2000]}}
overall: [{{weighting: Z, range_hz: [250, 2000]}}]
report: {{outlines: [{{file: config/side.csv}}]}}
""",
    "config/runs.csv": """run,recording,format,kind,session,condition,speed_mps,calibrator,stage,flow_series,recorded_at
cal1,cal1.wav,,calibration,april,,,speaker,before,,2026-04-14T08:00:00
bg1,bg1.flac,,background,april,,30,,,,2026-04-14T08:20:00
m1,m1.wav,,measurement,april,open,30,,,m1_flow.csv,2026-04-14T08:30:00
m2,m2.raw,logger,measurement,april,sealed,30,,,,2026-04-14T08:40:00
""",
    "config/positions.csv": "position,x_m,y_m,z_m\nseam1,0.1,0,1\nseam2,0.2,0,1\n",
    "config/fittings.csv": "session,channel,position,sensor,full_scale_v\napril,1,seam1,s1,1\napril,2,seam2,s2,1\n",
    "config/sensors.csv": """sensor,sensitivity_mv_per_pa,chart,data_sheet,chart_reference_hz
s1,10,charts/s1.csv,charts/s1.bin,1000
s2,11,,,
""",
    "config/calibrators.csv": "calibrator,kind,level_db,frequency_hz\nspeaker,feedback,94,1000\n",
    "config/cavities.csv": "cavity,length_m\nslot,0.1\n",
    "config/overrides.csv": "run,position,verdict,reason,who\nbg1,seam2,doubtful,door open (synthetic),A. Nyone\n",
    "config/left_out.csv": "run,start_s,stop_s,reason\nm1,1,2,a gust (synthetic)\n",
    "config/side.csv": "x_m,z_m\n0,0\n1,1\n",
    "charts/s1.csv": "frequency_hz,response_db\n20,0\n1000,0\n2500,0.5\n3200,0.6\n",
    "recordings/m1_flow.csv": "time_s,speed_mps\n" + "".join(f"{t},{30 + 0.1 * (t % 3):.1f}\n" for t in range(SECONDS)),
}
RECORDINGS = ("cal1.wav", "bg1.flac", "m1.wav", "m2.raw")


def write_campaign(folder: Path, seed: int = 7) -> Path:
    """The campaign in `folder`."""
    for name, text in FILES.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
    (folder / "charts" / "s1.bin").write_bytes(data_sheet())
    recordings = folder / "recordings"
    soundfile.write(recordings / "cal1.wav", _calibration(), RATE_HZ, subtype="PCM_24")
    soundfile.write(recordings / "bg1.flac", noise("bg1", seed), RATE_HZ, subtype="PCM_24")
    soundfile.write(recordings / "m1.wav", noise("m1", seed), RATE_HZ, subtype="PCM_24")
    noise("m2", seed).astype("<f4").tofile(recordings / "m2.raw")
    return folder


def noise(run: str, seed: int) -> np.ndarray:
    """White noise of a run, (samples, 2), in volts."""
    random = np.random.default_rng([seed, *run.encode()])
    return np.asarray(random.normal(size=(SECONDS * RATE_HZ, 2)) * RMS_PA[run] * np.asarray(VOLTS_PER_PASCAL))


def data_sheet() -> bytes:
    """A basic part and 32 bytes of memory whose first byte makes the checksum right (IEEE 1451.4)."""
    basic, memory = bytes([1, 2, 3, 4, 5, 6, 7, 8]), bytes(31)
    return basic + bytes([-sum(basic + memory) % 256]) + memory


def _calibration() -> np.ndarray:
    """94 dB at 1 kHz on one channel after the other."""
    random = np.random.default_rng(1)
    samples = random.normal(size=(int((2 * TONE_S + 3 * GAP_S) * RATE_HZ), 2)) * 1e-5
    for channel, volts in enumerate(VOLTS_PER_PASCAL):
        start = int((GAP_S + channel * (TONE_S + GAP_S)) * RATE_HZ)
        time = np.arange(int(TONE_S * RATE_HZ)) / RATE_HZ
        samples[start : start + len(time), channel] += np.sqrt(2.0) * volts * 1.0024 * np.sin(2e3 * np.pi * time)
    return np.asarray(samples)
