"""A sensor's certificates: the sensor table, its chart and its electronic data sheet, compared with each other."""

from __future__ import annotations

import datetime
import re
from dataclasses import dataclass
from typing import Literal

from tapeline.calibration.data_sheet import DataSheet


@dataclass(frozen=True)
class SensorCertificate:
    """The certificates of the sensor at one position; `data_sheet_fault` says why its data sheet cannot be read."""

    sensor: str
    serial: str | None
    calibrated_on: str | None
    has_chart: bool
    chart_serial: str | None
    response_kind: Literal["pressure", "actuator", "free-field"]
    data_sheet: DataSheet | None
    data_sheet_fault: str | None


def chart_age_days(calibrated_on: str | None, measured_on: str | None) -> int | None:
    """Days from the chart's date to the measurement's (ISO 8601); None where either is not stated.

    >>> chart_age_days("2024-03-01", "2025-03-01")
    365
    """
    if calibrated_on is None or measured_on is None:
        return None
    day = datetime.date.fromisoformat(measured_on[:10])
    return (day - datetime.date.fromisoformat(calibrated_on[:10])).days


def certificate_doubts(papers: SensorCertificate, measured_on: str | None, age_limit_days: int) -> dict[str, str]:
    """Doubts by reason code: old or foreign charts, kinds of response, data sheets that contradict the sensor table."""
    doubts = {}
    age = chart_age_days(papers.calibrated_on, measured_on)
    if age is not None and age > age_limit_days:
        doubts["chart-old"] = (
            f"sensor {papers.sensor} was calibrated on {papers.calibrated_on}, {age} days before these runs "
            f"(limit {age_limit_days})"
        )
    if age is not None and age < 0:
        doubts["chart-newer"] = (
            f"sensor {papers.sensor} was calibrated on {papers.calibrated_on}, {-age} days after these runs"
        )
    if papers.has_chart and papers.response_kind == "actuator":
        doubts["actuator-response"] = (
            f"the chart of sensor {papers.sensor} is an actuator response, some tenths of a dB off the pressure "
            "response near the resonance"
        )
    if papers.has_chart and papers.response_kind == "free-field":
        doubts["free-field-response"] = (
            f"the chart of sensor {papers.sensor} is a free-field response, which a sensor in a surface does not have"
        )
    return doubts | _serials(papers) | _data_sheet(papers)


def _serials(papers: SensorCertificate) -> dict[str, str]:
    own, words = papers.serial, []
    if own and papers.chart_serial and not same_serial(own, papers.chart_serial):
        words.append(f"its chart is of serial {papers.chart_serial}")
    if own and papers.data_sheet and not same_serial(own, str(papers.data_sheet.serial)):
        words.append(f"its data sheet says serial {papers.data_sheet.serial}")
    if not words:
        return {}
    return {"serial-differs": f"sensor {papers.sensor} has serial {own} in the sensor table, {' and '.join(words)}"}


def _data_sheet(papers: SensorCertificate) -> dict[str, str]:
    doubts = {}
    sheet = papers.data_sheet
    if papers.data_sheet_fault:
        doubts["data-sheet-unreadable"] = f"data sheet of sensor {papers.sensor}: {papers.data_sheet_fault}"
    if sheet is not None and sheet.checksum_right is False:
        doubts["data-sheet-unreadable"] = f"data sheet of sensor {papers.sensor}: its checksum is wrong"
    stated = sheet.calibrated_on.isoformat() if sheet and sheet.calibrated_on else None
    if stated and papers.calibrated_on and stated != papers.calibrated_on[:10]:
        doubts["dates-differ"] = (
            f"sensor {papers.sensor} was calibrated on {papers.calibrated_on} after the sensor table, on {stated} "
            "after its data sheet"
        )
    return doubts


def same_serial(one: str, other: str) -> bool:
    """Whether two serial numbers are the same, whatever signs and leading zeros precede the last digits."""
    if one.strip().casefold() == other.strip().casefold():
        return True
    last = [re.findall(r"\d+", text)[-1:] for text in (one, other)]
    letters = [re.sub(r"[\W\d_]", "", text).casefold() for text in (one, other)]
    digits_agree = bool(last[0] and last[1]) and int(last[0][0]) == int(last[1][0])
    return digits_agree and (not letters[0] or not letters[1] or letters[0] == letters[1])
