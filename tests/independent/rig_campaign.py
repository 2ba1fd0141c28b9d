"""An invented bench rig with known truth: a duct wall panel with a half-open slot. Synthetic; no such rig exists.

Written from the input contract alone. `write_rig` makes the whole campaign folder and returns what is true of it: the
exact band powers of source and background in every run, the sensitivities of every fitting, the differences between
conditions. Sessions:
  spring  25.6 kHz, float WAV holding volts, no scatter between runs, all positions calibrated in turn, 950 hPa
  summer  51.2 kHz, 16-bit WAV, scatter between runs, one calibrator recording a position, polarity and gain changes
  autumn  25.6 kHz, FLAC, raw and normalised float files, a check before only, three mounts left from spring
  pascal  recordings already in pascal, no sensors, no background
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from rig_files import as_full_scale, write_float_wave, write_integer_sound, write_raw, write_table
from rig_signals import (
    Density,
    Response,
    Values,
    band_power_pa2,
    bump,
    decibel_density,
    line_frequencies_hz,
    noise,
    scatter_curve,
    to_signal,
    total,
    white,
)

POSITIONS = ("duct-a", "duct-b", "duct-c", "slot-a", "slot-b", "slot-c")
CONDITIONS = ("open", "shut", "plate", "wedge", "half")
LEVEL_STEP_DB = {"duct-a": 0.0, "duct-b": -1.5, "duct-c": 1.0, "slot-a": 2.0, "slot-b": 0.5, "slot-c": -1.0}
POINTS = {  # set speeds within 2 % of each other and one yaw make one operating point
    "A": ((30.0, 30.3, 29.8), 0.0, 0.0),
    "B": ((30.0, 30.2, 29.9), 10.0, 1.0),
    "C": ((30.1, 30.1, 30.1), -10.0, -1.5),
    "D": ((40.0, 40.3, 39.9), 0.0, 6.0),
}
CURVE = Callable[[Values], Values]


def change_db(condition: str, position: str) -> CURVE:
    """What a treatment does at a position, in dB over frequency; exactly zero outside the humps."""
    humps: dict[tuple[str, str], tuple[float, float, float]] = {
        ("shut", "duct-a"): (-8.0, 90.0, 1500.0),
        ("shut", "duct-b"): (-5.0, 300.0, 9000.0),
        ("shut", "duct-c"): (-3.0, 800.0, 5000.0),
        ("shut", "slot-a"): (-6.0, 150.0, 4000.0),
        ("shut", "slot-c"): (2.0, 2000.0, 8000.0),
        ("plate", "duct-a"): (-4.0, 90.0, 1500.0),
        ("plate", "slot-a"): (-2.0, 150.0, 4000.0),
        ("half", "duct-a"): (-2.0, 90.0, 1500.0),
        ("half", "slot-a"): (-4.0, 150.0, 4000.0),
    }
    size, lower, upper = humps.get((condition, position), (0.0, 100.0, 200.0))
    return lambda f: size * bump(f, lower, upper)


def margin_aim_db(position: str, f: Values) -> Values:
    """Source above background with the slot open: from far below zero to far above the no-correction limit."""
    x = np.log10(f / 1000.0)
    aims: dict[str, Values] = {
        "duct-a": 24.0 + 2.0 * x,
        "duct-b": 10.0 + 12.0 * x,
        "duct-c": 10.0 - 12.0 * x,
        "slot-a": 9.0 + 4.0 * np.sin(4.0 * x),
        "slot-b": 14.0 - 5.0 * x,
        "slot-c": 4.0 + 3.0 * np.sin(3.0 * x),
    }
    return aims[position]


def open_source_db(position: str, point: str, f: Values) -> Values:
    x = np.log10(f / 1000.0)
    phase = POSITIONS.index(position)
    return 68.0 + LEVEL_STEP_DB[position] + POINTS[point][2] - 9.0 * x + 1.5 * np.sin(2.2 * x + phase)


def source_density(condition: str, position: str, point: str, deviation_db: CURVE | None = None) -> Density:
    change = change_db(condition, position)

    def level(f: Values) -> Values:
        extra = 0.0 if deviation_db is None else deviation_db(f)
        return open_source_db(position, point, f) + change(f) + extra

    return decibel_density(level)


def background_density(position: str, point: str, extra_db: float = 0.0) -> Density:
    return decibel_density(lambda f: open_source_db(position, point, f) - margin_aim_db(position, f) + extra_db)


@dataclass(frozen=True)
class Sensor:
    name: str
    sensitivity_v_per_pa: float
    table_error_db: float
    response: Response | None


@dataclass(frozen=True)
class Fitting:
    channel: int
    position: str
    sensor: str
    mount: str = ""
    full_scale_v: float | None = None
    gain_db: float = 0.0
    polarity: str = "+"
    drift_db: float = 0.0  # after the runs against before; half of it is reached when the runs are taken


@dataclass(frozen=True)
class Session:
    name: str
    rate_hz: int
    channels: int
    fittings: tuple[Fitting, ...]
    scatter_db: float = 0.0


@dataclass(frozen=True)
class RunTruth:
    """Band powers in Pa^2, one value a third octave, by position; `used` is false for runs that must play no part."""

    run: str
    session: str
    kind: str
    condition: str
    point: str
    used: bool
    subtracted: bool
    source_pa2: Mapping[str, Values]
    background_pa2: Mapping[str, Values]
    sample_rate_hz: int
    duration_s: float


@dataclass
class RigTruth:
    folder: Path
    sensitivities: dict[tuple[str, str], float] = field(default_factory=dict)
    runs: dict[str, RunTruth] = field(default_factory=dict)
    mounts: dict[tuple[str, str], CURVE] = field(default_factory=dict)

    def source_db(self, condition: str, position: str, point: str) -> Values:
        power = band_power_pa2(source_density(condition, position, point))
        level: Values = 10.0 * np.log10(power / 4e-10)
        return level


def make_sensors(random: np.random.Generator) -> dict[str, Sensor]:
    """Ten sensors; eight have charts that start at different frequencies, all pass through 0 dB at 250 Hz."""
    starts = {"r01": 20, "r02": 31.5, "r03": 200, "r04": 50, "r05": 20, "r06": 100, "r07": 63, "r08": 25}
    sensors = {}
    for number in range(1, 11):
        name = f"r{number:02d}"
        response = None
        if name in starts:
            frequency = np.unique(np.append(np.geomspace(starts[name], 12500.0, 40), 250.0))
            slope, rise = random.uniform(-0.15, 0.15), random.uniform(-2.0, 2.5)
            values = slope * np.log10(frequency / 250.0) + rise * (frequency**2 - 250.0**2) / 8000.0**2
            response = Response(tuple(np.round(frequency, 3)), tuple(np.round(values, 4)))
        sensors[name] = Sensor(name, random.uniform(3e-3, 8e-3), random.uniform(-0.3, 0.3), response)
    return sensors


def rig_sessions() -> dict[str, Session]:
    order = (4, 2, 6, 1, 5, 3)
    spring = tuple(
        Fitting(
            channel,
            position,
            f"r{number:02d}",
            f"pad-{position}" if number <= 3 else "",
            None,
            36.0,
            drift_db=0.04 * number - 0.1,
        )
        for number, (channel, position) in enumerate(zip(order, POSITIONS, strict=True), start=1)
    )
    summer_sensors = ("r03", "r01", "r07", "r08", "r05", "r02")
    summer = tuple(
        Fitting(
            channel,
            position,
            sensor,
            "",
            (2.0, 5.0)[channel % 2],
            20.0 if channel < 5 else 26.0,
            "-" if channel in (2, 5) else "+",
            drift_db=0.02 * channel,
        )
        for channel, (position, sensor) in enumerate(zip(POSITIONS, summer_sensors, strict=True), start=1)
    )
    autumn_sensors = ("r01", "r02", "r03", "r09", "r10", "r04")
    autumn = tuple(
        Fitting(channel, position, sensor, f"pad-{position}" if position.startswith("duct") else "", 4.0, 20.0)
        for channel, position, sensor in zip((1, 2, 4, 5, 6, 7), POSITIONS, autumn_sensors, strict=True)
    )
    pascal = (Fitting(1, "duct-a", ""), Fitting(2, "slot-b", ""))
    return {
        "spring": Session("spring", 25600, 6, spring),
        "summer": Session("summer", 51200, 6, summer, scatter_db=0.5),
        "autumn": Session("autumn", 25600, 7, autumn),
        "pascal": Session("pascal", 25600, 2, pascal),
    }


class Rig:
    """Writes recordings with known content and remembers the truth about them."""

    def __init__(
        self,
        folder: Path,
        seed: int,
        sessions: Mapping[str, Session],
        duration_s: float = 8.0,
        calibrator_error_db: Mapping[str, float] | None = None,
        mount_sd_db: Mapping[str, tuple[float, float]] | None = None,
    ) -> None:
        self.folder = folder
        self.random = np.random.default_rng(seed)
        self.sensors = make_sensors(np.random.default_rng(20))
        self.sessions = dict(sessions)
        self.duration_s = duration_s
        self.calibrator_error_db = dict(calibrator_error_db or {})
        self.truth = RigTruth(folder)
        for name, (kept_db, anew_db) in (mount_sd_db or {}).items():
            for fitting in self.sessions[name].fittings:
                curve = scatter_curve(kept_db if fitting.mount else anew_db, self.random)
                self.truth.mounts[name, fitting.position] = curve
        self.rows: list[dict[str, object]] = []
        for session in self.sessions.values():
            for fitting in session.fittings:
                if fitting.sensor:
                    self.truth.sensitivities[session.name, fitting.position] = self.volts_per_pascal(fitting, 0.5)

    def volts_per_pascal(self, fitting: Fitting, drifted: float) -> float:
        """`drifted` 0 before, 1 after, a half during the runs. The table's value is this within its error."""
        return float(self.sensors[fitting.sensor].sensitivity_v_per_pa * 10.0 ** (fitting.drift_db * drifted / 20.0))

    def deviation(self, session: Session, position: str) -> CURVE | None:
        """What one run at one position is off by: the session's scatter, and what its mount does in all runs."""
        own = scatter_curve(session.scatter_db, self.random) if session.scatter_db else None
        mounted = self.truth.mounts.get((session.name, position))
        if own is None or mounted is None:
            return own or mounted
        return lambda f: own(f) + mounted(f)

    def path(self, name: str) -> Path:
        return self.folder / "recordings" / name

    def pressure_run(
        self,
        run: str,
        session: Session,
        kind: str,
        condition: str,
        point: str,
        *,
        used: bool = True,
        subtracted: bool = True,
        background_extra_db: float = 0.0,
        wrong_db: float = 0.0,
        lead_s: float = 0.0,
        gain_db: float | None = None,
    ) -> Values:
        """Volts (or pascal) of one run, frames by channels, and its truth noted. `lead_s` of louder rubbish is put
        before and after the part to use; `wrong_db` makes a run that must not be used differ."""
        frames = round(self.duration_s * session.rate_hz)
        frequency = line_frequencies_hz(frames, session.rate_hz)
        lead = round(lead_s * session.rate_hz)
        volts = white(frames + 2 * lead, 1e-3, self.random)[:, None].repeat(session.channels, axis=1)
        source_pa2: dict[str, Values] = {}
        background_pa2: dict[str, Values] = {}
        for fitting in session.fittings:
            deviation = self.deviation(session, fitting.position)
            source = source_density(condition, fitting.position, point, deviation)
            background = background_density(fitting.position, point, background_extra_db)
            silent = kind == "background"
            parts = [background] if silent else [source, background]
            source_pa2[fitting.position] = 0.0 * band_power_pa2(background) if silent else band_power_pa2(source)
            background_pa2[fitting.position] = band_power_pa2(background)
            amplitudes = noise(total(parts), frames, session.rate_hz, self.random)
            response = self.sensors[fitting.sensor].response if fitting.sensor else None
            signal = to_signal(amplitudes, frames, response.gain(frequency) if response else None)
            rubbish = 3.0 * float(np.std(signal))
            signal = np.concatenate([white(lead, rubbish, self.random), signal, white(lead, rubbish, self.random)])
            if fitting.sensor:
                gain = fitting.gain_db if gain_db is None else gain_db
                sign = -1.0 if fitting.polarity == "-" else 1.0
                signal = signal * sign * self.volts_per_pascal(fitting, 0.5) * 10.0 ** (gain / 20.0)
            volts[:, fitting.channel - 1] = signal * 10.0 ** (wrong_db / 20.0)
        self.truth.runs[run] = RunTruth(
            run, session.name, kind, condition, point, used, subtracted, source_pa2, background_pa2,
            session.rate_hz, self.duration_s,
        )  # fmt: skip
        return volts

    def row(self, run: str, recording: str, kind: str, session: str, **cells: object) -> None:
        self.rows.append({"run": run, "recording": recording, "kind": kind, "session": session, **cells})

    def point_cells(self, point: str, number: int) -> dict[str, object]:
        speeds, yaw_deg, _ = POINTS[point]
        return {"speed_mps": speeds[number % 3], "yaw_deg": yaw_deg, "temperature_c": 20, "static_pressure_hpa": 1000}

    def calibrator_volts(
        self,
        session: Session,
        calibrated: Sequence[str],
        *,
        pascals: float,
        frequency_hz: float,
        drifted: float,
        rate_hz: int,
        gain_db: float | None = None,
        each_s: float = 7.0,
    ) -> Values:
        """Volts of a calibrator recording: each position in turn with knocks while it is put on and taken off, a
        second of sliding into its seat, a little distortion, and the tone leaking faintly into the other channels."""
        part = round(each_s * rate_hz)
        time = np.arange(part) / rate_hz
        volts = np.zeros((part * len(calibrated), session.channels))
        for number, position in enumerate(calibrated):
            rows = slice(number * part, (number + 1) * part)
            on = np.clip((time - 1.0) / 0.05, 0.0, 1.0) * np.clip((each_s - 0.8 - time) / 0.05, 0.0, 1.0)
            seat = 10.0 ** (-1.2 * np.exp(-(np.maximum(time - 1.0, 0.0)) / 0.25) / 20.0)
            phase = 2.0 * np.pi * frequency_hz * time + self.random.uniform(0, 6.0)
            tone = np.sqrt(2.0) * pascals * on * seat
            tone = tone * (np.sin(phase) + 0.008 * np.sin(2 * phase + 0.4) + 0.004 * np.sin(3 * phase))
            knocks = sum(
                0.8 * pascals * np.exp(-(((time - at) / 0.02) ** 2)) * np.sin(2 * np.pi * 40.0 * (time - at))
                for at in (0.7, 0.9, each_s - 0.75, each_s - 0.4)
            )
            for fitting in session.fittings:
                quiet = white(part, 0.05, self.random)
                heard = (tone + knocks if fitting.position == position else 0.002 * tone) + quiet
                gain = fitting.gain_db if gain_db is None else gain_db
                response = self.sensors[fitting.sensor].response
                at_tone = float(response.gain(np.asarray([frequency_hz]))[0]) if response else 1.0
                sign = -1.0 if fitting.polarity == "-" else 1.0
                scale = sign * self.volts_per_pascal(fitting, drifted) * at_tone * 10.0 ** (gain / 20.0)
                volts[rows, fitting.channel - 1] = heard * scale
        return volts

    def coupler_pascals(self) -> float:
        """124 dB certificate level, -0.12 dB adapter, 950 hPa; and what the calibrator is truly off by."""
        error = self.calibrator_error_db.get("coupler-250", 0.0)
        return float(2e-5 * 10.0 ** ((124.0 - 0.12 + error) / 20.0) * 950.0 / 1013.25)

    def speaker_pascals(self) -> float:
        error = self.calibrator_error_db.get("speaker-1k", 0.0)
        return float(2e-5 * 10.0 ** ((114.0 + 0.07 + error) / 20.0))


