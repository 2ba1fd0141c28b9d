"""Every term of uncertainty, declared once: columns, budgets, pooling, cancellation and words follow from it.

A new term of a level needs an entry in `LEVEL_TERMS`, its value where levels get theirs, and its setting; nothing else.
"""

from __future__ import annotations

import math
from collections.abc import Collection
from dataclasses import dataclass
from typing import Literal

from tapeline.limits import SETTING_DOF
from tapeline.statistics.combined_uncertainty import Evidence

SharedBy = Literal[
    "nothing",
    "run",
    "background runs",
    "session",
    "sensor in a session",
    "fitting",
    "sensor",
    "sensor size",
    "everything",
    "check",
    "all checks",
]
"""The levels that one and the same error of a term acts on alike: their differences are free of it.

`nothing`: each level has its own. `run`, `session`: all positions of one. `background runs`: all runs that have the
same ones. `sensor in a session`, `fitting`, `sensor`: all runs of one at its position, those of a fitting or a sensor
over sessions too. `sensor size`: all runs of one speed and diameter at its position. `everything`: the whole campaign.
`check` and `all checks` are of a sensitivity: a calibrator check, or all of them that the sensitivity is made of.
"""

Averages = Literal["always", "in differences", "never"]
"""Whether a term averages out over repeats, which then show it among their scatter.

`in differences`: a part of it is one in all repeats (the speed gauge's error), so that a mean level keeps all of it,
while a difference within a session has the repeats' part alone.
"""

FoundFrom = Literal["scatter", "calibration", "each run", "comparison", "checks"]
"""What a term of a mean level is made from: repeats and backgrounds, the table `calibration`, or columns of each run.

`comparison`: the term is of differences alone. `checks`: it is part of a sensitivity's uncertainty.
"""


@dataclass(frozen=True)
class UncertaintyTerm:
    """One term of a standard uncertainty in dB.

    `name` stands in budgets and their figure, `words` say what it is. `column` begins its column in the tables of
    levels, empty where a single run's level has none; `own_words`, where given, describe a second column of the part
    that other runs with the same background do not share. `degrees_of_freedom`: None where they are estimated with the
    term. `evidence` is what budgets say of it; "stated" instead where the campaign gives the setting `setting` of its
    section `uncertainty` itself. `in_step`: its errors have one sign in all levels, so that a difference has the
    difference of both sides' uncertainties.
    """

    name: str
    words: str
    shared_by: SharedBy
    averages: Averages
    found_from: FoundFrom
    degrees_of_freedom: float | None = math.inf
    evidence: Evidence = "measured"
    column: str = ""
    own_words: str = ""
    setting: str = ""
    in_step: bool = False

    @property
    def uncertainty_column(self) -> str:
        """The term's column in the tables of levels."""
        return f"{self.column}_uncertainty_db"

    @property
    def scatter_column(self) -> str:
        """The column of the part that comes from how much the background scatters, which each run has of its own."""
        return f"{self.column}_scatter_uncertainty_db"

    @property
    def cancels_within_session(self) -> bool:
        """Whether the difference of two runs of one session, sensor and fitting is free of it."""
        return self.shared_by in ("session", "sensor in a session", "fitting", "sensor", "sensor size", "everything")

    @property
    def cancels_between_positions(self) -> bool:
        """Whether the difference of two sensors in one session is free of it."""
        return self.shared_by in ("session", "everything")

    def cancels_between_sessions(self, *, same_fitting: bool, same_sensor: bool) -> bool:
        """Whether the difference of two sessions at one position is free of it."""
        kept = {"fitting": same_fitting, "sensor": same_sensor, "everything": True}
        return kept.get(self.shared_by, False)

    def evidence_where(self, stated_settings: Collection[str]) -> Evidence:
        """Where it comes from, in a campaign that gives these settings itself."""
        return "stated" if self.setting and self.setting in stated_settings else self.evidence


RANDOM_ERROR = UncertaintyTerm(
    "random error",
    "of the corrected level, from the run's own averages",
    shared_by="nothing",
    averages="always",
    found_from="scatter",
    degrees_of_freedom=None,
    column="random",
)

