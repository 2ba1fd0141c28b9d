"""Chapters from spectra to the total level: response correction, lines and bands, weighting, and all factors in dB."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from tapeline.acoustics.band_levels import LineSpectra, band_sums
from tapeline.acoustics.levels import level_db
from tapeline.acoustics.response import response_db
from tapeline.acoustics.weightings import power_weights
from tapeline.explain.explanation import Chapter, Fact, Heading, Listing, Part
from tapeline.explain.measured_level import MeasuredLevel
from tapeline.explain.signal_path import SignalPath
from tapeline.report.wording import pascal
from tapeline.store.tables import STATES

CHART_HEADINGS = (Heading("hz", "frequency", "Hz"), Heading("db", "response", "dB"))


def response_chapter(level: MeasuredLevel, path: SignalPath) -> Chapter:
    """The chart's response in the bands, and what dividing it out makes of the level."""
    applied = level.plan.settings.calibration.response_correction
    if not applied or not path.channel.chart_hz:
        why = "the sensor has no chart" if applied else "calibration.response_correction is false"
        return Chapter("response", "Response correction", (f"No response is divided out: {why}.",))
    sensor = path.sensor
    lowest, highest = (level.bands.lower_hz[level.places[0]], level.bands.upper_hz[level.places[-1]])
    hz, db = np.array(path.channel.chart_hz), np.array(path.channel.chart_db)
    near = np.flatnonzero((hz >= lowest) & (hz <= highest))
    first, last = np.searchsorted(hz, lowest), np.searchsorted(hz, highest)
    near = np.arange(max(min([first - 1, *near]), 0), min(max([last, *near]), hz.size - 1) + 1)
    reference = sensor.chart_reference_hz if sensor else None
    points = tuple({"hz": hz[i], "db": db[i]} for i in near)
    mids = level.bands.midband_hz[level.places]
    parts: list[Part] = [
        Fact("chart", "chart", sensor.chart if sensor else None, source=sensor.response_kind if sensor else ""),
        Fact("chart_reference_hz", "response is 0 dB at", reference, "Hz", "subtracted from the file's column"),
        Fact("lowest_hz", "chart reaches from", float(hz[0]), "Hz"),
        Fact("highest_hz", "chart reaches to", float(hz[-1]), "Hz", "beyond its ends nothing is divided out"),
    ]
    if level.b is not None:
        at_midband = float(response_db(mids, hz, db)[0][0])
        parts.append(Fact("response_at_midband_db", "response at the midband frequency", at_midband, "dB"))
    parts += [
        Fact("correction_db", "what it adds to the level", factors(level, path).response_db, "dB"),
        Listing("points", "Points of the chart", CHART_HEADINGS, points, "sentence"),
        "Each line's density is divided by 10^(response/10), the response at its frequency linear in dB over the "
        "logarithm of frequency.",
    ]
    return Chapter("response", "Response correction", tuple(parts))


@dataclass(frozen=True)
class Factors:
    """The parts of a total level (dB): its mean square in the file's own full scale, response and weighting."""

    counts_db: float
    response_db: float
    weighting_db: float


def factors(level: MeasuredLevel, path: SignalPath) -> Factors:
    """The factors of a level that has power."""
    spectra = level.measured.run.spectra
    lines_hz = spectra.lines_hz
    psd = np.asarray(spectra.psd[[level.p]], dtype=np.float64)
    weights = power_weights(level.weighting, lines_hz)
    shares = [level.shares[b] for b in level.places]
    bare, unweighted, weighted = (
        float(band_sums(LineSpectra(each, spectra.step_hz, spectra.covariance), shares, by).power.sum())
        for each, by in ((psd * path.chart_gain(lines_hz) ** 2, None), (psd, None), (psd, weights))
    )
    return Factors(
        counts_db=10.0 * math.log10(bare / path.pa_per_unit**2),
        response_db=10.0 * math.log10(unweighted / bare),
        weighting_db=10.0 * math.log10(weighted / unweighted),
    )


