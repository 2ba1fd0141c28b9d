"""A synthetic campaign of backgrounds: reference sensors, two speeds to bridge, wind off, and what must be refused.

Session `rolling`: two references by the wheels; the wall sensors hear both, later and weaker, over their own noise.
Session `tunnel`: no references; background runs at 20 and 30 m/s that rise with the 4th power of speed.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import soundfile

RATE_HZ, SECONDS = 12_800, 20
WALL, REFERENCES = ("p1", "p2", "p3"), ("w1", "w2")
OWN_RMS_PA = {"open": 0.2, "sealed": 0.1}
ROLLING_RMS_PA = (0.2, 0.3)
"""What reaches each wall sensor from either wheel."""

WHEEL_TO_WHEEL = 0.6
"""How much of the second wheel's noise is the first one's."""

BACKGROUND_RMS_PA = {20.0: 0.05, 30.0: 0.05 * (30.0 / 20.0) ** 2}
FLOOR_RMS_PA = 0.005
UNSTEADY = 1.6
"""Factor on the rms of the second background run at 30 m/s, 4 dB."""

ACHIEVED_MPS = 23.5
"""Of the run at a set speed of 25 m/s."""

QUIET_RMS_PA = 0.006
"""Wall sensor p3 in the tunnel: hardly above its electrical floor."""

TABLES = {
    "campaign.yaml": """campaign: backgrounds
conditions: {open: {applied: []}, sealed: {applied: [tape]}}
reference_condition: sealed
spectra: {resolution_hz: 8, range_hz: [50, 6000]}
bands: {range_hz: [250, 4000]}
overall: [{weighting: Z, range_hz: [250, 4000]}]
background: {references: [w1, w2], between_speeds: true}
""",
    "runs.csv": "run,recording,kind,session,condition,speed_mps,measured_speed_mps,gain_db,recorded_at,"
    """temperature_c,static_pressure_hpa
r-open,r-open.wav,measurement,rolling,open,20,20,,2026-03-02T10:00:00,20,1013.25
r-sealed,r-sealed.wav,measurement,rolling,sealed,20,20,,2026-03-02T10:10:00,20,1013.25
off,off.wav,background,tunnel,,0,,,2026-03-03T08:00:00,20,1013.25
b20,b20.wav,background,tunnel,,20,20,,2026-03-03T08:10:00,20,1013.25
b30,b30.wav,background,tunnel,,30,30,,2026-03-03T08:20:00,20,1013.25
b30-again,b30-again.wav,background,tunnel,,30,30,,2026-03-03T08:30:00,20,1013.25
t20,t20.wav,measurement,tunnel,open,20,20,,2026-03-03T09:00:00,20,1013.25
t25,t25.wav,measurement,tunnel,open,25,23.5,,2026-03-03T09:10:00,20,1013.25
t30,t30.wav,measurement,tunnel,open,30,30,,2026-03-03T09:20:00,20,1013.25
t30-gain,t30-gain.wav,measurement,tunnel,sealed,30,30,10,2026-03-03T09:30:00,20,1013.25
t30-late,t30-late.wav,measurement,tunnel,open,30,30,10,2026-03-06T08:30:00,20,1013.25
""",
    "positions.csv": "position\np1\np2\np3\nw1\nw2\n",
    "fittings.csv": "session,channel,position,unit\n"
    + "".join(f"rolling,{i},{name},Pa\n" for i, name in enumerate((*WALL, *REFERENCES), start=1))
    + "".join(f"tunnel,{i},{name},Pa\n" for i, name in enumerate(WALL, start=1)),
    "sensors.csv": "sensor,sensitivity_mv_per_pa\n",
    "calibrators.csv": "calibrator,kind,level_db,frequency_hz\n",
}


def write_background_campaign(folder: Path) -> Path:
    """The campaign in `folder`."""
    (folder / "config").mkdir(parents=True)
    (folder / "recordings").mkdir()
    for name, text in TABLES.items():
        (folder / "config" / name).write_text(text, encoding="utf-8")
    random = np.random.default_rng(23)
    for condition, rms in OWN_RMS_PA.items():
        _write(folder, f"r-{condition}", _rolling(random, rms))
    floor = [FLOOR_RMS_PA] * 3
    _write(folder, "off", _white(random, floor))
    _write(folder, "b20", _white(random, [BACKGROUND_RMS_PA[20.0]] * 2 + floor[:1]))
    for name, factor in (("b30", 1.0), ("b30-again", UNSTEADY)):
        _write(folder, name, _white(random, [factor * BACKGROUND_RMS_PA[30.0]] * 2 + floor[:1]))
    for name, speed in (("t20", 20.0), ("t25", ACHIEVED_MPS), ("t30", 30.0), ("t30-gain", 30.0), ("t30-late", 30.0)):
        below = background_rms_pa(speed)
        _write(folder, name, _white(random, [np.hypot(OWN_RMS_PA["open"], below)] * 2 + [QUIET_RMS_PA]))
    return folder


def background_rms_pa(speed_mps: float) -> float:
    """Rms of the background at wall sensors p1 and p2."""
    return float(BACKGROUND_RMS_PA[20.0] * (speed_mps / 20.0) ** 2)


def _rolling(random: np.random.Generator, own_rms_pa: float) -> np.ndarray:
    wheels = random.normal(size=(SECONDS * RATE_HZ, 2))
    wheels[:, 1] = WHEEL_TO_WHEEL * wheels[:, 0] + np.sqrt(1.0 - WHEEL_TO_WHEEL**2) * wheels[:, 1]
    channels = own_rms_pa * random.normal(size=(SECONDS * RATE_HZ, 3))
    for place in range(3):
        for wheel, rms in enumerate(ROLLING_RMS_PA):
            channels[:, place] += rms * np.roll(wheels[:, wheel], 5 + 9 * place + 4 * wheel)
    return np.column_stack([channels, wheels])


def _white(random: np.random.Generator, rms_pa: list[float]) -> np.ndarray:
    return np.asarray(random.normal(size=(SECONDS * RATE_HZ, len(rms_pa))) * np.asarray(rms_pa))


def _write(folder: Path, name: str, samples: np.ndarray) -> None:
    soundfile.write(folder / "recordings" / f"{name}.wav", samples.astype(np.float32), RATE_HZ, subtype="FLOAT")
