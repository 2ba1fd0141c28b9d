"""The sound pressure level that a calibrator gives at the sensor, with the uncertainty of each correction."""

from __future__ import annotations

import math
from dataclasses import dataclass

from tapeline.acoustics.air import static_pressure_correction_db
from tapeline.statistics.combined_uncertainty import Term
from tapeline.statistics.uncertainty_terms import ADAPTER, CALIBRATOR, STATIC_PRESSURE


@dataclass(frozen=True)
class CalibratorCertificate:
    """The entries of the calibrators table for one calibrator; uncertainties are None where it states none."""

    level_db: float
    closed_coupler: bool
    level_uncertainty_db: float | None
    adapter_correction_db: float
    adapter_uncertainty_db: float | None


@dataclass(frozen=True)
class LevelDefaults:
    """Uncertainties that are used where none is stated."""

    calibrator_uncertainty_db: float
    adapter_uncertainty_db: float
    static_pressure_uncertainty_hpa: float
    static_pressure_missing_db: float


@dataclass(frozen=True)
class LevelAtSensor:
    """The level (re 20 uPa), the correction for static pressure in it and the terms of its uncertainty in dB."""

    level_db: float
    static_pressure_correction_db: float
    terms: tuple[Term, ...]


def level_at_sensor(
    papers: CalibratorCertificate, static_pressure_hpa: float | None, defaults: LevelDefaults
) -> LevelAtSensor:
    """Sound pressure level at the sensor: calibrator level + 20 lg(p / 101.325 kPa) for closed couplers + adapter.

    The pressure in a closed coupler is proportional to the static pressure, so a relative error of the barometer is one
    of the level: 20 / ln 10 x u(p) / p in dB.
    """
    terms = [_stated(CALIBRATOR.name, papers.level_uncertainty_db, defaults.calibrator_uncertainty_db)]
    correction = 0.0
    if papers.closed_coupler and static_pressure_hpa is None:
        terms.append(Term(STATIC_PRESSURE.name, defaults.static_pressure_missing_db, "default"))
    elif papers.closed_coupler and static_pressure_hpa is not None:
        correction = static_pressure_correction_db(static_pressure_hpa * 100.0)
        slope = 20.0 / math.log(10.0) / static_pressure_hpa
        terms.append(
            Term(
                STATIC_PRESSURE.name,
                defaults.static_pressure_uncertainty_hpa,
                "measured",
                sensitivity_coefficient=slope,
            )
        )
    if papers.adapter_correction_db or papers.adapter_uncertainty_db is not None:
        terms.append(_stated(ADAPTER.name, papers.adapter_uncertainty_db, defaults.adapter_uncertainty_db))
    return LevelAtSensor(papers.level_db + correction + papers.adapter_correction_db, correction, tuple(terms))


def _stated(name: str, stated_db: float | None, default_db: float) -> Term:
    return Term(name, default_db, "default") if stated_db is None else Term(name, stated_db, "certificate")
