"""The tables of a finished rig campaign held against the truth: one row a value, with its error."""

from pathlib import Path

import numpy as np
import pandas as pd
from rig_campaign import POINTS, POSITIONS, RigTruth, background_density, source_density
from rig_signals import band_midbands_hz, band_power_pa2

ENOUGH_DB, LEAST_DB, NO_CORRECTION_DB = 6.0, 3.0, 15.0  # the settings' defaults, campaign-format.md


def decibels(power: np.ndarray) -> np.ndarray:
    return np.asarray(10.0 * np.log10(power / 4e-10))


def session_tables(folder: Path, table: str) -> pd.DataFrame:
    """All sessions' parts of one table."""
    parts = sorted((folder / "results" / "tables" / table).glob("session=*/part-0.parquet"))
    frames = [pd.read_parquet(part).assign(session=part.parent.name.removeprefix("session=")) for part in parts]
    return pd.concat(frames, ignore_index=True)


def table(folder: Path, name: str) -> pd.DataFrame:
    return pd.read_parquet(folder / "results" / "tables" / f"{name}.parquet")


def state_of_margin(margin_db: float) -> str:
    if margin_db > NO_CORRECTION_DB:
        return "clear"
    if margin_db >= ENOUGH_DB:
        return "corrected"
    return "limited" if margin_db >= LEAST_DB else "bound"


def nearest_limit_db(margin_db: float) -> float:
    return min(abs(margin_db - limit) for limit in (ENOUGH_DB, LEAST_DB, NO_CORRECTION_DB))


def true_bands(truth: RigTruth) -> pd.DataFrame:
    """One row a run, position and band: what the source, the background and their sum truly are, in Pa^2."""
    rows = []
    midbands = band_midbands_hz()
    for run in truth.runs.values():
        for position, source in run.source_pa2.items():
            for band, midband in enumerate(midbands):
                rows.append(
                    {
                        "run": run.run,
                        "position": position,
                        "band": band,
                        "key": round(10 * np.log10(midband)),
                        "kind": run.kind,
                        "condition": run.condition,
                        "point": run.point,
                        "subtracted": run.subtracted,
                        "used": run.used,
                        "true_source_pa2": source[band],
                        "true_background_pa2": run.background_pa2[position][band],
                    }
                )
    found = pd.DataFrame(rows)
    found["true_total_pa2"] = found.true_source_pa2 + found.true_background_pa2
    return found


def judged_bands(truth: RigTruth) -> pd.DataFrame:
    """The bands table with truth and errors: `error` is the total's ratio less one, `corrected_error` likewise for
    the level after subtraction, against the source alone."""
    bands = session_tables(truth.folder, "bands")
    bands["key"] = np.round(10 * np.log10(bands.midband_hz)).astype(int)
    found = bands.merge(true_bands(truth), on=["run", "position", "key"], how="left", validate="one_to_one")
    found["error"] = found.level_pa2 / found.true_total_pa2 - 1.0
    with np.errstate(divide="ignore", invalid="ignore"):
        found["corrected_error"] = found.corrected_pa2 / found.true_source_pa2 - 1.0
        found["source_error_db"] = found.corrected_level_db - decibels(found.true_source_pa2.to_numpy())
        found["total_error_db"] = found.level_db - decibels(found.true_total_pa2.to_numpy())
        found["true_margin_db"] = 10.0 * np.log10(found.true_total_pa2 / found.true_background_pa2)
    return found


def judged_comparisons(truth: RigTruth) -> pd.DataFrame:
    """Band comparisons with the true difference. Where nothing was to be subtracted (state `none`, point C and the
    pascal session) the true difference is that of the totals."""
    found = table(truth.folder, "comparisons")
    found = found[found.quantity == "band"].copy()
    found["key"] = np.round(10 * np.log10(found.midband_hz)).astype(int)
    keys = np.round(10 * np.log10(band_midbands_hz())).astype(int)
    points = {(np.mean(speeds), yaw): name for name, (speeds, yaw, _) in POINTS.items()}

    def point(row: pd.Series) -> str:
        near = [
            name
            for (speed, yaw), name in points.items()
            if abs(row.speed_mps / speed - 1) < 0.02 and row.yaw_deg == yaw
        ]
        return near[0]

    found["point"] = found.apply(point, axis=1)
    rows = []
    for (treatment, position, name, subtracted), _ in found.assign(
        subtracted=~(found.reference_session.eq("pascal") | found.point.eq("C"))
    ).groupby(["treatment", "position", "point", "subtracted"]):
        extra = 0.0
        powers = []
        for condition in ("open", treatment):
            power = band_power_pa2(source_density(condition, position, name))
            if not subtracted:
                power = power + band_power_pa2(background_density(position, name, extra))
            powers.append(power)
        for band, key in enumerate(keys):
            rows.append(
                {
                    "treatment": treatment,
                    "position": position,
                    "point": name,
                    "subtracted": subtracted,
                    "key": key,
                    "true_reference_db": float(decibels(powers[0][band])),
                    "true_treatment_db": float(decibels(powers[1][band])),
                    "true_gap_pa2": powers[0][band] - powers[1][band],
                    "true_reference_pa2": powers[0][band],
                }
            )
    found["subtracted"] = ~(found.reference_session.eq("pascal") | found.point.eq("C"))
    found = found.merge(
        pd.DataFrame(rows),
        on=["treatment", "position", "point", "subtracted", "key"],
        how="left",
        validate="many_to_one",
    )
    found["true_difference_db"] = found.true_treatment_db - found.true_reference_db
    found["null"] = found.true_difference_db.abs() < 1e-9
    found["covered"] = (found.lower_db <= found.true_difference_db) & (found.true_difference_db <= found.upper_db)
    return found


assert len(POSITIONS) == 6
