"""Generated sessions of runs over a known background, through the jobs `spectra` and `tables`, beside their truth.

Gaussian time signals; the margins of the bands, total above background, lie evenly between 1 and 30 dB. Calibration,
response, mounting, air, speed and the background between recordings are off by random amounts of the size that the
settings and the calibration table state.
"""

from __future__ import annotations

import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
import scipy.fft
import scipy.special
import soundfile
from numpy.typing import NDArray

from tapeline.acoustics.bands import Bands, bands_between
from tapeline.acoustics.weightings import power_weights
from tapeline.campaign.load import load_campaign
from tapeline.campaign.plan import Plan
from tapeline.campaign.settings import Settings
from tapeline.jobs.calibrate import checks_file
from tapeline.jobs.sensitivity import calibration_file
from tapeline.jobs.spectra import run as spectra
from tapeline.jobs.table_files import session_table
from tapeline.jobs.tables import run as tables
from tapeline.jobs.tables.level_uncertainty import curve_db
from tapeline.jobs.verdicts import verdicts_file
from tapeline.store import parquet
from tapeline.store import tables as schemas

Reals = NDArray[np.float64]
Samples = NDArray[np.float32]

RATE_HZ, SECONDS, RESOLUTION_HZ, LOWEST_HZ, HIGHEST_HZ = 12_800, 20, 4, 100, 4000
FRAMES = RATE_HZ * SECONDS
POSITIONS = tuple(f"p{i}" for i in range(1, 9))
SESSION = "session"
RUNS_A_SESSION = 10
"""The last of them has no background, neither in the signal nor in the run table."""

MARGINS_DB = (1.0, 30.0)
CALIBRATION_DB, SPEED_MPS, AIR = 0.15, 30.0, "20,1013.25,50"
SCATTER_DB = (0.1, 0.3)
"""Where a session has several background runs; a single one scatters by `background.repeat_sd_db`."""

GAIN_SD_DB, GAIN_TIME_S, GAIN_STEP_S = 1.0, 2.0, 0.05
EVENNESS = ("steady", "the source comes and goes", "all comes and goes")

CASES = {"scattering": 1.0, "mean": 0.25}
"""The background during a run: off by as much as the background runs are, or exactly the mean; share of `--runs`."""

ONE_SIDED = 1.645
"""Standard uncertainties of a plain one-sided 95 % bound."""

OVERALL = ", ".join(f"{{weighting: {w}, range_hz: [{LOWEST_HZ}, {HIGHEST_HZ}]}}" for w in ("Z", "A"))
CONFIG = {
    "campaign.yaml": "campaign: levels\nconditions: {open: {applied: []}}\n"
    f"spectra: {{resolution_hz: {RESOLUTION_HZ}}}\nbands: {{range_hz: [{LOWEST_HZ}, {HIGHEST_HZ}]}}\n"
    f"overall: [{OVERALL}]\nhistory: {{weighting: [Z]}}\n",
    "positions.csv": "position\n" + "".join(f"{name}\n" for name in POSITIONS),
    "fittings.csv": "session,channel,position,unit\n"
    + "".join(f"{SESSION},{i + 1},{name},Pa\n" for i, name in enumerate(POSITIONS)),
    "sensors.csv": "sensor,sensitivity_mv_per_pa\n",
    "calibrators.csv": "calibrator,kind,level_db,frequency_hz\n",
}
RUN_COLUMNS = (
    "run,recording,kind,session,condition,speed_mps,background,measured_speed_mps,temperature_c,static_pressure_hpa,"
    "humidity_pct"
)
WANTED = [f"{name}_{end}_db" for name in ("level", "corrected", "absolute") for end in ("lower", "upper")]
WANTED += ["state", "level_pa2", "background_pa2", "corrected_level_db", "upper_bound_db", "steadiness_uncertainty_db"]

CELL_LINES = 10
"""Lines of a generated signal over which its density is constant, 0.5 Hz together."""

