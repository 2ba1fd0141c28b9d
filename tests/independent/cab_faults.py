"""One fault at a time in the invented cab's campaign, as it would really come about, and what it physically touches."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from cab_campaign import CHANNELS, FULL_SCALE_V, GAIN_DB, RATE_HZ, Cab
from cab_truth import BANDS, CONDITIONS, NOMINAL_HZ, POSITIONS, REFERENCE_PA2, SPEEDS_MPS, Values

FAN_BANDS, FAN_DB = (-5, -4, -3), 6.0
"""Bands by number and dB above what the flow makes at each position in the open state."""
HUM_HZ = (50.0, 100.0, 150.0, 200.0, 250.0, 300.0)
HUM_BANDS_HZ = (100, 160, 200, 250, 315)
HUM_ABOVE_DB = 8.0
"""Hum at 100 Hz above the band level of the run; each further line is 2 dB less above its band."""


@dataclass(frozen=True)
class Touched:
    """Levels that a fault is in: of a session, some positions, conditions and speeds, in some bands or in all.

    `alike` says that all levels of these positions in the session are off by the same, so that differences within it
    are as they were.
    """

    session: str
    positions: tuple[str, ...] = POSITIONS
    conditions: tuple[str, ...] = CONDITIONS
    speeds_mps: tuple[float, ...] = SPEEDS_MPS
    bands_hz: tuple[int, ...] | None = None
    alike: bool = False


@dataclass(frozen=True)
class Fault:
    """`plant` edits a copy of the sound campaign; `mend` leaves out what somebody who knew of the fault would.

    A mended campaign shows what no handling of the fault could avoid: a run less moves the pooled scatter. None where
    there is nothing to leave out.
    """

    words: str
    plant: Callable[[Cab], Touched]
    mend: Callable[[Cab], None] | None = None


def _of_run(cab: Cab, run: str, *positions: str, bands_hz: tuple[int, ...] | None = None) -> Touched:
    one = cab.log[run]
    return Touched(one.session, positions or POSITIONS, (one.condition,), (one.speed_mps,), bands_hz)


def _channel(cab: Cab, run: str, position: str) -> int:
    return CHANNELS[cab.log[run].session][position] - 1


def dead_channel(cab: Cab) -> Touched:
    run, position = "north-taped-35-2", "pane-l"
    volts = cab.volts(run)
    volts[:, _channel(cab, run, position)] = cab.floor_volts(run, position)
    cab.write(run, volts)
    return _of_run(cab, run, position)


def wrong_gain(cab: Cab) -> Touched:
    run = "north-open-25-2"
    cab.rows[run]["gain_db"] = GAIN_DB["north"] + 10.0
    return _of_run(cab, run)


def _off_speed(cab: Cab, *, logged: bool) -> Touched:
    run, factor = "south-taped-35-1", 1.03
    cab.write(run, cab.volts(run, speed_factor=factor))
    if logged:
        cab.rows[run]["measured_speed_mps"] = cab.logged_speed_mps(run, factor)
    return _of_run(cab, run)


def off_speed(cab: Cab) -> Touched:
    return _off_speed(cab, logged=True)


def off_speed_unlogged(cab: Cab) -> Touched:
    return _off_speed(cab, logged=False)


def exchanged_sensors(cab: Cab) -> Touched:
    run, pair = "north-calibrator-before", ("door-l", "pane-r")
    cab.write(run, cab.calibrator_volts(run, exchanged={pair[0]: pair[1], pair[1]: pair[0]}))
    return Touched("north", pair, alike=True)


def leaking_check(cab: Cab) -> Touched:
    run, position = "south-calibrator-before", "step-l"
    cab.write(run, cab.calibrator_volts(run, lower_db={position: -1.5}))
    return Touched("south", (position,), alike=True)


def drifting_sensor(cab: Cab) -> Touched:
    session, position = "south", "pane-l"
    cab.extra_drift_db[session, position] = 0.8
    for run, one in cab.log.items():
        if one.session == session:
            cab.write(run, cab.calibrator_volts(run) if one.kind == "calibration" else cab.volts(run))
    return Touched(session, (position,))


def _hum(cab: Cab, run: str, position: str) -> None:
    one = cab.log[run]
    volts = cab.volts(run)
    levels = cab.true_levels_db(one.session, one.condition, position, one.speed_mps)
    time = np.arange(len(volts)) / RATE_HZ
    scale = cab.sensitivity_v_per_pa(one.session, position, one.place) * 10.0 ** (GAIN_DB[one.session] / 20.0)
    for number, hertz in enumerate(HUM_HZ):
        band = int(np.clip(round(10.0 * np.log10(hertz / 1000.0)) - BANDS[0], 0, BANDS.size - 1))
        decibels = levels[band] + HUM_ABOVE_DB + 2.0 * (1 - number)
        peak = np.sqrt(2.0 * REFERENCE_PA2 * 10.0 ** (decibels / 10.0))
        volts[:, _channel(cab, run, position)] += scale * peak * np.sin(2.0 * np.pi * hertz * 1.0003 * time + number)
    cab.write(run, volts)


def hum_in_one_run(cab: Cab) -> Touched:
    run, position = "north-taped-35-2", "pane-r"
    _hum(cab, run, position)
    return _of_run(cab, run, position, bands_hz=HUM_BANDS_HZ)


def hum_in_a_condition(cab: Cab) -> Touched:
    position = "pane-r"
    for run, one in cab.log.items():
        if one.session == "north" and one.condition == "taped" and one.kind == "measurement":
            _hum(cab, run, position)
    return Touched("north", (position,), ("taped",), bands_hz=HUM_BANDS_HZ)


def _fan(cab: Cab, run: str) -> tuple[int, ...]:
    cab.write(run, cab.volts(run, fan_bands=FAN_BANDS, fan_db=FAN_DB))
    # The bands beside take the window's slope.
    near = range(min(FAN_BANDS) - 1, max(FAN_BANDS) + 2)
    return tuple(NOMINAL_HZ[n - BANDS[0]] for n in near)


def fan_in_background(cab: Cab) -> Touched:
    return Touched("north", POSITIONS, ("open",), (35.0,), _fan(cab, "north-air-open-35"))


def fan_in_one_of_two(cab: Cab) -> Touched:
    return Touched("south", POSITIONS, CONDITIONS, (35.0,), _fan(cab, "south-air-2-35"))


def _overload(cab: Cab, share: float) -> Touched:
    """The channel's bias has wandered towards the end of the range, where the crests are cut off."""
    run, position = "south-open-35-2", "nose"
    volts = cab.volts(run)
    own: Values = volts[:, _channel(cab, run, position)]
    own += FULL_SCALE_V - np.quantile(own, 1.0 - share)
    cab.write(run, volts)
    return _of_run(cab, run, position)


