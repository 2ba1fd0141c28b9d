"""A finished cab campaign with a fault held against the sound one and the truth: which rows moved, which still hold.

One row a result of six tables, with its interval, its words and its truth. A row is touched where the fault is in one
of the levels that it is made from; all others have to stay as they were.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import scipy.stats
from cab_campaign import CHANNEL_SD_DB, COMMON_SD_DB, Cab
from cab_faults import Touched
from cab_truth import AREAS, COMPARISONS, NOMINAL_HZ, SPEEDS_MPS, Values

VALUE_WITHIN_DB, WIDTH_WITHIN = 0.05, 0.10
"""How far the value and the half-width of a row may move that a fault does not touch."""

ZERO_WITHIN_DB = 0.02
"""A true difference so small is none."""

ITEM = ["quantity", "weighting", "band_hz"]
KEYS = {
    "comparisons": ["comparison", "reference_session", "position", "speed_mps", *ITEM],
    "area_differences": ["comparison", "reference_session", "area", "speed_mps", *ITEM],
    "session_means": ["comparison", "position", "speed_mps", *ITEM],
    "mirror_differences": ["session", "condition", "position", "mirror", "speed_mps", *ITEM],
    "areas": ["session", "condition", "area", "speed_mps", *ITEM],
    "shift": ["condition", "position", "speed_mps", *ITEM],
    "scatter": ["condition", "position", "speed_mps", *ITEM],
    "ranking": ["comparison", "position", "band_hz"],
}
"""What tells the rows of a table apart; `shift` and `scatter` are two results of the table `repeatability`."""

JUDGED = ["value", "low", "high", "finding", "doubtful", "truth"]


@dataclass
class Truth:
    """True levels of a campaign, by session, condition, position and speed; items are bands, A, Z."""

    cab: Cab

    def __post_init__(self) -> None:
        self._levels: dict[tuple[str, str, str, float], Values] = {}

    def levels_db(self, session: str, condition: str, position: str, speed_mps: float) -> Values:
        key = (session, condition, position, float(round(speed_mps)))
        if key not in self._levels:
            self._levels[key] = self.cab.true_levels_db(*key)
        return self._levels[key]

    def area_db(self, session: str, condition: str, positions: Sequence[str], speed_mps: float) -> Values:
        """Of the positions that a row says are in it."""
        parts = [10.0 ** (self.levels_db(session, condition, p, speed_mps) / 10.0) for p in positions]
        return np.asarray(10.0 * np.log10(np.mean(parts, axis=0)))

    def difference_db(self, session: str, comparison: str, position: str, speed_mps: float) -> Values:
        reference, treatment = COMPARISONS[comparison]
        sides = [self.levels_db(session, name, position, speed_mps) for name in (treatment, reference)]
        return np.asarray(sides[0] - sides[1])


def item_place(row: Any) -> int:
    """Place of a row's band or overall level among the true levels."""
    if getattr(row, "quantity", "band") == "overall":
        return len(NOMINAL_HZ) + (0 if row.weighting == "A" else 1)
    return NOMINAL_HZ.index(round(row.band_hz))


def _table(folder: Path, name: str) -> pd.DataFrame:
    return pd.read_parquet(folder / "results" / "tables" / f"{name}.parquet")