BACKGROUND = UncertaintyTerm(
    "background",
    "of the corrected level, from the background",
    shared_by="background runs",
    averages="never",
    found_from="scatter",
    degrees_of_freedom=None,
    column="background",
    own_words="part of it that other runs with the same background runs do not share: how much the background scatters",
)

CALIBRATION = UncertaintyTerm(
    "calibration",
    "of the sensitivity used",
    shared_by="sensor in a session",
    averages="never",
    found_from="calibration",
    degrees_of_freedom=None,
    column="calibration",
)

SPEED = UncertaintyTerm(
    "speed",
    "of the operating point: speed, and density where air is not given",
    shared_by="run",
    averages="in differences",
    found_from="each run",
    column="speed",
)

SENSOR_SIZE = UncertaintyTerm(
    "sensor size",
    "of the sensor's size under attached flow, which the level is not corrected for: anything up to the estimated "
    "attenuation may be missing; cancels between sensors of one diameter at one speed",
    shared_by="sensor size",
    in_step=True,
    averages="never",
    found_from="each run",
    evidence="default",
    column="size",
)

LEVEL_TERMS = (
    RANDOM_ERROR,
    BACKGROUND,
    CALIBRATION,
    UncertaintyTerm(
        "response",
        "of the sensor's response over frequency",
        shared_by="sensor",
        averages="never",
        found_from="each run",
        evidence="default",
        column="response",
    ),
    UncertaintyTerm(
        "environment",
        "air pressure and temperature at the sensor since its check",
        shared_by="session",
        averages="never",
        found_from="each run",
        evidence="default",
        column="environment",
    ),
    UncertaintyTerm(
        "mounting",
        "of the mounting: stated by the settings or their default; cancels between runs of one mount",
        shared_by="fitting",
        averages="never",
        found_from="each run",
        evidence="default",
        column="mounting",
        setting="mounting_db",
    ),
    SENSOR_SIZE,
    SPEED,
    UncertaintyTerm(
        "steadiness",
        "how the level came and went within the run",
        shared_by="nothing",
        averages="always",
        found_from="each run",
        degrees_of_freedom=None,
        column="steadiness",
    ),
)
"""The terms of a single run's level, in the order of their columns."""

REPEATS = UncertaintyTerm(
    "repeats",
    "what repeats of a condition scatter beyond random error",
    shared_by="nothing",
    averages="always",
    found_from="scatter",
    degrees_of_freedom=None,
)

ASSUMED_REPEATS = UncertaintyTerm(
    "repeats, assumed",
    "what repeats scatter where the campaign has none: compare.repeat_sd_db",
    shared_by="nothing",
    averages="always",
    found_from="comparison",
    degrees_of_freedom=SETTING_DOF,
    evidence="default",
)

DRIFT = UncertaintyTerm(
    "drift",
    "the sensitivity's drift between the checks before and after",
    shared_by="nothing",
    averages="never",
    found_from="comparison",
)

BETWEEN_SESSIONS = UncertaintyTerm(
    "between sessions",
    "what sessions change, mounting included, as conditions measured in both show",
    shared_by="nothing",
    averages="never",
    found_from="comparison",
    degrees_of_freedom=None,
)

ASSUMED_BETWEEN_SESSIONS = UncertaintyTerm(
    "between sessions, assumed",
    "what sessions or mounting change where no condition was measured in both: compare.session_sd_db, remount_sd_db",
    shared_by="nothing",
    averages="never",
    found_from="comparison",
    degrees_of_freedom=SETTING_DOF,
    evidence="default",
)

SPEED_EXPONENT = UncertaintyTerm(
    "speed exponent",
    "what the exponent of speed leaves uncertain where the compared runs differ in speed",
    shared_by="nothing",
    averages="never",
    found_from="comparison",
    evidence="default",
)

HELD_CHANGE = UncertaintyTerm(
    "change between the two sessions",
    "what an interval between sessions needs beyond its other terms to hold the change that was measured there",
    shared_by="nothing",
    averages="never",
    found_from="comparison",
    degrees_of_freedom=None,
)

