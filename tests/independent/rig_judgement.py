"""The tables of a finished rig campaign held against the truth: one row a value, with its error and its spread."""

from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from rig_campaign import CONDITIONS, POINTS, RigTruth, background_density, source_density
from rig_signals import Density, band_edges_hz, band_midbands_hz, band_power_pa2

ENOUGH_DB, LEAST_DB, NO_CORRECTION_DB = 6.0, 3.0, 15.0  # the settings' defaults, campaign-format
LIMITS_DB = (LEAST_DB, ENOUGH_DB, NO_CORRECTION_DB)
DB_PER_PART = 10.0 / np.log(10.0)
ENDS = 1.05  # a Hann-averaged record uses its ends less: its spread is a little above 1/sqrt(BT)


def decibels(power_pa2: ArrayLike) -> NDArray[np.float64]:
    return np.asarray(10.0 * np.log10(np.asarray(power_pa2) / 4e-10))


def table(folder: Path, name: str) -> pd.DataFrame:
    return pd.read_parquet(folder / "results" / "tables" / f"{name}.parquet")


def session_tables(folder: Path, name: str) -> pd.DataFrame:
    """All sessions' parts of one table."""
    parts = sorted((folder / "results" / "tables" / name).glob("session=*/part-0.parquet"))
    frames = [pd.read_parquet(part).assign(session=part.parent.name.removeprefix("session=")) for part in parts]
    return pd.concat(frames, ignore_index=True)


def state_of_margin(margin_db: float) -> str:
    if margin_db >= NO_CORRECTION_DB:
        return "clear"
    if margin_db >= ENOUGH_DB:
        return "corrected"
    return "limited" if margin_db >= LEAST_DB else "bound"


def band_keys(midband_hz: ArrayLike) -> NDArray[np.int64]:
    return np.asarray(np.round(10.0 * np.log10(np.asarray(midband_hz))), dtype=np.int64)


def true_bands(truth: RigTruth) -> pd.DataFrame:
    """One row a run, position and band: what source, background and their sum truly are (Pa^2), and B times T."""
    lower, upper = band_edges_hz()
    parts = []
    for run in truth.runs.values():
        backgrounds = 2 if run.run.startswith("sp-a") else 1
        for position, source in run.source_pa2.items():
            part = pd.DataFrame({"key": band_keys(band_midbands_hz()), "bt": (upper - lower) * run.duration_s})
            part["true_source_pa2"], part["true_background_pa2"] = source, run.background_pa2[position]
            known: dict[str, object] = {
                "run": run.run,
                "position": position,
                "kind": run.kind,
                "condition": run.condition,
            }
            known |= {"point": run.point, "subtracted": run.subtracted, "backgrounds": backgrounds}
            parts.append(part.assign(**known))
    found = pd.concat(parts, ignore_index=True)
    found["true_total_pa2"] = found.true_source_pa2 + found.true_background_pa2
    return found


def judged_bands(truth: RigTruth) -> pd.DataFrame:
    """The bands table with truth and errors, but for the bands that have no level.

    `error` is the total's ratio to its truth less one, `corrected_error` likewise after subtraction against the source
    alone; `*_spread` are the standard deviations that Gaussian noise gives them, 1/sqrt(BT) and its propagation;
    `margin_spread_db` is the measured margin's.
    """
    bands = session_tables(truth.folder, "bands")
    bands = bands[bands.level_pa2.notna()].copy()
    bands["key"] = band_keys(bands.midband_hz)
    found = bands.merge(true_bands(truth), on=["run", "position", "key"], how="left", validate="one_to_one")
    total, background, source = found.true_total_pa2, found.true_background_pa2, found.true_source_pa2
    one = ENDS / np.sqrt(found.bt)
    found["error"], found["spread"] = found.level_pa2 / total - 1.0, one
    with np.errstate(divide="ignore", invalid="ignore"):
        found["corrected_error"] = found.corrected_pa2 / source - 1.0
        found["source_error_db"] = found.corrected_level_db - decibels(source)
        found["background_part"] = background / source * one / np.sqrt(found.backgrounds)
        found["corrected_spread"] = np.hypot(total / source * one, found.background_part)
    found["true_margin_db"] = 10.0 * np.log10(total / background)
    found["margin_spread_db"] = DB_PER_PART * one * np.sqrt(1.0 + 1.0 / found.backgrounds)
    distances = np.abs(np.subtract.outer(found.true_margin_db.to_numpy(), LIMITS_DB)).min(axis=1)
    found["from_limit"] = distances / found.margin_spread_db
    found["true_state"] = found.true_margin_db.map(state_of_margin)
    found["measured"] = found.kind.eq("measurement") & found.subtracted.astype(bool)
    return found


