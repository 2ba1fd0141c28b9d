"""Repeats the invented rig with many seeds and says in Markdown how well the numbers and their uncertainties hold.

    python benchmarks/validate_rig.py --seeds 8

Each seed is another noise, another scatter between runs, another error of each calibrator (0.15 dB standard deviation,
as its table says) and another effect of each session's mounts, large where a sensor
was taken out. The pipeline runs as a user runs it. Exit status 1 where a figure misses its limit.
"""

import argparse
import os
import subprocess
import sys
import tempfile
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tests" / "independent"))

from rig_campaign import RigTruth, write_rig
from rig_faults import FaultTruth, write_faulty_rig
from rig_judgement import DB_PER_PART, decibels, judged_bands, judged_comparisons, table, with_backgrounds

CALIBRATOR_SD_DB = 0.15
MOUNT_SD_DB = dict.fromkeys(("spring", "summer", "autumn", "pascal"), (0.5, 1.0))  # mount left in place, new mount
CALIBRATOR_OF = {"spring": "coupler-250", "autumn": "coupler-250", "summer": "speaker-1k"}


@dataclass
class Findings:
    """All seeds' tables with truth, and the lines of the section."""

    bands: list[pd.DataFrame] = field(default_factory=list)
    comparisons: list[pd.DataFrame] = field(default_factory=list)
    calibration: list[pd.DataFrame] = field(default_factory=list)
    missed: list[str] = field(default_factory=list)

    def judged(self, what: str, value: float, low: float, high: float, unit: str = "") -> str:
        fits = low <= value <= high
        if not fits:
            self.missed.append(what)
        bounds = f"{low:g} to {high:g}" if np.isfinite(low) else f"at most {high:g}"
        return f"| {what} | {value:.4g}{unit} | {bounds}{unit} | {'holds' if fits else 'MISSED'} |"


def run_tapeline(folder: Path) -> int:
    beside = Path(sys.executable).parent
    path = f"{beside}{os.pathsep}{os.environ.get('PATH', '')}"
    command = [str(beside / "tapeline"), "run", str(folder), "--cores", "2"]
    with (folder / "run.log").open("w") as log:
        return subprocess.run(
            command, check=False, stdout=log, stderr=subprocess.STDOUT, env={**os.environ, "PATH": path}
        ).returncode


def one_seed(seed: int, findings: Findings) -> None:
    random = np.random.default_rng(seed + 1000)
    errors = {name: float(random.normal(0.0, CALIBRATOR_SD_DB)) for name in ("coupler-250", "speaker-1k")}
    with tempfile.TemporaryDirectory() as name:
        truth = write_rig(
            Path(name), seed, calibrator_uncertainty_db=CALIBRATOR_SD_DB, calibrator_error_db=errors,
            mount_sd_db=MOUNT_SD_DB,
        )  # fmt: skip
        status = run_tapeline(Path(name))
        if status != 0:
            log = (Path(name) / "run.log").read_text()
            raise SystemExit(f"seed {seed}: tapeline ended with status {status}\n{log[-3000:]}")
        collect(truth, seed, errors, findings)


def collect(truth: RigTruth, seed: int, errors: dict[str, float], findings: Findings) -> None:
    bands = with_backgrounds(truth, judged_bands(truth))
    off = bands.session.map(CALIBRATOR_OF).map(errors).fillna(0.0)
    bands["without_calibrator"] = (1.0 + bands.error) * 10.0 ** (off / 10.0) - 1.0
    bands["corrected_without"] = (1.0 + bands.corrected_error) * 10.0 ** (off / 10.0) - 1.0
    findings.bands.append(bands.assign(seed=seed, off=off))
    findings.comparisons.append(judged_comparisons(truth).assign(seed=seed))
    found = table(truth.folder, "calibration")
    found = found[found.session != "pascal"].copy()
    true = [truth.sensitivities[key] for key in zip(found.session, found.position, strict=True)]
    found["error_db"] = 20.0 * np.log10(found.sensitivity_v_per_pa / true)
    found["own_error_db"] = found.error_db - found.session.map(CALIBRATOR_OF).map(errors)
    findings.calibration.append(found.assign(seed=seed))


