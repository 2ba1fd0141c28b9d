"""A campaign as an analyst writes it down in an hour: read, scale, Welch, bands, subtract, compare, draw. No checks.

python plain_campaign.py CAMPAIGN RESULTS [--no-figures]
"""

import csv
import sys
from pathlib import Path

import numpy as np
import scipy.signal
import soundfile

folder, results = Path(sys.argv[1]), Path(sys.argv[2])
results.mkdir(parents=True, exist_ok=True)
FULL_SCALE_V, SENSITIVITY_V_PER_PA, REFERENCE_PA2 = 10.0, 0.005, 4e-10
MIDBANDS = 1000.0 * 10.0 ** (np.arange(-10, 10) / 10.0)

runs = [row for row in csv.DictReader((folder / "config/runs.csv").open()) if row["kind"] != "calibration"]
powers = {}
for run in runs:
    samples, rate = soundfile.read(folder / "recordings" / run["recording"])
    pressure = samples.T * (FULL_SCALE_V / SENSITIVITY_V_PER_PA)
    size = int(rate / 5.0)
    hz, density = scipy.signal.welch(pressure, rate, "hann", size, size // 2)
    np.save(results / f"{run['run']}.npy", density)
    bands = [density[:, (hz >= m * 10**-0.05) & (hz < m * 10**0.05)].sum(axis=1) * hz[1] for m in MIDBANDS]
    powers[run["run"]] = np.array(bands).T
if "--no-figures" in sys.argv:
    np.savez(results / "bands.npz", **powers)
    sys.exit()

import matplotlib.pyplot as plt  # noqa: E402 (not needed for levels alone)

levels = {}
for speed in sorted({run["speed_kmh"] for run in runs}):
    at = [run for run in runs if run["speed_kmh"] == speed]
    below = np.mean([powers[run["run"]] for run in at if run["kind"] == "background"], axis=0)
    for condition in ("open", "taped"):
        mean = np.mean([powers[run["run"]] for run in at if run["condition"] == condition], axis=0)
        levels[condition, speed] = 10.0 * np.log10(np.maximum(mean - below, 1e-20) / REFERENCE_PA2)
    figure, axes = plt.subplots(figsize=(10, 6))
    for position in range(min(8, below.shape[0])):
        axes.semilogx(
            MIDBANDS, levels["open", speed][position] - levels["taped", speed][position], label=f"p{position + 1}"
        )
    axes.set(xlabel="Frequency in Hz", ylabel="Difference in dB", title=f"Open against taped, {speed} km/h")
    axes.legend()
    figure.savefig(results / f"difference-{speed}.png", dpi=150)
    plt.close(figure)
for condition in ("open", "taped"):
    figure, axes = plt.subplots(figsize=(10, 6))
    for (name, speed), found in levels.items():
        if name == condition:
            axes.semilogx(MIDBANDS, found[0], label=f"{speed} km/h")
    axes.set(xlabel="Frequency in Hz", ylabel="Level in dB", title=condition)
    axes.legend()
    figure.savefig(results / f"levels-{condition}.png", dpi=150)
    plt.close(figure)
np.savez(results / "levels.npz", **{f"{name}-{speed}": found for (name, speed), found in levels.items()})
