"""The way of one channel of one run from counts to averaged spectra, as it was gone, for a run and its backgrounds."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from tapeline.arrays import Reals
from tapeline.campaign.plan import Channel, Plan, Source
from tapeline.campaign.tables import Fitting, Sensor
from tapeline.explain.explanation import Chapter, Fact, Heading, Listing, Part
from tapeline.explain.made_results import shown
from tapeline.jobs import spectra
from tapeline.jobs.sensitivity import calibration_file, judged_checks_file
from tapeline.jobs.sources import open_source
from tapeline.jobs.spectra import SpectraNeeds, quality_file, spectra_file
from tapeline.jobs.spectra.chart_gain import chart_gains
from tapeline.jobs.spectra.run import used_parts
from tapeline.jobs.table_files import campaign_table
from tapeline.jobs.units_to_pascal import gain_db, pa_per_unit
from tapeline.jobs.verdicts import verdicts_file
from tapeline.recordings.recording import Recording, RecordingError
from tapeline.store import parquet, tables
from tapeline.store.file_records import read_records

if TYPE_CHECKING:
    from tapeline.store.rows import CalibrationRow, ChecksRow, QualityRow, SpectraRow


@dataclass(frozen=True)
class SignalPath:
    """One channel of one run. `recording` is None where the file is not there now or cannot be read any more.

    `spectrum` is None where the channel gave none; `needs` are those of the job that averaged it.
    """

    plan: Plan
    run: str
    needs: SpectraNeeds
    source: Source
    channel: Channel
    fitting: Fitting
    sensor: Sensor | None
    recording: Recording | None
    calibration: CalibrationRow
    checks: tuple[ChecksRow, ...]
    quality: QualityRow
    spectrum: SpectraRow | None
    averaged_ranges: tuple[tuple[int, int], ...]
    first_frame: int

    @property
    def gain_db(self) -> float:
        """The conditioner's gain in this run, in dB."""
        return gain_db(self.channel, self.source.gain_db)

    @property
    def sensitivity_v_per_pa(self) -> float | None:
        """The sensitivity used, None where the channel has none; a channel in pascal needs none."""
        return self.calibration["sensitivity_v_per_pa"]

    @property
    def pa_per_unit(self) -> float:
        """Pascal for one unit of the recording, with the sign of the polarity."""
        return pa_per_unit(self.channel, self.sensitivity_v_per_pa or 1.0, self.source.gain_db)

    def chart_gain(self, lines_hz: Reals) -> Reals:
        """Magnitude of the sensor's response that spectra were divided by, at some frequencies."""
        return np.asarray(chart_gains(self.needs, [self.channel.position], lines_hz)[0])


def signal_path(plan: Plan, run: str, position: str) -> SignalPath:
    """The way of the channel at a position of a run whose results are made."""
    used, results = plan.used[run], plan.results
    needs = spectra.needs(plan, run)
    quality = parquet.read_rows(tables.QUALITY, verdicts_file(results, used.session))
    own = next(row for row in quality if (row["run"], row["position"]) == (run, position))
    found = parquet.read_rows(tables.SPECTRA, spectra_file(results, run))
    spectrum = next((row for row in found if row["position"] == position), None)
    calibration = parquet.read_rows(tables.CALIBRATION, calibration_file(results, used.session))
    checks = parquet.read_rows(tables.CHECKS, judged_checks_file(results, used.session))
    channel = next(each for each in plan.channels(used.session, charts=True) if each.position == position)
    ranges: tuple[tuple[int, int], ...] = ()
    if spectrum is not None:
        judged = parquet.read_rows(tables.QUALITY, quality_file(results, run))
        heard = {row["position"] for row in found}
        ranges = used_parts(
            needs, [row for row in judged if row["position"] in heard], spectrum["sample_rate_hz"]
        ).ranges
    recording, first_frame = _opened(plan, plan.source(used))
    return SignalPath(
        plan=plan,
        run=run,
        needs=needs,
        source=plan.source(used),
        channel=channel,
        fitting=next(row for row in plan.campaign.fittings_of(used.session) if row.position == position),
        sensor=plan.campaign.sensors.get(channel.sensor or ""),
        recording=recording,
        calibration=next(row for row in calibration if row["position"] == position),
        checks=tuple(row for row in checks if row["position"] == position),
        quality=own,
        spectrum=spectrum,
        averaged_ranges=ranges,
        first_frame=first_frame,
    )


def _opened(plan: Plan, source: Source) -> tuple[Recording | None, int]:
    """The recording with the first frame of its used part; None where it cannot be read now."""
    try:
        recording, part = open_source(plan.campaign.root, source)
    except RecordingError:
        return None, 0
    return recording, part.start


