"""Believable results of an invented campaign, written as tables: every state, finding and verdict occurs in them.

All numbers are synthetic: smooth spectra over a background, with scatter from a fixed seed.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import product
from pathlib import Path
from typing import Any

import numpy as np
from built_budgets import budget_rows
from built_comparisons import comparison_rows, ranking_rows
from built_repeatability import control_rows, repeat_test_rows, repeatability_rows
from built_scaling import collapse_rows, scaling_rows

from tapeline.acoustics.bands import bands_between
from tapeline.acoustics.levels import power_pa2
from tapeline.campaign.faults import Fault
from tapeline.campaign.model import Campaign
from tapeline.campaign.settings import Settings
from tapeline.campaign.tables import Fitting, Position, Run
from tapeline.store import parquet, tables
from tapeline.store.schema import Table

Row = dict[str, Any]
HOSTILE = "<script>alert(1)</script> & \x07 bell"
BANDS = bands_between(3, 100.0, 5000.0)
SPEEDS_MPS = (100 / 3.6, 140 / 3.6)
STAMP = {"campaign": "van-built", "digest": "0" * 64}
SETTINGS: Mapping[str, Any] = {
    "campaign": "van-built",
    "title": "Camper van <b>built</b> for tests, synthetic",
    "axes": "x rearward, y to the right, z up",
    "conditions": {
        "open": {"title": "Seam open", "applied": []},
        "sealed": {"title": "Seam taped at $5 & $6 a roll", "applied": ["front", "rear"]},
        "front": {"title": "Front half taped", "applied": ["front"]},
        "filled": {"title": "Never measured", "applied": ["filler"]},
    },
    "comparisons": {
        "whole-seam": {"reference": "open", "treatment": "sealed"},
        "front-part": {"reference": "open", "treatment": "front"},
        "filler": {"reference": "open", "treatment": "filled"},
    },
    "overall": [{"weighting": "Z", "range_hz": [100, 5000]}, {"weighting": "A", "range_hz": [100, 5000]}],
}
USED: Mapping[str, Any] = {"doubt": [], "usable": True, "comparable": True, "pooled": True}
AREAS = ("seam", "seam", "seam", "recess", "recess", "ladder", "panel", "panel", "panel")
REDUCTION_DB = {"open": 0.0, "sealed": 7.0, "front": 2.5}


@dataclass(frozen=True)
class Size:
    """How much is built."""

    positions: int = 9
    repeats: int = 3
    speeds_mps: tuple[float, ...] = SPEEDS_MPS


SMALL = Size(positions=2, speeds_mps=SPEEDS_MPS[:1])
"""A fifth of the work to draw, for a test that needs a page of its own."""


def built_campaign(size: Size | None = None, **changed: Any) -> Campaign:
    """The campaign that the built tables belong to; `changed` replaces settings."""
    built = size or Size()
    positions = {row["position"]: _position(row) for row in position_rows(built)}
    return Campaign(
        root=Path(),
        settings=Settings.model_validate({**SETTINGS, **changed}),
        runs={row["run"]: _campaign_run(row) for row in run_rows(built)},
        positions=positions,
        fittings=tuple(_fitting(session, name) for session in ("april", "may") for name in positions),
        sensors={},
        calibrators={},
        cavities={},
        overrides=(),
        left_out=(),
        charts={},
        warnings=(Fault("config/runs.csv", 3, "remark", "an odd word", "a plain one"),),
    )


def _campaign_run(row: Row) -> Run:
    """A row of the run table; the run that a superseded one was taken again as says so."""
    given = {field.name: row.get(field.name) for field in dataclasses.fields(Run)}
    changed = {"recordings": (f"{row['run']}.wav",), "speed_mps": row["set_speed_mps"], "line": 2}
    replaces = "a-old" if row["run"] == "a-open-01" else None
    return Run(**given | changed | {"background": None, "positions": (), "replaces": replaces})


def _fitting(session: str, position: str) -> Fitting:
    """A sensor on a mount that is new in each session."""
    channel = int(position.removeprefix("P"))
    return Fitting(session, channel, position, f"s{channel:02d}", None, 5.0, 20.0, 1, "V", None, None, 2)


def _position(row: Row) -> Position:
    names = ("position", "x_m", "y_m", "z_m", "area", "flow", "mirror", "line_order", "cavity")
    values: dict[str, Any] = {name: row.get(name) for name in names}
    return Position(**values, line_array=None, remark="", line=2)


def position_rows(size: Size) -> list[Row]:
    """Places along a roof edge; the last one has no coordinates."""
    rows = [
        {
            "position": f"P{index + 1:02d}",
            "x_m": 0.4 * index,
            "y_m": 0.8 * (-1) ** index,
            "z_m": 2.4 if index % 3 else 1.1,
            "area": AREAS[index % len(AREAS)],
        }
        for index in range(size.positions)
    ]
    rows[-1] |= {"x_m": None, "y_m": None, "z_m": None, "area": None}
    return rows


def run_rows(size: Size) -> list[Row]:
    """Measurements and backgrounds of both sessions; one run each is superseded, left out and unusable."""
    rows: list[Row] = []
    for session, conditions in (("april", ("open", "sealed", "front")), ("may", ("open", "sealed"))):
        for place, speed in enumerate(size.speeds_mps):
            background = f"{session[0]}-b{place}"
            with_background = not (session == "may" and place == 1)
            if with_background:
                rows.append(_run(background, session, "background", None, speed))
            for condition in conditions:
                repeats = 1 if condition == "front" and place == 1 else size.repeats
                for repeat in range(repeats):
                    name = f"{session[0]}-{condition}-{place}{repeat + 1}"
                    row = _run(name, session, "measurement", condition, speed)
                    rows.append(row | {"background_runs": [background] if with_background else []})
    first, second, third = (row for row in rows if row["run"] in ("a-open-01", "a-open-02", "a-open-03"))
    rows.append(first | {"run": "a-old", "status": "superseded", "replaced_by": "a-open-01", "remark": "wind gust"})
    rows.append(second | {"run": "a-door", "status": "left out", "use": False, "remark": HOSTILE})
    rows.append(third | {"run": "a-cut", "status": "unusable"})
    return rows


def _run(name: str, session: str, kind: str, condition: str | None, speed: float) -> Row:
    day = "04-14" if session == "april" else "05-19"
    return {
        "run": name,
        "session": session,
        "kind": kind,
        "status": "used",
        "condition": condition,
        "set_speed_mps": speed,
        "speed_mps": speed,
        "set_yaw_deg": 0.0,
        "yaw_deg": 0.0,
        "measured_speed_mps": speed * 1.002,
        "dynamic_pressure_pa": 0.6 * speed**2,
        "temperature_c": 20.0,
        "air_density_kgm3": 1.19 if session == "april" else 1.17,
        "air_assumed": ["humidity_pct"] if session == "may" else [],
        "recorded_at": f"2026-{day}T09:00:00",
        "use": True,
        "remark": "",
        "duration_s": 20.0,
        "background_runs": [],
    }


def used_measurements(size: Size) -> Iterator[Row]:
    """The runs that levels are built for."""
    return (row for row in run_rows(size) if row["kind"] == "measurement" and row["status"] == "used")


def band_rows(size: Size) -> dict[str, list[Row]]:
    """Band levels by session: margins run from far above the background to below it along the positions."""
    made: dict[str, list[Row]] = {"april": [], "may": []}
    scatter = np.random.default_rng(20)
    for run in used_measurements(size):
        for index, place in enumerate(position_rows(size)):
            true = _true_level(run, index) + scatter.normal(0.0, 0.12, len(BANDS))
            background = np.full(len(BANDS), 62.0) - 3.0 * np.log2(BANDS.midband_hz / 1000.0)
            for band in range(len(BANDS)):
                state = _state(true[band] - background[band], bool(run["background_runs"]))
                made[run["session"]].append(_band(run, place, band, true[band], background[band], state))
    return made


def _true_level(run: Row, index: int) -> np.ndarray[Any, np.dtype[np.float64]]:
    octaves = np.log2(BANDS.midband_hz / 1000.0)
    level = 88.0 - 3.0 * octaves - 3.5 * (index % 9) + 60.0 * np.log10(run["speed_mps"] / SPEEDS_MPS[0])
    treated = index % 9 < 6
    peak = np.exp(-0.5 * ((octaves - 0.3) / 0.9) ** 2)
    raised = -2.0 * peak if run["condition"] == "front" and index == 6 else 0.02
    return np.asarray(level - (REDUCTION_DB[run["condition"]] * peak if treated else raised))


def _state(margin_db: float, has_background: bool) -> str:
    if not has_background:
        return "none"
    limits = ((15.0, "clear"), (6.0, "corrected"), (3.0, "limited"))
    return next((name for limit, name in limits if margin_db >= limit), "bound")


def _band(run: Row, place: Row, band: int, level: float, background: float, state: str) -> Row:
    bound = state == "bound"
    return {
        "run": run["run"],
        "position": place["position"],
        "band_hz": float(BANDS.nominal_hz[band]),
        "midband_hz": float(BANDS.midband_hz[band]),
        "nominal_hz": float(BANDS.nominal_hz[band]),
        "lower_hz": float(BANDS.lower_hz[band]),
        "upper_hz": float(BANDS.upper_hz[band]),
        "level_db": level,
        "background_level_db": None if state == "none" else background,
        "corrected_level_db": None if bound else level,
        "upper_bound_db": max(level, background - 2.0) if bound else None,
        "state": state,
        "quality": "good",
        "calibration": "good",
        **USED,
    }


def overall_rows(bands: Mapping[str, Sequence[Row]]) -> dict[str, list[Row]]:
    """Overall levels by session, both weightings alike: the sum of the bands, a bound where any band is one."""
    made: dict[str, list[Row]] = {}
    for session, rows in bands.items():
        groups: dict[tuple[str, str], list[Row]] = {}
        for row in rows:
            groups.setdefault((row["run"], row["position"]), []).append(row)
        made[session] = [
            _overall(run, position, weighting, group)
            for (run, position), group in groups.items()
            for weighting in ("A", "Z")
        ]
    return made


def _overall(run: str, position: str, weighting: str, group: Sequence[Row]) -> Row:
    levels = [row["level_db"] for row in group]
    total = float(10.0 * np.log10(np.sum(10.0 ** (np.array(levels) / 10.0))))
    bound = sum(row["state"] == "bound" for row in group) > len(group) / 2
    return {
        "run": run,
        "position": position,
        "weighting": weighting,
        "lowest_band_hz": 100.0,
        "highest_band_hz": 5000.0,
        "lower_hz": 89.1,
        "upper_hz": 5623.4,
        "level_db": total,
        "corrected_level_db": None if bound else total,
        "upper_bound_db": total if bound else None,
        "state": "bound" if bound else group[0]["state"],
        "quality": "good",
        **USED,
    }


def quality_rows(size: Size) -> list[Row]:
    """A cut recording, an overloaded channel, one with a dropout; everything else is good."""
    rows = []
    runs = [row for row in run_rows(size) if row["status"] in ("used", "unusable")]
    for run, place in product(runs, position_rows(size)):
        name, position = run["run"], place["position"]
        reasons, sentences, verdict = [], [], "good"
        if name == "a-cut":
            reasons, sentences, verdict = ["recording-cut"], [f"run {name}: 12.0 s are missing"], "unusable"
        elif position == "P03" and name in ("a-open-11", "a-open-12"):
            reasons, sentences = ["overload"], [f"position {position} overloaded in {name} {HOSTILE}"]
            verdict = "unusable"
        elif position == "P01" and name == "m-open-01":
            reasons, verdict = ["overruled"], "doubtful"
            sentences = [f"position {position}: good was found, doubtful set by A. Nyone: tape lifted {HOSTILE}"]
        elif position == "P05" and name == "m-open-01":
            reasons, sentences, verdict = ["dropout"], [f"position {position} stood still for 8.0 ms"], "doubtful"
        rows.append({"run": name, "session": run["session"], "position": position, "verdict": verdict,
                     "reasons": reasons, "sentences": sentences})  # fmt: skip
    return rows


def calibration_rows(size: Size) -> list[Row]:
    """Drift at P02 and deviation at P04 in may; no check after at P06; no chart at P07."""
    rows = []
    for session, (index, place) in product(("april", "may"), enumerate(position_rows(size))):
        chart = 0.004 * (1 + 0.01 * index)
        row: Row = {
            "session": session,
            "position": place["position"],
            "sensor": f"s{index + 1:02d}",
            "channel": index + 1,
            "chart_v_per_pa": chart,
            "before_v_per_pa": chart * 1.01,
            "after_v_per_pa": chart * 1.012,
            "sensitivity_v_per_pa": chart * 1.011,
            "source": "mean",
            "deviation_db": 0.095,
            "drift_db": 0.017,
            "standard_uncertainty_db": 0.12,
            "why": "level mean of the checks before and after, as the policy asks",
            "terms": ["calibrator", "adapter", "sine fit", "drift"],
            "terms_db": [0.1, 0.05, 0.001 * (index + 1), 0.02],
            "terms_evidence": ["certificate", "default", "measured", "measured"],
            "serial": f"s-{index + 1}",
            "verdict": "good",
            "reasons": [],
            "sentences": [],
        }
        if session == "may":
            row |= CALIBRATION_FAULTS.get(place["position"], {})
        rows.append(row)
    return rows


CALIBRATION_FAULTS: Mapping[str, Row] = {
    "P02": {"drift_db": -0.7213, "after_v_per_pa": 0.0037, "verdict": "doubtful", "reasons": ["drift"],
            "sentences": ["position P02: drift of the sensitivity: -0.72 dB after against before (limit 0.5 dB)"]},
    "P04": {"deviation_db": 1.3456, "verdict": "doubtful", "reasons": ["deviation"],
            "sentences": [f"position P04: deviation of the checks from the chart: +1.35 dB {HOSTILE}"]},
    "P06": {"after_v_per_pa": None, "drift_db": None, "source": "before", "verdict": "doubtful",
            "why": "check before the runs: there is no usable check after; refused after: no-tone",
            "reasons": ["no-tone", "no-check-after"],
            "sentences": ["position P06: no steady tone near 250 Hz", "position P06: no usable check after the runs"]},
    "P07": {"chart_v_per_pa": None, "deviation_db": None, "verdict": "doubtful",
            "reasons": ["no-chart", "chart-old"],
            "sentences": ["position P07: no sensitivity is stated", "position P07: calibrated 900 days before"]},
}  # fmt: skip


def check_rows(size: Size) -> list[Row]:
    """One check before and after each session; the tone of P06 after may is missing."""
    rows = []
    numbered = list(enumerate(position_rows(size)))
    for session, stage, (index, place) in product(("april", "may"), ("before", "after"), numbered):
        found = not (session == "may" and stage == "after" and place["position"] == "P06")
        rows.append(
            {
                "run": f"{session[0]}-cal-{stage}",
                "session": session,
                "stage": stage,
                "position": place["position"],
                "calibrator": "coupler-250",
                "found": found,
                "reasons": [] if found else ["no-tone"],
                "sentences": [] if found else [f"position {place['position']}: no steady tone near 250 Hz"],
                "application_starts_s": [4.0 * index + 1.0] if found else [],
                "application_stops_s": [4.0 * index + 3.6] if found else [],
                "start_s": 4.0 * index + 1.2 if found else None,
                "stop_s": 4.0 * index + 3.4 if found else None,
                "duration_s": 40.0,
                "turn": index + 1 if found else None,
                "turn_stated": index + 1,
                "tone_frequency_hz": 250.1 if found else None,
                "level_db": 123.87 if found else None,
            }
        )
    return rows


def narrowband_rows(bands: Iterable[Row]) -> list[Row]:
    """A spectrum for every run and position: sloping, with a synthetic tone at 1950 Hz at P04."""
    frequency = 20.0 + 20.0 * np.arange(250)
    rows = []
    for run, position in sorted({(row["run"], row["position"]) for row in bands}):
        density = power_pa2(70.0 - 10.0 * np.log10(frequency / 100.0))
        if position == "P04":
            density[np.argmin(np.abs(frequency - 1950.0))] *= 300.0
        background = None if run.startswith("m-") and run.split("-")[2].startswith("1") else list(density / 40.0)
        rows.append({"run": run, "position": position, "first_hz": 20.0, "step_hz": 20.0,
                     "psd_pa2_per_hz": list(density), "background_psd_pa2_per_hz": background})  # fmt: skip
    return rows


def history_rows(bands: Iterable[Row]) -> list[Row]:
    """Two seconds of level in both weightings."""
    return [
        {"run": run, "position": position, "weighting": weighting, "time_s": 0.125 * step, "level_db": 95.0 + step % 3}
        for run, position in sorted({(row["run"], row["position"]) for row in bands})
        for weighting in ("A", "Z")
        for step in range(16)
    ]


def write_results(results: Path, size: Size | None = None) -> None:
    """Write all tables below `results`."""
    built = size or Size()
    bands = band_rows(built)
    overall = overall_rows(bands)
    runs = {row["run"]: row for row in run_rows(built)}
    compared = comparison_rows(SETTINGS["comparisons"], runs, bands, overall)
    folder = results / "tables"
    places = [row["position"] for row in position_rows(built)]
    small: dict[Table, list[Row]] = {
        tables.RUNS: list(runs.values()),
        tables.POSITIONS: position_rows(built),
        tables.CHECKS: check_rows(built),
        tables.CALIBRATION: calibration_rows(built),
        tables.QUALITY: quality_rows(built),
        tables.COMPARISONS: compared,
        tables.RANKING: ranking_rows(compared),
        tables.BUDGETS: budget_rows(runs, bands, overall),
        tables.SCALING: scaling_rows(places, runs, bands["april"], overall["april"]),
        tables.COLLAPSE: collapse_rows(places, runs, bands["april"]),
        tables.REPEATABILITY: repeatability_rows(runs, bands, overall),
        tables.CONTROL_VALUES: control_rows(runs, overall),
        tables.REPEAT_TESTS: repeat_test_rows(runs, [row["position"] for row in position_rows(built)]),
    }
    for table, rows in small.items():
        parquet.write_rows(table, folder / f"{table.name}.parquet", rows, **STAMP)
    for session, rows in bands.items():
        parts = {
            tables.BANDS: rows,
            tables.OVERALL: overall[session],
            tables.NARROWBAND: narrowband_rows(rows),
            tables.HISTORY: history_rows(rows),
        }
        for table, content in parts.items():
            parquet.write_rows(table, folder / table.name / f"session={session}" / "part-0.parquet", content, **STAMP)


def write_empty(results: Path) -> None:
    """Write all tables without a row."""
    folder = results / "tables"
    for table in tables.ALL:
        if table.name == "spectra":
            continue
        path = f"{table.name}/session=april/part-0.parquet" if table.partition else f"{table.name}.parquet"
        parquet.write_rows(table, folder / path, [], **STAMP)