def write_settings_and_tables(rig: Rig, campaign: str, settings: str, calibrator_uncertainty_db: float) -> None:
    config = rig.folder / "config"
    config.mkdir(parents=True, exist_ok=True)
    (config / "campaign.yaml").write_text(f"# synthetic: an invented bench rig\ncampaign: {campaign}\n{settings}")
    shuffled = [rig.rows[index] for index in rig.random.permutation(len(rig.rows))]
    write_table(config / "runs.csv", shuffled)
    positions = [
        {"position": name, "x_m": 0.1 * number, "y_m": 0.02, "z_m": 0.5, "area": name.split("-")[0]}
        for number, name in enumerate(POSITIONS)
    ]
    write_table(config / "positions.csv", positions)
    fittings = [
        {
            "session": session.name,
            "channel": fitting.channel,
            "position": fitting.position,
            "sensor": fitting.sensor,
            "mount": fitting.mount,
            "full_scale_v": "" if fitting.full_scale_v is None else fitting.full_scale_v,
            "gain_db": fitting.gain_db or "",
            "polarity": fitting.polarity,
            "unit": "" if fitting.sensor else "Pa",
        }
        for session in rig.sessions.values()
        for fitting in reversed(session.fittings)
    ]
    write_table(config / "fittings.csv", fittings, byte_order_mark=True, crlf=True)
    sensors = []
    for sensor in rig.sensors.values():
        listed = 1000.0 * sensor.sensitivity_v_per_pa * 10.0 ** (sensor.table_error_db / 20.0)
        row: dict[str, object] = {"sensor": sensor.name, "sensitivity_mv_per_pa": f"{listed:.5f}"}
        row |= {"calibrated_on": "2026-01-15", "chart": "", "sensitivity_uncertainty_db": 0.2}
        if sensor.response is not None:
            row["chart"] = f"charts/{sensor.name}.csv"
            pairs = zip(sensor.response.frequency_hz, sensor.response.response_db, strict=True)
            points = [{"frequency_hz": f, "response_db": db} for f, db in pairs]
            write_table(rig.folder / "charts" / f"{sensor.name}.csv", points)
        sensors.append(row)
    write_table(config / "sensors.csv", sensors)
    columns = ("calibrator", "kind", "level_db", "frequency_hz", "level_uncertainty_db", "adapter_correction_db")
    calibrators = (
        ("coupler-250", "closed-coupler", 124.0, 250, calibrator_uncertainty_db, -0.12),
        ("speaker-1k", "feedback", 114.0, 1000, calibrator_uncertainty_db, 0.07),
    )
    write_table(config / "calibrators.csv", [dict(zip(columns, line, strict=True)) for line in calibrators])