FACTOR_HEADINGS = (
    Heading("factor", "factor"),
    Heading("db", "adds", "dB"),
    Heading("sum_db", "sum", "dB"),
    Heading("source", "from"),
)


def factors_chapter(level: MeasuredLevel, path: SignalPath, row: Mapping[str, Any]) -> Chapter:
    """Every factor in dB, a line each, from counts to the published level."""
    found, channel = factors(level, path), path.channel
    fittings = f"{level.plan.settings.tables.fittings}:{path.fitting.line}"
    what = "band" if level.b is not None else "bands"
    reference = level.job.needs.reference_pressure_pa
    unit = "V" if channel.unit == "V" else "Pa"
    lines: list[tuple[str, float | None, str]] = [
        (f"mean square of the {what} re full scale", found.counts_db, "chapters Recording, Spectra and Sum"),
        (f"full scale re 1 {unit}", 20.0 * math.log10(channel.full_scale_v or 1.0), fittings),
    ]
    if channel.unit == "V":
        lines += [
            ("gain of the conditioner", -path.gain_db, "chapter From counts to pascal"),
            ("sensitivity re 1 V/Pa", -20.0 * math.log10(path.sensitivity_v_per_pa or 1.0), "chapter Sensitivity"),
        ]
    lines += [
        ("response of the sensor", found.response_db, "chapter Response correction"),
        (f"reference of levels, {pascal(reference)}", -20.0 * math.log10(reference), "reference_pressure_pa"),
    ]
    if level.weighting != "Z":
        lines.append((f"weighting {level.weighting}", found.weighting_db, "IEC 61672-1, line by line"))
    rows: list[dict[str, object]] = []
    sum_db = 0.0
    for factor, db, source in lines:
        sum_db += db or 0.0
        rows.append({"factor": factor, "db": db, "sum_db": sum_db, "source": source})
    rows.append({"factor": "= total level (level_db)", "db": None, "sum_db": row["level_db"], "source": ""})
    rows += _after_total(row)
    return Chapter("factors", "Factors", (Listing("factors", "", FACTOR_HEADINGS, tuple(rows)),))


def _after_total(row: Mapping[str, Any]) -> list[dict[str, object]]:
    """From the total level to the corrected and the nominal one; a bound ends there."""
    total, corrected = row["level_db"] or 0.0, row["corrected_level_db"]
    if corrected is None:
        bound: dict[str, object] = {
            "factor": "= upper bound (upper_bound_db)",
            "db": None,
            "sum_db": row["upper_bound_db"],
        }
        return [bound | {"source": "chapter Background: no level can be stated"}]
    rows: list[dict[str, object]] = [
        {"factor": "background", "db": corrected - total, "sum_db": corrected, "source": "chapter Background"},
        {"factor": "= corrected level (corrected_level_db)", "db": None, "sum_db": corrected, "source": ""},
    ]
    if row["nominal_level_db"] is not None:
        nominal: dict[str, object] = {"factor": "nominal speed and air", "db": row["nominal_correction_db"]}
        rows += [
            nominal | {"sum_db": row["nominal_level_db"], "source": "chapter Speed and air"},
            {
                "factor": "= nominal level (nominal_level_db)",
                "db": None,
                "sum_db": row["nominal_level_db"],
                "source": "",
            },
        ]
    return rows


BAND_HEADINGS = (
    Heading("band_hz", "band", "Hz"),
    Heading("lower_hz", "from", "Hz", 7),
    Heading("upper_hz", "to", "Hz", 7),
    Heading("first_line", "first"),
    Heading("first_share", "share", digits=5),
    Heading("last_line", "last"),
    Heading("last_share", "share", digits=5),
    Heading("total_db", "total", "dB"),
    Heading("background_db", "background", "dB"),
    Heading("gain_change_pa2", "of it by gain", "Pa^2", 5),
    Heading("state", "state"),
    Heading("louder", "louder"),
    Heading("added_db", "adds", "dB"),
)


