"""The same invented rig on a bad day: planted faults among clean channels, all known. Synthetic.

`write_faulty_rig` returns which (run, position) holds which fault; every other channel of a readable run is clean.
"""

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from rig_campaign import POSITIONS, Fitting, Rig, Session, write_settings_and_tables
from rig_files import as_full_scale, write_float_wave, write_integer_sound, write_raw
from rig_signals import Values, white

FULL_SCALE_V = 2.0

SETTINGS = """title: Duct wall panel on a bad day (synthetic data)
recordings: recordings
raw_formats:
  seven: {sample_type: int16, byte_order: little, layout: interleaved, channels: 7, sample_rate_hz: 25600}
conditions:
  open: {title: Slot open, applied: []}
  shut: {title: Slot shut, applied: [plate, wool]}
reference_condition: open
bands: {range_hz: [100, 8000]}
keep_pressure: true
"""


@dataclass
class FaultTruth:
    folder: Path
    channels: dict[tuple[str, str], str] = field(default_factory=dict)
    recordings: dict[str, str] = field(default_factory=dict)
    calibrations: dict[tuple[str, str], str] = field(default_factory=dict)
    pressure_pa: dict[tuple[str, str], Values] = field(default_factory=dict)
    readable: tuple[str, ...] = ()


def bad_day_sessions() -> dict[str, Session]:
    """The polarity of slot-c is negative and slot-b drifts by 0.8 dB; `novolts` has no full scale for 16 bits."""
    mishap = tuple(
        Fitting(
            channel, position, f"r{channel + 4:02d}", "", FULL_SCALE_V, 20.0, "-" if position == "slot-a" else "+",
            drift_db=0.8 if position == "slot-b" else 0.03,
        )
        for channel, position in enumerate(POSITIONS, start=1)
    )  # fmt: skip
    novolts = tuple(Fitting(fitting.channel, fitting.position, f"r{fitting.channel:02d}") for fitting in mishap[:2])
    return {"mishap": Session("mishap", 25600, 6, mishap), "novolts": Session("novolts", 25600, 2, novolts)}


def clip_at(signal: Values, limit: float) -> Values:
    return np.clip(signal, -limit, limit)


def hold(signal: Values, first: int, frames: int) -> Values:
    """A recorder that repeats one value while it loses samples."""
    held = signal.copy()
    held[first : first + frames] = held[first]
    return held