RIG_SETTINGS = """title: Duct wall panel with a half-open slot (synthetic data)
recordings: recordings
raw_formats:
  planar-24: {sample_type: int24, byte_order: big, layout: planar, channels: 7, sample_rate_hz: 25600,
    header_bytes: 768}
  doubles: {sample_type: float64, byte_order: little, layout: interleaved, channels: 7, sample_rate_hz: 25600}
  wide: {sample_type: int32, byte_order: big, layout: interleaved, channels: 7, sample_rate_hz: 25600, header_bytes: 5}
axes: x along the duct, y to the left, z up; yaw positive panel towards the flow
conditions:
  open: {title: Slot open, applied: []}
  shut: {title: Slot shut, applied: [plate, wool]}
  plate: {title: Plate over the slot, applied: [plate]}
  wedge: {title: Wedge upstream}
  half: {title: Slot half open}
reference_condition: open
spectra: {resolution_hz: 4.0, range_hz: [20, 10000]}
bands: {fraction: 3, method: lines, range_hz: [100, 8000]}
overall: [{weighting: Z, range_hz: [100, 8000]}, {weighting: A, range_hz: [100, 8000]}]
background: {repeat_sd_db: 0}  # the duct's fan runs alike in every recording
report: {speed_unit: m/s}
"""