COMPARISON_TERMS = (
    REPEATS,
    ASSUMED_REPEATS,
    DRIFT,
    BETWEEN_SESSIONS,
    ASSUMED_BETWEEN_SESSIONS,
    SPEED_EXPONENT,
    HELD_CHANGE,
)
"""Terms of means and differences that no single level has."""


def _of_checks(
    name: str, words: str, shared_by: SharedBy, evidence: Evidence = "measured", *, estimated: bool = False
) -> UncertaintyTerm:
    averages: Averages = "always" if shared_by == "check" else "never"
    return UncertaintyTerm(name, words, shared_by, averages, "checks", None if estimated else math.inf, evidence)


CALIBRATOR = _of_checks("calibrator", "of the calibrator's level", "all checks", "certificate")
STATIC_PRESSURE = _of_checks("static pressure", "of the air pressure in a closed coupler", "all checks")
ADAPTER = _of_checks("adapter", "of the adapter's correction", "all checks", "certificate")
CHART_REACH = _of_checks(
    "chart between tone and reference", "of a chart that does not reach the tone", "all checks", "default"
)
SINE_FIT = _of_checks("sine fit", "scatter and trend of the tone's level", "check", estimated=True)
BACKGROUND_TONE = _of_checks("background tone", "a tone of the same frequency in the background", "check")
SPREAD_OF_APPLICATIONS = _of_checks("spread of applications", "how far tones of one recording differ", "check")
SPREAD_OF_CHECKS = _of_checks("spread of checks", "how far checks of one stage differ", "all checks")
SENSITIVITY_DRIFT = _of_checks("drift", "of the sensitivity from one stage to the other", "all checks")
CHART = _of_checks("chart", "of the sensor table's sensitivity", "sensor", "certificate")
UNCHECKED = _of_checks("no check in place", "what no check in place could show", "all checks", "default")
EXCHANGED = _of_checks("exchanged sensors", "of values of which nothing tells the right one", "all checks")

SENSITIVITY_TERMS = (
    CALIBRATOR,
    STATIC_PRESSURE,
    ADAPTER,
    CHART_REACH,
    SINE_FIT,
    BACKGROUND_TONE,
    SPREAD_OF_APPLICATIONS,
    SPREAD_OF_CHECKS,
    SENSITIVITY_DRIFT,
    CHART,
    UNCHECKED,
    EXCHANGED,
)
"""The terms of a sensitivity's uncertainty; budgets have them as `calibration: <name>`."""

SHARED_BY_CHECKS = (CALIBRATOR, STATIC_PRESSURE, ADAPTER, CHART_REACH)
"""Terms that each check has and all have in common, so that a mean of checks does not make them smaller."""

ALL_TERMS = (*LEVEL_TERMS, *COMPARISON_TERMS)

TERM_BY_NAME = {term.name: term for term in ALL_TERMS}

TERMS_OF_EACH_RUN = tuple(term for term in LEVEL_TERMS if term.found_from == "each run")
"""Terms of a mean level that are read from the columns of its runs."""

NON_AVERAGING_TERMS = tuple(
    term for term in LEVEL_TERMS if term.averages == "never" and term.found_from in ("calibration", "each run")
)
"""Terms of a level that repeats do not lessen; between sessions measured changes hold them."""

TERMS_SHOWN_BY_REPEATS = tuple(term for term in TERMS_OF_EACH_RUN if term.averages != "never")
"""Terms that repeats show among their scatter; without any repeats they are taken as stated."""

CANCELLING_TERMS = tuple(term for term in LEVEL_TERMS if term.cancels_within_session)
"""Terms that a difference within a session is free of."""


def part_of_calibration(name: str) -> str:
    """What a budget calls a term of the sensitivity."""
    return f"{CALIBRATION.name}: {name}"


def whole_term(name: str) -> str:
    """The term that a term of a budget is part of: its own name, and "calibration" for those of the sensitivity."""
    return CALIBRATION.name if name.startswith(f"{CALIBRATION.name}:") else name