CELL_HZ = RATE_HZ / FRAMES * CELL_LINES
CELLS_HZ: Reals = (np.arange(FRAMES // 2 // CELL_LINES, dtype=np.float64) + 0.5) * CELL_HZ
KNOTS_HZ = np.geomspace(80.0, 5120.0, 25)


@dataclass(frozen=True)
class Design:
    """One session: its number, which case, how many background runs that scatter by how much, what comes and goes."""

    seed: int
    number: int
    case: str
    backgrounds: int
    scatter_db: float | None
    evenness: str


def designs(runs: int, seed: int) -> list[Design]:
    """Sessions with one, two and three background runs in turn; in every fifth the level comes and goes."""
    found: list[Design] = []
    for case, share in CASES.items():
        for i in range(-(-round(runs * share) // RUNS_A_SESSION)):
            evenness = EVENNESS[1 + i // 5 % 2] if i % 5 == 4 else EVENNESS[0]
            scatter = float(np.random.default_rng([seed, i]).uniform(*SCATTER_DB)) if i % 3 else None
            found.append(Design(seed, len(found), case, 1 + i % 3, scatter, evenness))
    return found


class Generator:
    """The truth of one session: densities (positions, cells) in Pa^2/Hz, and factors on power by which sensors err."""

    def __init__(self, design: Design, settings: Settings) -> None:
        self.design, self.random = design, np.random.default_rng([design.seed, design.number, 1])
        self._scatter_db = settings.background.repeat_sd_db if design.scatter_db is None else design.scatter_db
        self._speed = settings.uncertainty.speed_pct / 100.0, settings.operating_point.speed_exponent
        distance = np.subtract.outer(np.log2(KNOTS_HZ), np.log2(KNOTS_HZ))
        self._smooth = np.linalg.cholesky(np.exp(-0.5 * distance**2) + 1e-9 * np.eye(KNOTS_HZ.size))
        tilt_db = self._each_position(1.5) - 5.0
        level_db = 50.0 + self._each_position(5.0) + tilt_db * np.log2(CELLS_HZ / 250.0).clip(-3.0)
        self.background = settings.reference_pressure_pa**2 * 10.0 ** (level_db / 10.0)
        self.sensor = 10.0 ** (self._sensor_errors_db(settings) / 10.0)

    def _each_position(self, sd: float) -> Reals:
        return np.asarray(self.random.normal(0.0, sd, (len(POSITIONS), 1)))

    def _sensor_errors_db(self, settings: Settings) -> Reals:
        """Calibration, change of the air since an unknown check, response without a chart, and mounting."""
        u = settings.uncertainty
        pressure = self._each_position(u.static_pressure_db_per_kpa * u.unknown_pressure_kpa)
        temperature = self._each_position(u.temperature_db_per_k * u.unknown_temperature_k)
        response = self._each_position(1.0) * curve_db(u.no_chart_db, CELLS_HZ)
        mounting = self._each_position(1.0) * curve_db(u.mounting_db, CELLS_HZ)
        return np.asarray(self._each_position(CALIBRATION_DB) + pressure + temperature + response + mounting)

    def source(self) -> Reals:
        """Another source: the margins of its total follow smooth curves, evenly spread over the range.

        Half of a curve's variance is its own height, half is smooth over frequency (correlation over one octave).
        """
        knots = self._smooth @ self.random.normal(size=(KNOTS_HZ.size, len(POSITIONS)))
        knots = np.sqrt(0.5) * (knots.T + self._each_position(1.0))
        spread = scipy.special.ndtr([np.interp(np.log(CELLS_HZ), np.log(KNOTS_HZ), curve) for curve in knots])
        margin_db = MARGINS_DB[0] + (MARGINS_DB[1] - MARGINS_DB[0]) * spread
        return np.asarray(self.background * (10.0 ** (margin_db / 10.0) - 1.0))

    def recorded_background(self) -> Reals:
        """The background in another recording: all of it higher or lower."""
        return np.asarray(self.background * 10.0 ** (self.random.normal(0.0, self._scatter_db) / 10.0))

    def speed_factor(self) -> float:
        """Factor on the source's power by a speed that is not quite the stated one."""
        return float((1.0 + self.random.normal(0.0, self._speed[0])) ** self._speed[1])

    def signal(self, density: Reals) -> Samples:
        """A Gaussian signal of this density, (positions, frames)."""
        size = np.repeat(np.sqrt(density * FRAMES * RATE_HZ / 4.0).astype(np.float32), CELL_LINES, axis=1)
        size = np.pad(size, ((0, 0), (0, 1)), mode="edge")
        size[:, 0] = 0.0
        parts = self.random.standard_normal((len(POSITIONS), 2 * size.shape[1]), dtype=np.float32)
        return np.asarray(scipy.fft.irfft(parts.view(np.complex64) * size, FRAMES, axis=1))

    def gain(self) -> Samples:
        """Factor on a pressure whose level comes and goes, exponentially correlated; mean power 1."""
        kept = np.exp(-GAIN_STEP_S / GAIN_TIME_S)
        draws = self.random.normal(0.0, GAIN_SD_DB, round(SECONDS / GAIN_STEP_S) + 1)
        level_db = [draws[0]]
        for draw in draws[1:]:
            level_db.append(kept * level_db[-1] + np.sqrt(1.0 - kept**2) * draw)
        mean_db = GAIN_SD_DB**2 * np.log(10.0) / 20.0
        at = np.interp(np.arange(FRAMES) / RATE_HZ, np.arange(len(level_db)) * GAIN_STEP_S, level_db)
        return np.asarray(10.0 ** ((at - mean_db) / 20.0), dtype=np.float32)


def write_config(root: Path, design: Design) -> None:
    """The campaign's files."""
    rows = [
        f"b{i},b{i}.wav,background,{SESSION},,{SPEED_MPS:g},,{SPEED_MPS:g},{AIR}" for i in range(design.backgrounds)
    ]
    for i in range(RUNS_A_SESSION):
        named = "none" if i == RUNS_A_SESSION - 1 else ""
        rows.append(f"m{i},m{i}.wav,measurement,{SESSION},open,{SPEED_MPS:g},{named},{SPEED_MPS:g},{AIR}")
    (root / "config").mkdir()
    for file, text in {**CONFIG, "runs.csv": "\n".join([RUN_COLUMNS, *rows, ""])}.items():
        (root / "config" / file).write_text(text, encoding="utf-8")


def write_verdicts(plan: Plan) -> None:
    """Calibration and verdicts of the session: all is well."""
    results, stamp = plan.campaign.results, {"campaign": plan.campaign.settings.campaign, "digest": "generated"}
    well = {"session": SESSION, "verdict": "good", "reasons": [], "sentences": []}
    calibration = [
        well | {"position": name, "source": "pascal", "why": "generated", "standard_uncertainty_db": CALIBRATION_DB}
        for name in POSITIONS
    ]
    parquet.write_rows(schemas.CHECKS, checks_file(results, SESSION), [], **stamp)
    parquet.write_rows(schemas.CALIBRATION, calibration_file(results, SESSION), calibration, **stamp)
    verdicts = []
    for run in plan.recordings:
        verdicts += [well | {"run": run, "position": name, "mean_pa": 0.0, "frames": FRAMES} for name in POSITIONS]
    parquet.write_rows(schemas.QUALITY, verdicts_file(results, SESSION), verdicts, **stamp)


def make_spectra(plan: Plan, run: str, pressure: Samples) -> None:
    """Write a run's recording in Pa, run the job, and take the recording away."""
    path = plan.campaign.root / plan.source(plan.used[run]).paths[0]
    path.parent.mkdir(exist_ok=True)
    soundfile.write(path, pressure.T, RATE_HZ, subtype="FLOAT")
    spectra.run(plan, run)
    path.unlink()


def one_session(design: Design) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Bands and overall levels of one session beside their truth, and what held."""
    with tempfile.TemporaryDirectory() as folder:
        write_config(Path(folder), design)
        plan = Plan(load_campaign(Path(folder), check=False))
        write_verdicts(plan)
        generator = Generator(design, plan.campaign.settings)
        for run in plan.recordings:
            if plan.campaign.runs[run].kind == "background":
                make_spectra(plan, run, generator.signal(generator.sensor * generator.recorded_background()))
        names = [run for run in plan.recordings if plan.campaign.runs[run].kind == "measurement"]
        truths = [one_run(plan, generator, run) for run in names]
        tables.run(plan, SESSION)
        bands, overall = (
            found_beside(plan, name, key, pd.concat([truth[name] for truth in truths]))
            for name, key in (("bands", "band_hz"), ("overall", "weighting"))
        )
    factor, reference_pa = plan.campaign.settings.background.bound_factor, plan.campaign.settings.reference_pressure_pa
    bands["plain_bound_db"] = plain_bounds_db(bands, factor, reference_pa)
    return judged(bands, design), judged(overall, design)


def one_run(plan: Plan, generator: Generator, run: str) -> dict[str, pd.DataFrame]:
    """Make one run's spectra; the true levels of its bands and its overall levels."""
    settings, design = plan.campaign.settings, generator.design
    source = generator.source()
    background = generator.background if design.case == "mean" else generator.recorded_background()
    if plan.campaign.runs[run].background == ():
        source, background = source + background, 0.0 * background
    sensed, below = generator.sensor * source * generator.speed_factor(), generator.sensor * background
    if design.evenness == EVENNESS[1]:
        pressure = generator.signal(sensed) * generator.gain() + generator.signal(below)
    else:
        pressure = generator.signal(sensed + below)
        pressure = pressure * generator.gain() if design.evenness == EVENNESS[2] else pressure
    make_spectra(plan, run, pressure)
    bands = bands_between(settings.bands.fraction, *settings.bands.range_hz)
    whole = Bands(bands.fraction, bands.midband_hz[:1], bands.nominal_hz[:1], bands.lower_hz[:1], bands.upper_hz[-1:])
    parts, reference_pa = (source, sensed, below), settings.reference_pressure_pa
    overall = []
    for wanted in settings.overall:
        weighted = [power_weights(wanted.weighting, CELLS_HZ) * part for part in parts]
        overall.append(true_levels(weighted, whole, reference_pa).assign(weighting=wanted.weighting))
    found = {"bands": true_levels(parts, bands, reference_pa), "overall": pd.concat(overall)}
    return {name: levels.assign(run=run) for name, levels in found.items()}


def true_levels(parts: tuple[Reals, ...] | list[Reals], bands: Bands, reference_pa: float) -> pd.DataFrame:
    """True levels in bands from the densities of the source, the source as sensed, and the background as sensed."""
    edges = np.arange(CELLS_HZ.size + 1) * CELL_HZ
    powers = []
    for density in parts:
        sums = np.pad(np.cumsum(density, axis=1) * CELL_HZ, ((0, 0), (1, 0)))
        powers.append([np.interp(bands.upper_hz, edges, row) - np.interp(bands.lower_hz, edges, row) for row in sums])
    source, sensed, below = (np.ravel(power) / reference_pa**2 for power in powers)
    with np.errstate(divide="ignore"):
        margin_db = 10.0 * np.log10((sensed + below) / below)
    return pd.DataFrame(
        {
            "position": np.repeat(POSITIONS, len(bands)),
            "band_hz": np.tile(bands.nominal_hz, len(POSITIONS)),
            "true_total_db": 10.0 * np.log10(sensed + below),
            "true_source_db": 10.0 * np.log10(sensed),
            "true_absolute_db": 10.0 * np.log10(source),
            "true_margin_db": margin_db,
        }
    )


def found_beside(plan: Plan, table: str, key: str, truth: pd.DataFrame) -> pd.DataFrame:
    """The rows of a table beside the true levels of the measurements."""
    found = parquet.read(session_table(plan.campaign.results, table, SESSION)).to_pandas()
    found = found[["run", "position", key, *WANTED]]
    joined = truth.merge(found, on=["run", "position", key], validate="1:1")
    if len(joined) != len(truth):
        raise SystemExit(f"table {table}: {len(truth)} rows expected, {len(joined)} found")
    return joined


def plain_bounds_db(bands: pd.DataFrame, bound_factor: float, reference_pa: float) -> Reals:
    """Bounds by max(0, total - background) + 1.645 u: the distance that the found ones add, brought to that factor."""
    least = np.maximum(bands.level_pa2 - bands.background_pa2, 0.0)
    added = 10.0 ** (bands.upper_bound_db / 10.0) * reference_pa**2 - least
    return np.asarray(10.0 * np.log10((least + added * ONE_SIDED / bound_factor) / reference_pa**2))


def judged(levels: pd.DataFrame, design: Design) -> pd.DataFrame:
    """What held of each level, as columns; the design beside it."""
    found = levels.assign(
        session=design.number, case=design.case, backgrounds=design.backgrounds, evenness=design.evenness
    )
    for name, truth in (("level", "total"), ("corrected", "source"), ("absolute", "absolute")):
        true, low, high = found[f"true_{truth}_db"], found[f"{name}_lower_db"], found[f"{name}_upper_db"]
        found[f"{name}_covers"] = (low.fillna(-np.inf) <= true) & (true <= high)
    found["bound_holds"] = found.upper_bound_db >= found.true_source_db
    if "plain_bound_db" in found:
        found["plain_holds"] = found.plain_bound_db >= found.true_source_db
    found["error_db"] = found.corrected_level_db - found.true_source_db
    return found
