"""Band filters against the class limits at every sampling rate, and effective averages by simulation; prints markdown.

Exit status 1 where something misses its limit.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

from tapeline.acoustics.averaged_spectra import AveragedSpectrum
from tapeline.acoustics.bands import Bands, bands_between
from tapeline.acoustics.filter_bank import FilterBank
from tapeline.acoustics.short_time_spectra import ShortTimeSpectra
from tapeline.acoustics.windows import WindowName, all_pairs, effective_averages, window
from tapeline.limits import FILTER_HIGHEST_EDGE_SHARE

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tests" / "published"))

from filter_mask import PASS_BAND_EXPONENTS, STOP_BAND_EXPONENTS, breakpoint_ratio, mask_margin_db

RATES_HZ = (25_600.0, 44_100.0, 48_000.0, 51_200.0, 65_536.0, 102_400.0)
FRACTIONS = (1, 3, 6, 12, 24)
BETWEEN = 200
CASES: tuple[tuple[WindowName, float], ...] = (
    ("hann", 0.0),
    ("hann", 0.5),
    ("hann", 0.75),
    ("rectangular", 0.0),
    ("rectangular", 0.5),
    ("flattop", 0.5),
    ("flattop", 0.75),
)
FRAMES, CHANNELS, BLOCKS = 128, 6000, 16
ROUNDS = 2


def fitting_bands(fraction: int, rate_hz: float) -> Bands:
    """From 25 Hz (31.5 Hz for octaves) to the highest band that the bank takes at the rate."""
    found = bands_between(fraction, 31.5 if fraction == 1 else 25.0, 0.5 * rate_hz)
    return found.chosen(found.upper_hz <= FILTER_HIGHEST_EDGE_SHARE * rate_hz)


def mask_row(fraction: int, rate_hz: float) -> tuple[str, bool]:
    """Smallest distances to the limits of both classes over all bands, aliases of the decimators included."""
    bands = fitting_bands(fraction, rate_hz)
    bank = FilterBank(bands, rate_hz, 1, 10.0 * rate_hz)
    points = breakpoint_ratio(fraction, [*PASS_BAND_EXPONENTS, *STOP_BAND_EXPONENTS])
    edge = breakpoint_ratio(fraction, 0.5)
    ratios = np.concatenate(
        [
            points,
            edge * (1.0 + np.array([-1e-9, 1e-9])),
            np.geomspace(1.0, points[-1], BETWEEN),
            np.geomspace(6, 1e4, 200),
        ]
    )
    images = np.concatenate([rate_hz / 2.0**k * np.arange(1, 2**k // 2 + 1) for k in range(1, 11)])
    worst = {(c, part): np.inf for c in (1, 2) for part in ("pass", "edge", "stop")}
    where = ""
    for i, midband in enumerate(bands.midband_hz):
        hz = np.concatenate([midband * ratios, midband / ratios, images - midband, images + midband])
        hz = hz[(hz > 0.0) & (hz < 0.5 * rate_hz)]
        attenuation = -20.0 * np.log10(np.maximum(bank.realised_response(i, hz), 1e-30))
        away = np.exp(np.abs(np.log(hz / midband)))
        parts = {"pass": away < points[3], "edge": (away >= points[3]) & (away <= points[6]), "stop": away > points[6]}
        for performance_class in (1, 2):
            margin = mask_margin_db(fraction, hz / midband, attenuation, performance_class)
            for part, inside in parts.items():
                if inside.any() and margin[inside].min() < worst[performance_class, part]:
                    worst[performance_class, part] = float(margin[inside].min())
                    if (performance_class, part) == (1, "stop"):
                        where = f"{bands.nominal_hz[i]:g} Hz"
    holds = min(worst.values()) > 0.0
    numbers = " | ".join(f"{value:.2f}" for value in worst.values())
    span = f"{bands.nominal_hz[0]:g} to {bands.nominal_hz[-1]:g}"
    return f"| {rate_hz:g} | 1/{fraction} | {span} | {numbers} | {where} | {'holds' if holds else 'MISSES'} |", holds


def averages_row(name: WindowName, overlap: float) -> tuple[str, bool]:
    """Stated effective averages against the scatter of simulated lines."""
    shape, hop = window(name, FRAMES), round(FRAMES * (1.0 - overlap))
    found = []
    for seed in range(ROUNDS):
        spectrum = AveragedSpectrum(shape, hop, CHANNELS)
        blocks = ShortTimeSpectra(shape, hop, np.zeros(CHANNELS), [spectrum])
        frames = FRAMES + hop * (BLOCKS - 1)
        blocks.add(np.random.default_rng(seed).normal(size=(CHANNELS, frames)).astype(np.float32))
        blocks.finish()
        found.append(np.mean((spectrum.density(1.0)[:, 6:-6] / 2.0 - 1.0) ** 2))
    stated = effective_averages(shape, hop, all_pairs(BLOCKS, FRAMES, hop))
    simulated = float(1.0 / np.mean(found))
    off = simulated / stated - 1.0
    holds = abs(off) <= 0.02
    word = "holds" if holds else "MISSES"
    return f"| {name} | {overlap:g} | {stated:.2f} | {simulated:.2f} | {off:+.2%} | {word} |", holds


def main() -> int:
    """Print both tables."""
    masks = [mask_row(fraction, rate) for fraction in FRACTIONS for rate in RATES_HZ]
    averages = [averages_row(*case) for case in CASES]
    print("## Band filters at every sampling rate\n")
    print(
        "Smallest distance in dB of the realised digital filters (decimators and their aliases included) to the limits "
        "of IEC 61260-1:2014, Table 1, as known from public transcriptions, over all bands, at every breakpoint, "
        f"{BETWEEN} frequencies between on both sides, and every image of the midband. Designed to these limits; no "
        "claim of conformity. Pass band: to the last breakpoint before the edge; edge: to the next one beyond it.\n"
    )
    print(
        "| rate Hz | bands | nominal Hz | class 1: pass | edge | stop | class 2: pass | edge | stop | stop band at | |"
    )
    print("|---|---|---|---|---|---|---|---|---|---|---|")
    print("\n".join(row for row, _ in masks))
    print("\n## Effective averages by simulation\n")
    print(
        f"{BLOCKS} blocks of white noise, {ROUNDS * CHANNELS} spectra of {FRAMES // 2 - 11} lines each; limit 2 %. "
        "Stated: Welch (1967).\n"
    )
    print("| window | overlap | stated | simulated | off | |")
    print("|---|---|---|---|---|---|")
    print("\n".join(row for row, _ in averages))
    return 0 if all(holds for _, holds in masks + averages) else 1


if __name__ == "__main__":
    sys.exit(main())