def write_spring(rig: Rig) -> None:
    session = rig.sessions["spring"]
    for stage, drifted, given in (("before", 0.0, True), ("after", 1.0, False)):
        order = list(rig.random.permutation(POSITIONS))
        tone = rig.calibrator_volts(
            session, order, pascals=rig.coupler_pascals(), frequency_hz=250.9, drifted=drifted, rate_hz=25600
        )
        write_float_wave(rig.path(f"spring/calibrator-{stage}.wav"), tone, 25600)
        rig.row(
            f"sp-calibrator-{stage}", f"spring/calibrator-{stage}.wav", "calibration", "spring",
            calibrator="coupler-250", stage=stage, positions=" ".join(order) if given else "",
            static_pressure_hpa=950, temperature_c=20,
        )  # fmt: skip

    def run(name: str, kind: str, condition: str, point: str, number: int, **cells: object) -> None:
        used = cells.get("use") != "no" and not name.endswith("-old")
        volts = rig.pressure_run(
            name, session, kind, condition, point, used=used, wrong_db=0.0 if used else 6.0,
            subtracted=cells.get("background") != "none",
        )  # fmt: skip
        write_float_wave(rig.path(f"spring/{name}.wav"), volts, session.rate_hz)
        shown = condition if kind == "measurement" else ""
        cells = rig.point_cells(point, number) | cells
        rig.row(name, f"spring/{name}.wav", kind, "spring", condition=shown, **cells)

    for number in range(3):
        for condition in ("open", "shut", "wedge"):
            run(f"sp-a-{condition}-{number}", "measurement", condition, "A", number)
    for number in range(2):
        run(f"sp-a-back-{number}", "background", "open", "A", number)
        run(f"sp-b-open-{number}", "measurement", "open", "B", number, background="sp-b-back")
        run(f"sp-b-plate-{number}", "measurement", "plate", "B", number + 1, background="sp-b-back")
    run("sp-b-back", "background", "open", "B", 2)
    for condition in ("open", "shut"):
        run(f"sp-c-{condition}", "measurement", condition, "C", 0, background="none")
    run("sp-a-shut-old", "measurement", "shut", "A", 0)
    next(row for row in rig.rows if row["run"] == "sp-a-shut-0")["replaces"] = "sp-a-shut-old"
    run("sp-a-open-spoilt", "measurement", "open", "A", 0, use="no", remark="somebody leant on the duct")