def overload_of_few(cab: Cab) -> Touched:
    return _overload(cab, 3e-5)


def overload_of_many(cab: Cab) -> Touched:
    return _overload(cab, 0.03)


def missing_background(cab: Cab) -> Touched:
    run = "north-air-taped-35"
    cab.rows.pop(run)
    cab.recording(run).unlink()
    return _of_run(cab, run)


def cut_recording(cab: Cab) -> Touched:
    run = "north-part-35-3"
    whole = cab.recording(run).read_bytes()
    cab.recording(run).unlink()
    cab.recording(run).write_bytes(whole[: len(whole) * 55 // 100])
    return _of_run(cab, run)


def _struck(run: str, position: str = "") -> Callable[[Cab], None]:
    return lambda cab: cab.unusable.append((run, position))


def _left_out(run: str) -> Callable[[Cab], None]:
    return lambda cab: cab.rows[run].update(use="no")


FAULTS: dict[str, Fault] = {
    "dead-channel": Fault(
        "a channel is dead in one run: its own noise alone", dead_channel, _struck("north-taped-35-2", "pane-l")
    ),
    "wrong-gain": Fault(
        "20 dB of gain in the row of a run recorded with 10 dB", wrong_gain, _struck("north-open-25-2")
    ),
    "off-speed": Fault("a run 3 % off speed, as the log says", off_speed, _struck("south-taped-35-1")),
    "off-speed-unlogged": Fault(
        "a run 3 % off speed, which the log does not say", off_speed_unlogged, _struck("south-taped-35-1")
    ),
    "exchanged-sensors": Fault("two sensors exchanged in the check before", exchanged_sensors),
    "leaking-check": Fault("one channel 1.5 dB low in the check before", leaking_check),
    "drifting-sensor": Fault("a sensor drifts by 0.8 dB between the checks", drifting_sensor),
    "hum-in-one-run": Fault("mains hum on a channel in one run", hum_in_one_run, _struck("north-taped-35-2", "pane-r")),
    "hum-in-a-condition": Fault("mains hum on a channel in all runs of a condition", hum_in_a_condition),
    "fan-in-background": Fault("a fan in the only background run of a condition and speed", fan_in_background),
    "fan-in-one-of-two": Fault("a fan in one of two background runs", fan_in_one_of_two, _left_out("south-air-2-35")),
    "overload-of-few": Fault(
        "0.003 % of a channel's samples at the end of the range", overload_of_few, _struck("south-open-35-2", "nose")
    ),
    "overload-of-many": Fault(
        "3 % of a channel's samples at the end of the range", overload_of_many, _struck("south-open-35-2", "nose")
    ),
    "missing-background": Fault("no background run for a condition and speed", missing_background),
    "cut-recording": Fault("a recording cut short", cut_recording),
}


def planted(sound: Cab, name: str, folder: Path) -> tuple[Cab, Touched]:
    """A copy of the sound campaign with one fault in it, and what the fault touches."""
    cab = sound.copied(folder)
    touched = FAULTS[name].plant(cab)
    cab.write_tables()
    return cab, touched


def mended(faulty: Cab, name: str, folder: Path) -> Cab | None:
    """A copy of a campaign with a fault from which what is wrong is left out by hand, where that is possible."""
    mend = FAULTS[name].mend
    if mend is None:
        return None
    cab = faulty.copied(folder)
    mend(cab)
    cab.write_tables()
    return cab