def recording_chapter(path: SignalPath) -> Chapter:
    """Which file and channel, how its samples are stored, and which part of it is averaged."""
    plan, source, raw = path.plan, path.source, path.source.raw
    run = plan.used[path.run]
    runs, fittings = plan.settings.tables.runs, plan.settings.tables.fittings
    read = read_records(quality_file(plan.results, path.run))
    root = plan.campaign.root
    same = all(name in read and read[name].now(root / name) is not None for name in source.paths)
    parts: list[Part] = [
        Fact("files", "recording", list(source.paths), source=f"{runs}:{run.line}"),
        Fact("recorded_at", "recorded at", run.recorded_at, source=f"{runs}:{run.line}"),
        Fact(
            "same_file",
            "still the file that was read",
            same,
            source="" if same else "not there, or changed since: `tapeline run` reads it again",
        ),
        Fact("sha256", "SHA-256 of what was read", path.quality["recording_sha256"]),
        Fact("channel", "channel, from 1", path.channel.channel, source=f"{fittings}:{path.fitting.line}"),
        Fact("sensor", "sensor", path.channel.sensor, source=f"{fittings}:{path.fitting.line}"),
        Fact("mount", "mount", path.channel.mount, source=f"{fittings}:{path.fitting.line}"),
    ]
    if path.recording is not None:
        parts += [
            Fact("sample_format", "samples", path.recording.kind, source="the file itself" if raw is None else ""),
            Fact("bits", "bits of an integer sample", path.recording.bits),
            Fact("channels", "channels in the file", path.recording.channels),
        ]
    if raw is not None:
        described = f"config/campaign.yaml, raw_formats.{run.format}"
        parts += [
            Fact("sample_type", "type of a sample", raw.sample_type, source=described),
            Fact("byte_order", "byte order", raw.byte_order, source=described),
            Fact("layout", "layout of channels", raw.layout, source=described),
            Fact("header_bytes", "bytes before the first sample", raw.header_bytes, source=described),
        ]
    parts += [
        Fact("sample_rate_hz", "sample rate", path.quality["sample_rate_hz"], "Hz"),
        Fact("first_frame", "first frame of the used part", path.first_frame, source=_part_words(run.start_s)),
        Fact("frames", "frames of the used part", path.quality["frames"], source=_part_words(run.stop_s)),
    ]
    return Chapter("recording", "Recording and channel", tuple(parts))


def _part_words(entered_s: float | None) -> str:
    return "" if entered_s is None else f"{entered_s:g} s in the run table"


def pascal_chapter(path: SignalPath) -> Chapter:
    """Full scale, gain, sensitivity and polarity, and what they make of one sample."""
    plan, channel = path.plan, path.channel
    fittings, row = plan.settings.tables.fittings, path.fitting.line
    of_run = path.source.gain_db is not None
    gain_from = f"{plan.settings.tables.runs}:{plan.used[path.run].line}" if of_run else f"{fittings}:{row}"
    bits = None if path.recording is None else path.recording.bits
    counts = None if bits is None else 2 ** (bits - 1)
    parts: list[Part] = [
        Fact("counts_full_scale", "counts at full scale", counts, source="2^(bits - 1)" if bits else ""),
        Fact("unit", "unit at full scale", channel.unit, source=f"{fittings}:{row}"),
        Fact("full_scale_v", "full scale", channel.full_scale_v, channel.unit, f"{fittings}:{row}"),
    ]
    if channel.unit == "V":
        replaced = f", in place of {channel.gain_db:g} dB in {fittings}:{row}" if of_run else ""
        parts += [
            Fact("gain_db", "gain of the conditioner", path.gain_db, "dB", f"{gain_from}{replaced}"),
            Fact("sensitivity_v_per_pa", "sensitivity", path.sensitivity_v_per_pa, "V/Pa", "chapter Sensitivity"),
        ]
    parts.append(Fact("polarity", "polarity", channel.polarity, source=f"{fittings}:{row}"))
    if channel.unit != "V" or path.sensitivity_v_per_pa is not None:
        parts += [
            Fact("pa_per_full_scale", "pressure at full scale", path.pa_per_unit, "Pa"),
            Fact("pa_per_count", "pressure of one count", path.pa_per_unit / counts if counts else None, "Pa"),
            "Pressure = counts / counts at full scale x full scale / (10^(gain/20) x sensitivity) x polarity; samples "
            "and pressure are single-precision numbers.",
        ]
    return Chapter("pascal", "From counts to pascal", tuple(parts))


CHECK_HEADINGS = (
    Heading("run", "calibrator recording"),
    Heading("stage", "stage"),
    Heading("recorded_at", "recorded at"),
    Heading("calibrator", "calibrator"),
    Heading("tone_frequency_hz", "tone", "Hz"),
    Heading("tone_rms_v", "rms at the recorder", "V"),
    Heading("gain_db", "gain", "dB"),
    Heading("calibrator_level_db", "level of the calibrator", "dB"),
    Heading("static_pressure_correction_db", "correction for air pressure", "dB"),
    Heading("adapter_correction_db", "correction of the adapter", "dB"),
    Heading("level_db", "level at the sensor", "dB"),
    Heading("response_db", "chart at the tone", "dB"),
    Heading("sensitivity_v_per_pa", "sensitivity", "V/Pa"),
    Heading("used", "used"),
    Heading("decided_by", "decided by"),
    Heading("reasons", "reasons"),
)


