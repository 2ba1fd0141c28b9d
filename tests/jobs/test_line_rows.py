"""A line of sensors from recording to table: time signals of a Corcos field go through the jobs as real ones do."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from tapeline.campaign.load import load_campaign
from tapeline.campaign.plan import Plan
from tapeline.jobs import JOBS
from tapeline.jobs.table_files import session_table

RATE_HZ, FRAMES, SPEED_MPS, UC_MPS = 12_800, 2**17, 36.0, 27.0
SENSORS = ("s1", "s2", "s3", "s4")
SPACING_M = 0.012


def recording(seed: int, order: Sequence[int]) -> np.ndarray:
    """White pressure carried along four sensors, coherence exp(-0.11 omega x / Uc); on channels in the given order."""
    draw = np.random.default_rng(seed)
    omega = 2.0 * np.pi * np.fft.rfftfreq(FRAMES, 1.0 / RATE_HZ)
    kept = np.exp(-0.11 * omega * SPACING_M / UC_MPS)
    lines = [draw.normal(size=omega.size) + 1j * draw.normal(size=omega.size)]
    for _ in SENSORS[1:]:
        new = draw.normal(size=omega.size) + 1j * draw.normal(size=omega.size)
        lines.append(np.exp(-1j * omega * SPACING_M / UC_MPS) * kept * lines[-1] + np.sqrt(1.0 - kept**2) * new)
    signals = np.array([np.fft.irfft(each, FRAMES) for each in lines])
    return np.ascontiguousarray((signals / signals.std())[list(order)].T, dtype=np.float32)


def made(
    folder: Path, order: Sequence[int] = (0, 1, 2, 3), places: Sequence[str] = ("0", "0.012", "0.024", "0.036")
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """The tables of lines and of bands, of a measurement run and a background run with the same signals."""
    config = folder / "config"
    config.mkdir(parents=True)
    (folder / "recordings").mkdir()
    for run in ("u1", "b1"):
        np.save(folder / "recordings" / f"{run}.npy", recording(len(run), order))
    files = {
        "campaign.yaml": "campaign: line\nconditions: {open: {}}\nspectra: {resolution_hz: 8}\n"
        f"raw_formats: {{np: {{sample_type: float32, channels: 4, sample_rate_hz: {RATE_HZ}}}}}\n"
        "bands: {range_hz: [200, 4000]}\noverall: [{range_hz: [200, 4000]}]\nlines: {phase_mismatch_deg: 0.2}\n",
        "runs.csv": "run,recording,format,kind,session,condition,speed_mps,measured_speed_mps,background\n"
        f"u1,u1.npy,np,measurement,one,open,{SPEED_MPS},{SPEED_MPS},none\n"
        f"b1,b1.npy,np,background,one,,{SPEED_MPS},{SPEED_MPS},\n",
        "positions.csv": "position,x_m,y_m,z_m,flow,line,line_order\n"
        + "".join(f"{s},{x},0,0,attached,strip,{i}\n" for i, (s, x) in enumerate(zip(SENSORS, places, strict=True))),
        "fittings.csv": "session,channel,position,unit,sensor\n"
        + "".join(
            f"one,{i},{name},Pa,round\n" if i == 1 else f"one,{i},{name},Pa,\n" for i, name in enumerate(SENSORS, 1)
        ),
        "sensors.csv": "sensor,sensitivity_mv_per_pa,diameter_mm\nround,4,2\n",
        "calibrators.csv": "calibrator,kind,level_db,frequency_hz\n",
    }
    for name, text in files.items():
        (config / name).write_text(text, encoding="utf-8")
    plan = Plan(load_campaign(folder, check=False))
    for job in ("calibrate", "sensitivity", "spectra", "verdicts", "tables"):
        for key in JOBS[job].keys(plan):
            JOBS[job].run(plan, key)
    lines, bands = (pd.read_parquet(session_table(plan.campaign.results, name, "one")) for name in ("lines", "bands"))
    return lines.set_index("band_hz"), bands[(bands.run == "u1") & (bands.position == "s1")].set_index("band_hz")


def test_speed_and_decay_come_back_and_the_size_correction_takes_the_measured_speed(tmp_path: Path) -> None:
    lines, bands = made(tmp_path)
    assert set(lines.run) == {"u1"}, "no flow is known to pass over the sensors in a background run"
    upper = lines.loc[1000.0:]
    assert upper.convection_speed_mps.to_numpy() == pytest.approx(UC_MPS, rel=0.02)
    assert upper.convection_share.to_numpy() == pytest.approx(UC_MPS / SPEED_MPS, rel=0.02)
    assert np.average(upper.decay, weights=(upper.decay_upper - upper.decay_lower) ** -2) == pytest.approx(
        0.11, rel=0.1
    )
    assert not lines.against_order.any() and not upper.marks.map(len).any()
    assert lines.marks[200.0].tolist() == ["unresolved"], "a wave of 135 mm on a line of 36 mm"
    assert upper.aliased_above_hz.to_numpy() == pytest.approx(UC_MPS / (2.0 * SPACING_M), rel=0.02)
    assert bands.convection_speed_mps.to_numpy() == pytest.approx(UC_MPS, rel=0.02), "and not 0.7 of 36 m/s"
    assert (bands.size_correction_db > 0.0).all()


@pytest.mark.parametrize(
    ("order", "against", "mark"),
    [((3, 2, 1, 0), 3, []), ((0, 2, 1, 3), 1, ["order-contradicted"])],
    ids=["reversed", "interchanged"],
)
def test_a_wrong_order_is_named_and_only_a_reversed_line_has_values(
    tmp_path: Path, order: tuple[int, ...], against: int, mark: list[str]
) -> None:
    lines, bands = made(tmp_path, order)
    row = lines.loc[2000.0]
    assert row.against_order and len(row.against_positions) == against
    assert row.marks.tolist() == mark
    if mark:
        assert row.against_positions.tolist() == ["s2 to s3"]
        assert lines.convection_speed_mps.isna().all() and lines.decay.isna().all()
        assert bands.convection_speed_mps.to_numpy() == pytest.approx(0.7 * SPEED_MPS), "what is wrong is not taken"
    else:
        assert row.convection_speed_mps == pytest.approx(UC_MPS, rel=0.02)


@pytest.mark.parametrize(
    ("places", "mark"),
    [(("0", "", "0.024", "0.036"), "no-coordinates"), (("0", "0.024", "0.012", "0.036"), "order-unlike-coordinates")],
)
def test_places_that_do_not_fit_give_a_reason_and_no_values(tmp_path: Path, places: tuple[str, ...], mark: str) -> None:
    lines, _ = made(tmp_path, places=places)
    assert len(lines) > 0 and all(marks.tolist() == [mark] for marks in lines.marks)
    assert lines.convection_speed_mps.isna().all()