def results(cab: Cab) -> dict[str, pd.DataFrame]:
    """The judged rows of all tables of a finished campaign, with their truth, by the names in `KEYS`."""
    truth, folder = Truth(cab), cab.folder
    found: dict[str, pd.DataFrame] = {}

    def add(name: str, rows: pd.DataFrame, true: Callable[[Any], float]) -> None:
        rows = rows.assign(truth=[true(row) for row in rows.itertuples()])
        for column, otherwise in (("finding", ""), ("doubtful", False)):
            rows[column] = rows[column].fillna(otherwise) if column in rows else otherwise
        if "speed_mps" in rows:
            rows["speed_mps"] = rows.speed_mps.round(1)
        keys = KEYS[name]
        rows["band_hz"] = rows.band_hz.fillna(0.0)
        found[name] = rows.set_index(keys)[JUDGED].sort_index()

    def of_differences(name: str) -> pd.DataFrame:
        return _table(folder, name).rename(columns={"difference_db": "value", "lower_db": "low", "upper_db": "high"})

    add("comparisons", of_differences("comparisons"), lambda r: float(
        truth.difference_db(r.reference_session, r.comparison, r.position, r.speed_mps)[item_place(r)]))  # fmt: skip
    add("area_differences", of_differences("area_differences"), lambda r: float(np.subtract(*(
        truth.area_db(r.reference_session, c, r.positions, r.speed_mps) for c in COMPARISONS[r.comparison][::-1]
    ))[item_place(r)]))  # fmt: skip
    add("session_means", of_differences("session_means"), lambda r: float(np.mean([
        truth.difference_db(s, r.comparison, r.position, r.speed_mps)[item_place(r)] for s in r.sessions
    ])))  # fmt: skip
    add("mirror_differences", of_differences("mirror_differences"), lambda r: float(np.subtract(*(
        truth.levels_db(r.session, r.condition, p, r.speed_mps) for p in (r.position, r.mirror)
    ))[item_place(r)]))  # fmt: skip
    areas = _table(folder, "areas")
    half = 1.96 * areas.standard_uncertainty_db
    areas = areas.assign(
        value=areas.level_db, low=areas.level_db - half, high=(areas.level_db + half).fillna(areas.upper_bound_db)
    )
    add("areas", areas, lambda r: float(truth.area_db(r.session, r.condition, r.positions, r.speed_mps)[item_place(r)]))
    repeats = _table(folder, "repeatability")
    repeats = repeats[[list(names) == list(cab.design.sessions) for names in repeats.sessions]].copy()
    errors = {s: cab.calibrator_error_db(s) for s in cab.design.sessions}
    half = scipy.stats.t.ppf(0.975, repeats.shift_degrees_of_freedom.fillna(1e9)) * repeats.shift_standard_error_db
    shift = repeats.assign(value=repeats.shift_db, low=repeats.shift_db - half, high=repeats.shift_db + half)
    first, last = cab.design.sessions[0], cab.design.sessions[-1]
    add("shift", shift, lambda r: _shift(cab, truth, errors, r, first, last))
    dof = repeats.within_degrees_of_freedom.astype(float)
    ends = [np.sqrt(dof / scipy.stats.chi2.ppf(share, dof)) for share in (0.975, 0.025)]
    sd = repeats.within_session_sd_db
    scatter = repeats.assign(value=sd, low=sd * ends[0], high=sd * ends[1])
    add("scatter", scatter, lambda r: float(np.sqrt(_run_variance() + r.random_error_db**2)))
    ranking = _table(folder, "ranking").rename(
        columns={"contribution_db": "value", "lower_db": "low", "upper_db": "high"}
    )
    add("ranking", ranking, lambda r: _contribution(cab, truth, r))
    return found


def _run_variance() -> float:
    """Variance (dB^2) of a run's level by what it has of its own beside random error; its speed is taken out."""
    return COMMON_SD_DB**2 + CHANNEL_SD_DB**2


def _shift(cab: Cab, truth: Truth, errors: Mapping[str, float], row: Any, first: str, last: str) -> float:
    """What levels truly moved by from the first session to the last, and what sensitivities put beside it."""
    position, condition, speed = row.position, row.condition, row.speed_mps
    levels = [truth.levels_db(s, condition, position, speed)[item_place(row)] for s in (last, first)]
    return float(levels[0] - levels[1] - (errors[last] - errors[first]))


def _contribution(cab: Cab, truth: Truth, row: Any) -> float:
    """True level of what the open state adds, mean over speeds and sessions; minus infinity where it adds nothing."""
    reference, treatment = COMPARISONS[row.comparison]
    powers = [
        np.subtract(
            *(10.0 ** (truth.levels_db(s, c, row.position, v)[item_place(row)] / 10.0) for c in (reference, treatment))
        )
        for s in cab.design.sessions
        for v in SPEEDS_MPS
    ]
    mean = float(np.mean(powers))
    return 10.0 * np.log10(mean) if mean > 1e-6 else -np.inf


def touches(name: str, key: Mapping[str, object], touched: Touched) -> bool:
    """Whether a fault is in one of the levels that a row is made from."""
    band = key["band_hz"]
    if band and touched.bands_hz is not None and round(float(str(band))) not in touched.bands_hz:
        return False
    if "speed_mps" in key and key["speed_mps"] not in touched.speeds_mps:
        return False
    session = key.get("session", key.get("reference_session", touched.session))
    if session != touched.session:
        return False
    conditions = COMPARISONS[str(key["comparison"])] if "comparison" in key else (key["condition"],)
    if not set(conditions) & set(touched.conditions):
        return False
    if touched.alike and name in ("comparisons", "session_means"):
        return False
    if "area" in key:
        positions = {position for position, area in AREAS.items() if area == key["area"]}
    else:
        positions = {str(key["position"]), str(key.get("mirror", key["position"]))}
    return bool(positions & set(touched.positions))


