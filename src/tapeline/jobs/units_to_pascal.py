"""From units of a recording to volts at the sensor and to pascal: full scale, gain, sensitivity, polarity."""

from __future__ import annotations

from tapeline.acoustics.levels import gain_from_db
from tapeline.campaign.plan import Channel


def gain_db(channel: Channel, run_gain_db: float | None) -> float:
    """The conditioner's gain: the run's where the run table names one, else that of the fittings table."""
    return channel.gain_db if run_gain_db is None else run_gain_db


def volts_per_unit(channel: Channel, run_gain_db: float | None) -> float:
    """Volts at the sensor for one unit of the recording: full scale over conditioner gain."""
    return (channel.full_scale_v or 1.0) / float(gain_from_db(gain_db(channel, run_gain_db)))


def pa_per_unit(channel: Channel, sensitivity_v_per_pa: float, run_gain_db: float | None) -> float:
    """Pascal for one unit of the recording, with the sign of the polarity."""
    scale = channel.full_scale_v or 1.0
    if channel.unit != "V":
        return scale * channel.polarity
    return scale * channel.polarity / (sensitivity_v_per_pa * float(gain_from_db(gain_db(channel, run_gain_db))))


def full_scale_missing(channel: Channel, bits: int | None) -> bool:
    """Whether integer samples, of `bits` bits, stand for volts that nobody stated."""
    return channel.full_scale_v is None and bits is not None and channel.unit == "V"