def mean_and_error(values: pd.DataFrame, error: str, own: str, shared: str | None = None) -> tuple[float, float]:
    """Mean of a column and its standard error; runs with the same background share the `shared` part of theirs."""
    count = len(values)
    if shared is None:
        return float(values[error].mean()), float(np.sqrt((values[own] ** 2).sum()) / count)
    alone = values[own] ** 2 - values[shared] ** 2
    owner = values.background_runs.map(" ".join)
    together = values.groupby([owner, values.position, values.key])[shared].sum() ** 2
    return float(values[error].mean()), float(np.sqrt(alone.sum() + together.sum()) / count)


def with_backgrounds(truth: RigTruth, bands: pd.DataFrame) -> pd.DataFrame:
    """The runs table's list of subtracted runs beside each band."""
    return bands.merge(table(truth.folder, "runs")[["run", "background_runs"]], on="run", how="left")


def point_name(speed_mps: float, yaw_deg: float) -> str:
    return next(
        name for name, (speeds, yaw, _) in POINTS.items() if abs(speed_mps / speeds[0] - 1.0) < 0.02 and yaw_deg == yaw
    )


def heard(truth: RigTruth, session: str, position: str, source: Density) -> Density:
    """What a sensor hears of a source, as it is mounted in a session."""
    mounted = truth.mounts.get((session, position))
    return source if mounted is None else lambda f: source(f) * 10.0 ** (mounted(f) / 10.0)


def judged_comparisons(truth: RigTruth) -> pd.DataFrame:
    """Band comparisons with the true difference, of the totals where nothing was to be subtracted (point C, pascal).

    The true gap is what the sensors of the reference's session hear of it, their mounts included.
    """
    found = table(truth.folder, "comparisons")
    found = found[found.quantity == "band"].copy()
    found["key"] = band_keys(found.midband_hz)
    found["point"] = [point_name(s, y) for s, y in zip(found.speed_mps, found.yaw_deg, strict=True)]
    found["subtracted"] = ~(found.reference_session.eq("pascal") | found.point.eq("C"))
    parts = []
    for treatment in CONDITIONS[1:]:
        for (session, position, point, subtracted), _ in found.groupby(
            ["reference_session", "position", "point", "subtracted"]
        ):
            sources = [source_density(condition, str(position), str(point)) for condition in ("open", treatment)]
            reference, treated = (
                band_power_pa2(source)
                + (0.0 if subtracted else band_power_pa2(background_density(str(position), str(point))))
                for source in sources
            )
            part = pd.DataFrame({"key": band_keys(band_midbands_hz())})
            part["true_difference_db"] = decibels(treated) - decibels(reference)
            part["true_gap_pa2"] = np.subtract(*(band_power_pa2(heard(truth, session, position, s)) for s in sources))
            parts.append(
                part.assign(
                    treatment=treatment,
                    reference_session=session,
                    position=position,
                    point=point,
                    subtracted=subtracted,
                )
            )
    keys = ["treatment", "reference_session", "position", "point", "subtracted", "key"]
    found = found.merge(pd.concat(parts, ignore_index=True), on=keys, how="left", validate="many_to_one")
    found["null"] = found.true_difference_db.abs() < 1e-9
    found["covered"] = found.true_difference_db.between(found.lower_db, found.upper_db)
    found["z"] = (found.difference_db - found.true_difference_db) / found.standard_error_db
    return found