@dataclass(frozen=True)
class Influence:
    """What one fault did to the rows of one table."""

    touched: int
    untouched: int
    moved: int  # rows not touched: value, presence or an open end
    reworded: int
    rewidened: int
    held: int  # rows touched, with a value whose interval holds the truth
    held_doubtful: int
    missed: int
    missed_doubtful: int
    without_value: int
    bounds_held: int
    bounds_missed: int
    false_findings: int  # beyond those of the sound campaign
    covered: int  # of all rows with a value
    valued: int
    sound_held: int  # rows touched, as they are in the sound campaign
    sound_valued: int
    worst_miss_db: float


def false_findings(rows: pd.DataFrame) -> pd.Series:
    """Findings that are not true: a difference where there is none, or of the wrong sign; one called shown likewise."""
    zero = rows.truth.abs() <= ZERO_WITHIN_DB
    wrong = (rows.finding.eq("higher") & (zero | (rows.truth < 0.0))) | (
        rows.finding.eq("lower") & (zero | (rows.truth > 0.0))
    )
    return wrong | (rows.finding.isin(["shown", "tied"]) & np.isneginf(rows.truth))


def covers(rows: pd.DataFrame) -> pd.Series:
    """Whether the interval, open ends included, holds the truth."""
    return (rows.low.fillna(-np.inf) <= rows.truth) & (rows.truth <= rows.high.fillna(np.inf))


def influence(name: str, sound: pd.DataFrame, faulty: pd.DataFrame, touched: Touched) -> Influence:
    """One table of a campaign with a fault against the same without it."""
    keys = sound.index.union(faulty.index)
    a, b = sound.reindex(keys), faulty.reindex(keys)
    a, b = a.assign(truth=a.truth.fillna(b.truth)), b.assign(truth=b.truth.fillna(a.truth))
    hit = np.array([touches(name, dict(zip(KEYS[name], key, strict=True)), touched) for key in keys], dtype=bool)
    lost = a.value.notna() != b.value.notna()
    lost |= (a.low.notna() != b.low.notna()) | (a.high.notna() != b.high.notna())
    move = (a.value - b.value).abs()
    # A bound has one end; that stands for its value.
    move = move.fillna((a.high - b.high).abs().where(a.value.isna())).fillna(
        (a.low - b.low).abs().where(a.value.isna())
    )
    move = move.fillna(0.0)
    widths = [rows.high - rows.low for rows in (a, b)]
    if name == "ranking":
        # What is not shown to contribute anything has no level to keep: a hundredth of nothing is 20 dB less.
        shown = a.finding.isin(["shown", "tied"])
        move, lost = move.where(shown, 0.0), lost & shown
        widths = [width.where(shown) for width in widths]
    wider = (widths[1] / widths[0] - 1.0).abs() > WIDTH_WITHIN
    words = [rows.finding.fillna("").replace("tied", "shown") for rows in (a, b)]
    valued, doubtful = b.value.notna(), b.doubtful.eq(True)
    open_ended = ~valued & (b.low.notna() | b.high.notna())
    held = covers(b)
    wrong = false_findings(b) & ~false_findings(a)
    miss = pd.concat([b.low - b.truth, b.truth - b.high], axis=1).max(axis=1).where(hit & ~held)
    count = lambda flags: int(np.count_nonzero(flags))  # noqa: E731
    return Influence(
        touched=count(hit), untouched=count(~hit),
        moved=count(~hit & (lost | (move > VALUE_WITHIN_DB))),
        reworded=count(~hit & ~lost & (words[0] != words[1])),
        rewidened=count(~hit & ~lost & wider),
        held=count(hit & valued & held & ~doubtful), held_doubtful=count(hit & valued & held & doubtful),
        missed=count(hit & valued & ~held & ~doubtful), missed_doubtful=count(hit & valued & ~held & doubtful),
        without_value=count(hit & ~valued & ~open_ended),
        bounds_held=count(hit & open_ended & held), bounds_missed=count(hit & open_ended & ~held),
        false_findings=count(wrong), covered=count(valued & held), valued=count(valued),
        sound_held=count(hit & a.value.notna() & covers(a)), sound_valued=count(hit & a.value.notna()),
        worst_miss_db=float(miss.replace(np.inf, np.nan).fillna(0.0).max()),
    )  # fmt: skip