def sensitivity_chapter(path: SignalPath) -> Chapter:
    """The sensitivity used, with the checks before and after, the sensor table, and how far they differ."""
    plan, found, sensor = path.plan, path.calibration, path.sensor
    table = shown(plan, campaign_table(plan.results, "calibration"))
    sensors, limits = plan.settings.tables.sensors, plan.settings.calibration
    at_sensor = f"{sensors}:{sensor.line}" if sensor else ""
    dated = f", calibrated on {sensor.calibrated_on}" if sensor and sensor.calibrated_on else ""
    parts: list[Part] = [
        Fact("sensitivity_v_per_pa", "sensitivity used", path.sensitivity_v_per_pa, "V/Pa", table),
        Fact("source", "taken from", found["source"], source=found["why"]),
        Fact("policy", "asked for", plan.settings.calibration.sensitivity, source="calibration.sensitivity"),
        Fact("before_v_per_pa", "by checks before", found["before_v_per_pa"], "V/Pa"),
        Fact("after_v_per_pa", "by checks after", found["after_v_per_pa"], "V/Pa"),
        Fact("chart_v_per_pa", "by the sensor table", found["chart_v_per_pa"], "V/Pa", f"{at_sensor}{dated}"),
        Fact("data_sheet_v_per_pa", "by the data sheet", found["data_sheet_v_per_pa"], "V/Pa", "not stated in it"),
        Fact(
            "deviation_db",
            "used against sensor table",
            found["deviation_db"],
            "dB",
            f"limit {limits.deviation_limit_db:g} dB, calibration.deviation_limit_db",
        ),
        Fact(
            "drift_db",
            "after against before",
            found["drift_db"],
            "dB",
            f"limit {limits.drift_limit_db:g} dB, calibration.drift_limit_db",
        ),
        Fact("serial", "serial number", found["serial"], source=at_sensor),
        Fact("chart", "response chart", sensor.chart if sensor else None, source=at_sensor),
    ]
    kept = [part for part in parts if not isinstance(part, Fact) or part.value is not None]
    rows = tuple(_check_row(plan, row) for row in path.checks)
    if rows:
        where = shown(plan, campaign_table(plan.results, "checks"))
        kept += [
            Listing("checks", f"Calibrator checks ({where})", CHECK_HEADINGS, rows, "columns"),
            "Sensitivity of a check = rms / 10^(gain/20) / 10^(chart at the tone/20) / (20 µPa x 10^(level at the "
            "sensor/20)).",
            "Checks of one stage, and both stages under the policy mean, are averaged as levels: the geometric mean.",
        ]
    return Chapter("sensitivity", "Sensitivity", tuple(kept))


def _check_row(plan: Plan, row: ChecksRow) -> dict[str, object]:
    run = plan.campaign.runs.get(row["run"])
    return {"recorded_at": run.recorded_at if run else None} | {
        heading.key: row.get(heading.key) for heading in CHECK_HEADINGS if heading.key != "recorded_at"
    }


def spectra_chapter(path: SignalPath) -> Chapter:
    """Blocks, window, lines and averages; nothing where the channel gave no spectrum."""
    plan, found = path.plan, path.spectrum
    if found is None:
        return Chapter("spectra", "Averaged spectra", ("The channel gave no spectrum in this run.",))
    settings = plan.settings.spectra
    last = found["blocks"] - 1
    parts: tuple[Part, ...] = (
        Fact("window", "window", settings.window, source="spectra.window; periodic"),
        Fact("block_frames", "samples of a block", found["block_frames"], source="spectra.resolution_hz"),
        Fact("hop_frames", "samples between block starts", found["hop_frames"], source="spectra.overlap"),
        Fact("step_hz", "line spacing", found["step_hz"], "Hz"),
        Fact("blocks", "blocks averaged", found["blocks"]),
        Fact(
            "averaged_frames",
            "frames that blocks may lie in",
            [list(each) for each in path.averaged_ranges],
            source="from, to (not included); counted in the used part",
        ),
        Fact("averaged_s", "time averaged", found["averaged_s"], "s"),
        Fact("mean_pa", "mean subtracted", path.quality["mean_pa"], "Pa", "mean of the used part, in pascal"),
        Fact("effective_averages", "independent averages", found["effective_averages"], source="Welch 1967"),
        Fact("noise_bandwidth_lines", "noise bandwidth of the window", found["noise_bandwidth_lines"], "lines"),
        f"Blocks start at frames 0, {found['hop_frames']}, {2 * found['hop_frames']} and so on"
        + (f" to {last * found['hop_frames']}" if len(path.averaged_ranges) == 1 else "")
        + "; those that do not lie wholly in these frames are left out.",
        "Density of a line = 2 x mean of |FFT(window x (pressure - mean))|^2 / (sample rate x sum of window^2), 1 x "
        "at 0 Hz and at half the sample rate.",
    )
    return Chapter("spectra", "Averaged spectra", parts)