def bands_chapter(level: MeasuredLevel, row: Mapping[str, Any]) -> Chapter:
    """Which lines are summed with which share at the edges, and to what."""
    needs, spectra = level.job.needs, level.measured.run.spectra
    reference, result = needs.reference_pressure_pa, level.levels.result
    below, changes = level.levels.below, level.gain_change_pa2
    rows: list[dict[str, object]] = []
    for b in level.places:
        share = level.shares[b]
        rows.append(
            {
                "band_hz": level.bands.nominal_hz[b],
                "midband_hz": level.bands.midband_hz[b],
                "lower_hz": level.bands.lower_hz[b],
                "upper_hz": level.bands.upper_hz[b],
                "first_line": share.first,
                "first_share": share.share[0],
                "last_line": share.first + share.share.size - 1,
                "last_share": share.share[-1],
                "total_db": level_db(result.total[level.p, b], reference),
                "background_db": None if below is None else level_db(below.power[level.p, b], reference),
                "gain_change_pa2": None if level.b is not None or changes is None else changes[b],
                "state": STATES[int(result.state[level.p, b])],
                "louder": True if result.louder[level.p, b] else None,
                "added_db": level_db(level.added_pa2[b], reference) if level.b is None else None,
            }
        )
    lines = (
        "Line k lies at k x line spacing and covers half a spacing to either side; lines at the edges count by the "
        "share that lies in the band, those between wholly."
        if needs.bands.method == "lines"
        else "Lines are weighted by a Butterworth band filter of order 3 whose noise bandwidth is the band's own; the "
        "shares are its weights."
    )
    weighted = "" if level.weighting == "Z" else f" x {level.weighting} weight of the line (IEC 61672-1, E.4)"
    parts: list[Part] = [
        Fact("method", "method", needs.bands.method, source="bands.method"),
        Fact("fraction", "bands an octave", needs.bands.fraction, source="bands.fraction; edges IEC 61260-1, base ten"),
        Fact("step_hz", "line spacing", spectra.step_hz, "Hz"),
        Listing(
            "bands", "Bands, with the first and the last line in each and their shares", BAND_HEADINGS, tuple(rows)
        ),
        f"{lines} Mean square = sum of density x line spacing x share{weighted}.",
        Fact("total_pa2", "total mean square", row["level_pa2"], "Pa^2"),
        Fact("level_db", "total level", row["level_db"], "dB", f"re {pascal(reference)}"),
        Fact("level_lower_db", "its interval by the averages alone, from", row["level_lower_db"], "dB"),
        Fact("level_upper_db", "to", row["level_upper_db"], "dB", _averages_words(level)),
    ]
    if level.b is None:
        parts += [
            Fact("absent_bands_hz", "bands without a level", list(row.get("absent_bands_hz") or []), "Hz"),
            Fact("bound_share", "share that bounds may carry", row.get("bound_share"), "", "background.bound_share"),
            "A corrected band adds its total less its background; one that is a bound adds that difference too, at "
            "least 0 (a dash), or half of its bound where the background is louder than the run (louder).",
        ]
    return Chapter("bands", "Sum of lines" if level.b is not None else "Sum of lines and bands", tuple(parts))


def _averages_words(level: MeasuredLevel) -> str:
    total = level.levels.total if level.one is None else level.one.total
    b = 0 if level.b is None else level.b
    degrees = float(total.degrees_of_freedom[level.p, b])
    return f"chi-square with {degrees:.1f} degrees of freedom at {100.0 * level.job.needs.confidence:g} %"


def weighting_chapter(row: Mapping[str, Any]) -> Chapter:
    """What the weightings make of a band; its level is unweighted."""
    parts = (
        Fact("a_weighting_db", "A-weighted less unweighted", row["a_weighting_db"], "dB", "lines of the band"),
        Fact("c_weighting_db", "C-weighted less unweighted", row["c_weighting_db"], "dB", "lines of the band"),
        "Add one of these to the corrected level for the weighted level of the band.",
    )
    return Chapter("weighting", "Weighting", parts)