def write_summer(rig: Rig) -> None:
    session = rig.sessions["summer"]
    scales = [fitting.full_scale_v or 1.0 for fitting in session.fittings]
    for stage, drifted in (("before", 0.0), ("after", 1.0)):
        for order in [[position] for position in POSITIONS] if stage == "before" else [list(POSITIONS[::-1])]:
            tone = rig.calibrator_volts(
                session, order, pascals=rig.speaker_pascals(), frequency_hz=1001.7, drifted=drifted, rate_hz=25600,
                gain_db=0.0,
            )  # fmt: skip
            name = f"su-calibrator-{stage}" + (f"-{order[0]}" if len(order) == 1 else "")
            write_integer_sound(rig.path(f"summer/{name}.wav"), as_full_scale(tone, scales), 25600, 16)
            rig.row(
                name, f"summer/{name}.wav", "calibration", "summer", calibrator="speaker-1k", stage=stage, gain_db=0,
                positions=order[0] if len(order) == 1 else "", static_pressure_hpa=950, temperature_c=20,
            )  # fmt: skip
    for number in range(3):
        for condition in ("open", "shut", "wedge"):
            name = f"su-a-{condition}-{number}"
            cells = rig.point_cells("A", number + 1)
            gain = 10.0 if name == "su-a-shut-1" else None
            lead = 1.5 if name == "su-a-open-2" else 0.0
            volts = rig.pressure_run(
                name, session, "measurement", condition, "A", gain_db=gain, lead_s=lead,
                background_extra_db=2.0 if condition == "wedge" else 0.0, subtracted=gain is None,
            )  # fmt: skip
            volts = volts + 0.004 * np.arange(1, 7)  # amplifiers have an offset
            normalised = as_full_scale(volts, scales)
            recording = f"summer/{name}.wav"
            if name == "su-a-open-1":
                recording = f"summer/{name}-1.wav | summer/{name}-2.wav | summer/{name}-3.wav"
                for part, rows in enumerate(np.array_split(normalised, [51217, 300001]), start=1):
                    write_integer_sound(rig.path(f"summer/{name}-{part}.wav"), rows, session.rate_hz, 16)
            else:
                write_integer_sound(rig.path(recording), normalised, session.rate_hz, 16)
            if gain is not None:
                cells["gain_db"] = gain
            if lead:
                cells |= {"start_s": lead, "stop_s": lead + rig.duration_s}
            rig.row(name, recording, "measurement", "summer", condition=condition, **cells)
    for name, condition, extra in (("su-a-back", "", 0.0), ("su-a-back-wedge", "wedge", 2.0)):
        quiet = Session(session.name, session.rate_hz, session.channels, session.fittings)
        volts = rig.pressure_run(name, quiet, "background", condition or "open", "A", background_extra_db=extra)
        write_integer_sound(rig.path(f"summer/{name}.wav"), as_full_scale(volts, scales), session.rate_hz, 16)
        rig.row(
            name, f"summer/{name}.wav", "background", "summer", condition=condition, **rig.point_cells("A", 0)
        )  # fmt: skip