def write_faulty_rig(folder: Path, seed: int) -> FaultTruth:
    rig = Rig(folder, seed, bad_day_sessions(), duration_s=6.0)
    truth = FaultTruth(folder)
    session = rig.sessions["mishap"]
    scales = [FULL_SCALE_V] * 6
    lsb = FULL_SCALE_V / 2**15
    for stage, drifted in (("before", 0.0), ("after", 1.0)):
        tone = rig.calibrator_volts(
            session, POSITIONS[:5], pascals=rig.coupler_pascals(), frequency_hz=250.4, drifted=drifted, rate_hz=25600,
            gain_db=0.0, each_s=6.0,
        )  # fmt: skip
        write_integer_sound(rig.path(f"calibrator-{stage}.wav"), as_full_scale(tone, scales), 25600, 16)
        rig.row(
            f"calibrator-{stage}", f"calibrator-{stage}.wav", "calibration", "mishap", calibrator="coupler-250",
            stage=stage, gain_db=0, static_pressure_hpa=950,
        )  # fmt: skip
    truth.calibrations = {("mishap", "slot-b"): "drift of 0.8 dB", ("mishap", "slot-c"): "never calibrated"}

    def made(run: str, condition: str = "open", kind: str = "measurement") -> Values:
        rig.row(
            run, f"{run}.wav", kind, "mishap", condition=condition if kind == "measurement" else "",
            **rig.point_cells("A", 0),
        )  # fmt: skip
        return rig.pressure_run(run, session, kind, condition, "A")

    def write(run: str, volts: Values) -> None:
        write_integer_sound(rig.path(f"{run}.wav"), as_full_scale(volts, scales), 25600, 16)

    for run, condition, kind in (
        ("clean-open", "open", "measurement"),
        ("clean-shut", "shut", "measurement"),
        ("clean-back", "", "background"),
    ):
        volts = made(run, condition or "open", kind)
        write(run, volts)
        if run == "clean-open":
            for fitting in session.fittings:
                scale = rig.volts_per_pascal(fitting, 0.5) * 10.0 ** (fitting.gain_db / 20.0)
                sign = -1.0 if fitting.polarity == "-" else 1.0
                truth.pressure_pa[run, fitting.position] = volts[:, fitting.channel - 1] / (sign * scale)

    volts = made("mixed")
    volts[:, 0] *= FULL_SCALE_V / 2.2 / np.std(volts[:, 0])
    volts[:, 1] = clip_at(volts[:, 1], 2.2 * float(np.std(volts[:, 1])))
    volts[:, 2] = hold(volts[:, 2], 3 * 25600, 512)
    volts[:, 3] = np.round(white(len(volts), 0.4, rig.random)) * lsb
    write("mixed", volts)
    faults = ("overload", "clipping below full scale", "dropout", "dead: the converter's last bit only")
    truth.channels |= {("mixed", position): fault for position, fault in zip(POSITIONS[:4], faults, strict=True)}

    volts = made("still")
    volts[:, 4] = 0.0
    volts[:, 5] = 0.01
    write("still", volts)
    truth.channels |= {("still", "slot-b"): "dead: zeros", ("still", "slot-c"): "dead: stuck at one value"}

    volts = made("subtle")
    frames = len(volts)
    time = np.arange(frames) / 25600.0
    size = np.std(volts, axis=0)
    volts[:, 0] += size[0] * sum(np.sqrt(2) * np.sin(2 * np.pi * 50.0 * n * time) / n for n in (1, 2, 3, 4, 5))
    volts[rig.random.integers(0, frames, 40), 1] += 12.0 * size[1]
    volts[:, 2] *= 10.0 ** (6.0 * time / time[-1] / 20.0)
    volts[:, 3] *= 10.0 ** (-15.0 / 20.0)
    write("subtle", volts)
    faults = ("hum", "spikes", "drift of 6 dB within the run", "15 dB below its neighbours and other runs")
    truth.channels |= {("subtle", position): fault for position, fault in zip(POSITIONS[:4], faults, strict=True)}

    write("short", made("short"))
    whole = rig.path("short.wav").read_bytes()
    rig.path("short.wav").write_bytes(whole[: len(whole) * 6 // 10])
    made("missing")
    made("empty")
    rig.path("empty.wav").write_bytes(b"")
    made("text")
    rig.path("text.wav").write_text("the recorder said: disk full\n")
    volts = made("channels")
    rig.rows[-1] |= {"recording": "channels.raw", "format": "seven"}
    write_raw(rig.path("channels.raw"), as_full_scale(volts, scales), "int16", "little", "interleaved", 0)
    volts = made("flac")
    rig.rows[-1]["recording"] = "flac.flac"
    write_integer_sound(rig.path("flac.flac"), as_full_scale(volts, scales), 25600, 16)
    whole = rig.path("flac.flac").read_bytes()
    rig.path("flac.flac").write_bytes(whole[: len(whole) // 2])
    volts = made("holes")
    normalised = as_full_scale(volts, scales)
    normalised[1000:1010, 5] = np.nan
    write_float_wave(rig.path("holes.wav"), normalised, 25600)
    truth.channels["holes", "slot-c"] = "samples that are no numbers"

    quiet = rig.sessions["novolts"]
    volts = rig.pressure_run("novolts", quiet, "measurement", "open", "A")
    write_integer_sound(rig.path("novolts.wav"), volts, 25600, 16)
    rig.row("novolts", "novolts.wav", "measurement", "novolts", condition="open", **rig.point_cells("A", 0))
    truth.recordings = {
        "short": "cut short against its header",
        "missing": "no such file",
        "empty": "a file of no bytes",
        "text": "no sound file at all",
        "channels": "six channels described as seven",
        "flac": "half of a FLAC file",
        "novolts": "integers without full_scale_v",
    }
    truth.readable = ("clean-open", "clean-shut", "clean-back", "mixed", "still", "subtle", "holes")
    write_settings_and_tables(rig, "duct-bad-day", SETTINGS, 0.1)
    return truth
