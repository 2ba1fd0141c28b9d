"""Levels redone by plain numpy from recordings and what `tapeline explain --json` says, and nothing else."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import stats

Chapters = dict[str, Any]


def value(chapter: dict[str, Any], key: str) -> Any:
    """The value of a fact."""
    return chapter[key]["value"]


def counts(file: Path, recording: dict[str, Any], channel: int, first: int, frames: int) -> NDArray[np.float64]:
    """Counts of one channel (from 1): of a 24-bit WAV file, or of headerless 16-bit samples."""
    content = file.read_bytes()
    channels = value(recording, "channels")
    if "header_bytes" in recording:
        words = np.frombuffer(content[value(recording, "header_bytes") :], "<i2").astype(np.float64)
    else:
        at = 20
        while content[at - 8 : at - 4] != b"data":
            at += int.from_bytes(content[at - 4 : at], "little") + 8
        size = int.from_bytes(content[at - 4 : at], "little")
        three = np.frombuffer(content[at : at + size], np.uint8).reshape(-1, 3).astype(np.int64)
        words = (three[:, 0] | three[:, 1] << 8 | three[:, 2] << 16).astype(np.float64)
        words[words >= 2**23] -= 2**24
    return words.reshape(-1, channels)[first : first + frames, channel - 1]


def density(folder: Path, chapters: Chapters, run: dict[str, Any]) -> NDArray[np.float64]:
    """Response-corrected density in Pa^2/Hz of all lines; `run` names file, channel, factor and mean.

    Pressure is single precision, as the explanation says.
    """
    recording, spectra = chapters["recording"], chapters["spectra"]
    whole = counts(folder / run["files"][0], recording, run["channel"], run["first_frame"], run["frames"])
    part = (whole / value(chapters["pascal"], "counts_full_scale")).astype(np.float32)
    pressure = (part * np.float32(run["pa_per_full_scale"]) - np.float32(run["mean_pa"])).astype(np.float64)
    size, hop = value(spectra, "block_frames"), value(spectra, "hop_frames")
    window = 0.5 - 0.5 * np.cos(2.0 * np.pi * np.arange(size) / size)
    starts = range(0, pressure.size - size + 1, hop)
    assert len(starts) == run["blocks"]
    powers = [np.abs(np.fft.rfft(pressure[at : at + size] * window)) ** 2 for at in starts]
    found = 2.0 * np.mean(powers, axis=0) / (value(recording, "sample_rate_hz") * np.sum(window**2))
    hz = np.arange(found.size) * value(spectra, "step_hz")
    points = chapters["response"]["points"]
    chart = np.interp(np.log(hz[1:]), np.log([each["hz"] for each in points]), [each["db"] for each in points])
    return np.asarray(found / 10.0 ** (np.append(0.0, chart) / 10.0))


def own_run(chapters: Chapters) -> dict[str, Any]:
    """The run itself in the form of a row of background runs."""
    recording = chapters["recording"]
    return {
        "files": value(recording, "files"),
        "channel": value(recording, "channel"),
        "first_frame": value(recording, "first_frame"),
        "frames": value(recording, "frames"),
        "pa_per_full_scale": value(chapters["pascal"], "pa_per_full_scale"),
        "mean_pa": value(chapters["spectra"], "mean_pa"),
        "blocks": value(chapters["spectra"], "blocks"),
    }


def a_weight(hz: NDArray[np.float64]) -> NDArray[np.float64]:
    """A-weighting as a factor of power (IEC 61672-1, E.4.3, with its rounded frequencies made exact)."""
    # Source: IEC 61672-1:2013, Annex E, from memory: f_L = 10^1.5, f_H = 10^3.9, f_A = 10^2.45 Hz, f_r = 1000 Hz.
    low, high, of_a = 10.0**1.5, 10.0**3.9, 10.0**2.45
    d = np.sqrt(0.5)
    b = (1e6 + low**2 * high**2 / 1e6 - d * (low**2 + high**2)) / (1.0 - d)
    c = low**2 * high**2
    first, fourth = (np.sqrt((-b + sign * np.sqrt(b * b - 4.0 * c)) / 2.0) for sign in (-1.0, 1.0))
    second, third = (of_a * (3.0 + sign * np.sqrt(5.0)) / 2.0 for sign in (-1.0, 1.0))

    def amplitude(f: NDArray[np.float64]) -> NDArray[np.float64]:
        return (
            fourth**2
            * f**4
            / ((f**2 + first**2) * np.sqrt(f**2 + second**2) * np.sqrt(f**2 + third**2) * (f**2 + fourth**2))
        )

    return np.asarray((amplitude(hz) / amplitude(np.array(1000.0))) ** 2)


def band_powers(chapters: Chapters, psd: NDArray[np.float64], weighting: str) -> NDArray[np.float64]:
    """Mean square of each band of the explanation."""
    step = value(chapters["bands"], "step_hz")
    weights = a_weight(np.arange(psd.size) * step) if weighting == "A" else np.ones(psd.size)
    found = []
    for band in chapters["bands"]["bands"]:
        share = np.ones(band["last_line"] - band["first_line"] + 1)
        share[0], share[-1] = band["first_share"], band["last_share"]
        lines = slice(band["first_line"], band["last_line"] + 1)
        found.append(float(np.sum(psd[lines] * weights[lines] * share) * step))
    return np.array(found)


def redone(folder: Path, explanation: dict[str, Any]) -> dict[str, float]:
    """The level's columns, redone: total, background, corrected or bound, nominal."""
    chapters, weighting = explanation["chapters"], explanation["subject"]["weighting"]
    total = band_powers(chapters, density(folder, chapters, own_run(chapters)), weighting)
    background = chapters["background"]
    beside = [run for run in background.get("runs", ()) if run["used"]]
    below = np.zeros(total.size)
    if beside:
        below = np.mean([band_powers(chapters, density(folder, chapters, run), weighting) for run in beside], axis=0)
    if "gain_change_pa2" in background:
        each = [band["gain_change_pa2"] for band in chapters["bands"]["bands"]]
        below = below + (value(background, "gain_change_pa2") if each == [None] else np.array(each))
    states = [band["state"] for band in chapters["bands"]["bands"]]
    assert not any(band["louder"] for band in chapters["bands"]["bands"])
    left = [
        p if state in ("clear", "none") else max(p - b, 0.0) for p, b, state in zip(total, below, states, strict=True)
    ]
    found = {"level_db": _db(total.sum())} | ({"background_level_db": _db(below.sum())} if beside else {})
    if value(background, "state") == "bound":
        if "tail" in background:
            return found | {"upper_bound_db": _db(_bound(background, float(total[0]), float(below[0])))}
        assert sum(left) == pytest.approx(value(background, "sum_pa2"), rel=1e-6)
        beyond = value(background, "sum_half_width_pa2") + value(background, "reach_pa2")
        return found | {"upper_bound_db": _db(sum(left) + beyond)}
    corrected = _db(sum(left))
    nominal = value(chapters["operating_point"], "nominal_correction_db")
    return found | {"corrected_level_db": corrected, "nominal_level_db": corrected + nominal}


def _bound(background: dict[str, Any], total: float, below: float) -> float:
    """Upper end of the difference of two scaled chi-squares, as the explanation's last sentence says."""
    tail = value(background, "tail")
    degrees = value(background, "run_degrees_of_freedom"), value(background, "background_degrees_of_freedom")
    high = total * degrees[0] / stats.chi2.ppf(tail, degrees[0])
    low = below * degrees[1] / stats.chi2.ppf(1.0 - tail, degrees[1])
    half = value(background, "half_width_pa2") if "half_width_pa2" in background else 0.0
    return max(0.0, total - below) + half + float(np.hypot(high - total, below - low))


def _db(power: float) -> float:
    return float(10.0 * np.log10(power / (2e-5) ** 2))