def write_autumn(rig: Rig) -> None:
    session = rig.sessions["autumn"]
    scales = [4.0] * session.channels
    tone = rig.calibrator_volts(
        session, POSITIONS, pascals=rig.coupler_pascals(), frequency_hz=249.3, drifted=0.0, rate_hz=25600, gain_db=0.0
    )
    write_raw(rig.path("autumn/calibrator.raw"), as_full_scale(tone, scales), "int32", "big", "interleaved", 5)
    rig.row(
        "au-calibrator", "autumn/calibrator.raw", "calibration", "autumn", calibrator="coupler-250", stage="before",
        gain_db=0, static_pressure_hpa=950, temperature_c=20, format="wide",
    )  # fmt: skip
    plan = [
        ("au-b-half-0", "half", "B", "flac"),
        ("au-b-half-1", "half", "B", "planar-24"),
        ("au-b-back", "", "B", "doubles"),
        ("au-d-open-0", "open", "D", "flac"),
        ("au-d-open-1", "open", "D", "planar-24"),
        ("au-d-shut-0", "shut", "D", "float"),
        ("au-d-shut-1", "shut", "D", "doubles"),
        ("au-d-back", "", "D", "wave-24"),
    ]
    for number, (name, condition, point, kind_of_file) in enumerate(plan):
        kind = "measurement" if condition else "background"
        normalised = as_full_scale(rig.pressure_run(name, session, kind, condition or "open", point), scales)
        cells = rig.point_cells(point, number)
        if kind_of_file == "flac":
            recording = f"autumn/{name}.flac"
            write_integer_sound(rig.path(recording), normalised, session.rate_hz, 24)
        elif kind_of_file == "wave-24":
            recording = f"autumn/{name}.wav"
            write_integer_sound(rig.path(recording), normalised, session.rate_hz, 24)
        elif kind_of_file == "float":
            recording = f"autumn/{name}.wav"
            write_float_wave(rig.path(recording), normalised, session.rate_hz)
        else:
            recording = f"autumn/{name}.raw"
            cells["format"] = kind_of_file
            if kind_of_file == "planar-24":
                write_raw(rig.path(recording), normalised, "int24", "big", "planar", 768)
            else:
                write_raw(rig.path(recording), normalised, "float64", "little", "interleaved", 0)
        rig.row(name, recording, kind, "autumn", condition=condition, **cells)