def levels_section(findings: Findings) -> list[str]:
    bands = pd.concat(findings.bands, ignore_index=True)
    calibration = pd.concat(findings.calibration, ignore_index=True)
    lines = ["| Levels | found | limit | |", "|---|---|---|---|"]
    worst = calibration.own_error_db.abs().max()
    lines.append(findings.judged("largest error of a sensitivity, calibrator's own error apart", worst, 0, 0.02, " dB"))
    z = np.sqrt(((calibration.error_db / calibration.standard_uncertainty_db) ** 2).mean())
    draws = 2 * calibration.seed.nunique()
    spread = 4.0 / np.sqrt(2.0 * draws)
    lines.append(findings.judged("sensitivity error over its uncertainty, rms", z, 0, 1.0 + spread))
    bias = DB_PER_PART * bands.without_calibrator.mean()
    lines.append(findings.judged("bias of band levels", bias, -0.03, 0.03, " dB"))
    by_band = bands.groupby("key").agg(mean=("without_calibrator", "mean"), sd=("spread", lambda s: s.mean()))
    by_band["z"] = by_band["mean"] / (by_band.sd / np.sqrt(bands.groupby("key").size())).clip(lower=0.0005)
    lines.append(findings.judged("worst band's bias in standard errors", by_band.z.abs().max(), 0, 4))
    far = bands[bands.measured & (bands.from_limit > 4.0)]
    corrected = far[far.true_state == "corrected"]
    bias = DB_PER_PART * corrected.corrected_without.mean()
    lines.append(findings.judged("bias of corrected levels", bias, -0.03, 0.03, " dB"))
    limited = far[far.true_state == "limited"]
    bias = DB_PER_PART * limited.corrected_without.mean()
    lines.append(findings.judged("bias of limited levels", bias, -0.1, 0.1, " dB"))
    lines.append(findings.judged("states that agree, far from a limit", (far.state == far.true_state).mean(), 1, 1))
    near = bands[bands.measured & (bands.from_limit <= 4.0)]
    lines.append(f"| states that agree, near a limit | {(near.state == near.true_state).mean():.3f} | none set | |")
    bounds = bands[bands.measured & (bands.state == "bound")]
    held = bounds.upper_bound_db >= decibels(bounds.true_source_pa2) - bounds.off
    below = bounds.true_margin_db < 3.0
    lines.append(findings.judged("bounds that hold, true margin below the limit", held[below].mean(), 0.9, 1))
    lines.append(f"| bounds that hold, all of {len(bounds)} | {held.mean():.3f} | none set | |")
    for state in ("corrected", "limited"):
        part = far[far.true_state == state]
        u = np.hypot(part.random_uncertainty_db, part.background_uncertainty_db)
        z = ((part.source_error_db + part.off) / u).std()
        lines.append(findings.judged(f"error over random and background uncertainty, sd, {state}", z, 0.9, 1.1))
    part = far[far.true_state.isin(["corrected", "limited", "clear"])]
    z = np.sqrt(((part.source_error_db / part.standard_uncertainty_db) ** 2).mean())
    lines.append(findings.judged("error over standard uncertainty, rms", z, 0, 1.0 + spread))
    return lines


def coverage(values: pd.DataFrame, column: str = "covered") -> tuple[float, float]:
    """Share covered and its standard error, from the spread between seeds."""
    shares = values.groupby("seed")[column].mean()
    return float(values[column].mean()), float(shares.std(ddof=1) / np.sqrt(len(shares))) if len(shares) > 1 else 0.1