def write_pascal(rig: Rig) -> None:
    session = rig.sessions["pascal"]
    for number, condition in enumerate(("open", "shut", "open", "shut")):
        name = f"pa-a-{condition}-{number}"
        pascals = rig.pressure_run(name, session, "measurement", condition, "A", subtracted=False)
        write_float_wave(rig.path(f"pascal/{name}.wav"), pascals, session.rate_hz)
        cells = rig.point_cells("A", number)
        rig.row(name, f"pascal/{name}.wav", "measurement", "pascal", condition=condition, **cells)


def write_rig(
    folder: Path,
    seed: int,
    sessions: Sequence[str] = ("spring", "summer", "autumn", "pascal"),
    calibrator_uncertainty_db: float = 0.01,
    calibrator_error_db: Mapping[str, float] | None = None,
    mount_sd_db: Mapping[str, tuple[float, float]] | None = None,
) -> RigTruth:
    """The campaign in `folder`, another noise for another seed; fewer sessions make a quicker one.

    `calibrator_error_db` is what the calibrators are truly off by, `mount_sd_db` by session how much a mount left in
    place and a new one change the levels of all its runs (nothing where not given).
    """
    known = rig_sessions()
    chosen = {name: known[name] for name in sessions}
    rig = Rig(folder, seed, chosen, calibrator_error_db=calibrator_error_db, mount_sd_db=mount_sd_db)
    writers = {"spring": write_spring, "summer": write_summer, "autumn": write_autumn, "pascal": write_pascal}
    for name in sessions:
        writers[name](rig)
    write_settings_and_tables(rig, "duct-slot", RIG_SETTINGS, calibrator_uncertainty_db)
    return rig.truth