def differences_section(findings: Findings) -> list[str]:
    comparisons = pd.concat(findings.comparisons, ignore_index=True)
    valued = comparisons[comparisons.difference_db.notna()]
    lines = ["| Differences | found | limit | |", "|---|---|---|---|"]
    groups = {
        "no scatter": valued.reference_session.eq(valued.treatment_session) & valued.reference_session.ne("summer"),
        "0.5 dB scatter": valued.reference_session.eq("summer"),
    }
    for name, chosen in groups.items():
        part = valued[chosen]
        share, error = coverage(part)
        lines.append(findings.judged(f"95 % intervals that cover the truth, {name}", share, 0.90 - error, 0.99))
        for runs in sorted(part.treatment_available.unique()):
            some = part[part.treatment_available == runs]
            share, error = coverage(some)
            lines.append(f"| ... {runs} runs each ({len(some)}) | {share:.3f} ± {error:.3f} | none set | |")
        for state, some in part.groupby("state"):
            share, error = coverage(some)
            lines.append(f"| ... state {state} ({len(some)}) | {share:.3f} ± {error:.3f} | none set | |")
        lines.append(f"| ... error over standard error, sd | {part.z.std():.3f} | none set | |")
    across = valued[valued.reference_session != valued.treatment_session]
    for word, part in across.groupby("pairing"):
        share, _ = coverage(part)
        lines.append(findings.judged(f"intervals that cover the truth, {word}", share, 0.90, 1.0))
        lines.append(f"| ... error over standard error, sd | {part.z.std():.3f} | none set | |")
    null = valued[valued.null].assign(false=lambda rows: rows.finding.isin(["lower", "higher"]))
    share, error = coverage(null, "false")
    lines.append(findings.judged("null differences called real", share, 0, 0.05 + 4 * error))
    pure = null[null.treatment == "wedge"]
    families = pure.groupby("seed").false.any().mean()
    lines.append(f"| families of nothing but nulls with a false finding | {families:.3f} | none set | |")
    equal = valued[valued.finding == "equivalent"]
    wrong = (equal.true_difference_db.abs() > 0.5).mean()
    lines.append(findings.judged("findings `equivalent` (0.5 dB) that are not", wrong, 0, 0.05))
    # A contribution is the gap's as the sensor is mounted: it has a truth within one session.
    as_mounted = comparisons.reference_session == comparisons.treatment_session
    gaps = comparisons[as_mounted & comparisons.contribution_level_db.notna() & (comparisons.true_gap_pa2 > 0)]
    gaps = gaps[gaps.treatment.isin(["shut", "plate"])]
    true = decibels(gaps.true_gap_pa2)
    inside = gaps.contribution_lower_db.fillna(-np.inf).le(true) & gaps.contribution_upper_db.fillna(np.inf).ge(true)
    for size, part in gaps.assign(inside=inside).groupby(pd.cut(-gaps.true_difference_db, [0, 3, 5, 9]), observed=True):
        share, error = coverage(part, "inside")
        name = f"contribution intervals that cover, difference {size.left:g} to {size.right:g} dB"
        if size.left < 3:  # only chance brings so small a difference above the least margin
            lines.append(f"| {name} ({len(part)}) | {share:.3f} ± {error:.3f} | none set | |")
        else:
            # 95 % less four binomial standard errors, less 2 % for what the least margin selects
            least = 0.93 - 4.0 * float(np.sqrt(0.95 * 0.05 / len(part)))
            lines.append(findings.judged(f"{name} ({len(part)})", share, least, 1.0))
    return lines


def faults_section(seed: int) -> list[str]:
    with tempfile.TemporaryDirectory() as name:
        truth: FaultTruth = write_faulty_rig(Path(name), seed)
        status = run_tapeline(Path(name))
        quality = table(Path(name), "quality").set_index(["run", "position"])
        calibration = table(Path(name), "calibration").set_index(["session", "position"])
    lines = ["| Planted fault | where | reason found |", "|---|---|---|"]
    for (run, position), fault in truth.channels.items():
        lines.append(f"| {fault} | {run}, {position} | {', '.join(quality.reasons[run, position]) or 'NONE'} |")
    for run, fault in truth.recordings.items():
        codes = sorted({code for reasons in quality.loc[run].reasons for code in reasons})
        lines.append(f"| {fault} | {run} | {', '.join(codes) or 'NONE'} |")
    for key, fault in truth.calibrations.items():
        lines.append(f"| {fault} | {', '.join(key)} | {', '.join(calibration.reasons[key]) or 'NONE'} |")
    clean = [key for key in quality.index if key[0] in truth.readable and key not in truth.channels]
    blamed = sum(len(quality.reasons[key]) > 0 for key in clean)
    lines.append(f"| none | {len(clean)} clean channels | {blamed} with a reason |")
    lines += ["", f"Exit status of the command: {status} (3 says that recordings were left out)."]
    return lines


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", type=int, default=8, help="how many campaigns to run")
    parser.add_argument("--first", type=int, default=1, help="the first seed")
    options = parser.parse_args()
    findings = Findings()
    for seed in range(options.first, options.first + options.seeds):
        one_seed(seed, findings)
        print(f"seed {seed} done", file=sys.stderr, flush=True)
    seeds = f"{options.seeds} seeds from {options.first}"
    print(f"## Invented rig with known truth ({seeds}; synthetic data)\n")
    for section in (levels_section(findings), differences_section(findings), faults_section(options.first)):
        print("\n".join(section), end="\n\n")
    print("All limits hold." if not findings.missed else "Missed: " + "; ".join(findings.missed) + ".")
    return 1 if findings.missed else 0


if __name__ == "__main__":
    sys.exit(main())
