"""campaign.yaml as one typed, frozen model."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any, Literal, Self

from pydantic import AfterValidator, Field, model_validator

from tapeline.campaign.setting_numbers import BatchSize, Confidence, Frequency, ReferencePressure, refuse
from tapeline.campaign.setting_sections import (
    Background,
    BandHistory,
    Bands,
    Calibration,
    Compare,
    Comparison,
    Condition,
    CrossSpectra,
    FlowBins,
    History,
    InputPath,
    Lines,
    Name,
    OperatingPoint,
    OutputPath,
    Overall,
    Quality,
    Ranking,
    RawFormat,
    Repeatability,
    Report,
    Scaling,
    Section,
    SensorSize,
    Spectra,
    Spectrogram,
    Tables,
    Tones,
    Uncertainty,
    Weighting,
)

__all__ = [
    "Background",
    "BandHistory",
    "Bands",
    "Calibration",
    "Compare",
    "Comparison",
    "Condition",
    "CrossSpectra",
    "FlowBins",
    "History",
    "Lines",
    "OperatingPoint",
    "Overall",
    "Quality",
    "Ranking",
    "RawFormat",
    "Repeatability",
    "Report",
    "Scaling",
    "SensorSize",
    "Settings",
    "Spectra",
    "Spectrogram",
    "Tables",
    "Tones",
    "Uncertainty",
    "Weighting",
]

DEFAULT_AXES = "not stated"


def _ordered_levels(levels: Repeatability) -> Repeatability:
    if levels.outlier_level > levels.straggler_level:
        raise refuse("outlier_level <= straggler_level")
    return levels


def _ordered_margins(margins: Background) -> Background:
    if not margins.least_margin_db <= margins.enough_margin_db <= margins.no_correction_above_db:
        raise refuse("least_margin_db <= enough_margin_db <= no_correction_above_db")
    return margins


class Settings(Section):
    """Everything that campaign.yaml says, defaults filled in.

    Where `comparisons` is absent, every condition is compared with `reference_condition`, under its own name; where
    that is absent too, the first condition is the reference.
    """

    campaign: Name = Field(description="identifier of the campaign; goes into every table")
    title: str = Field("", description="title of the report; default: the campaign's identifier")
    tables: Tables = Field(Tables(), description="where the tables are")
    recordings: InputPath = Field("recordings", description="folder that the run table's paths start from")
    results: OutputPath = Field(
        "results", description="folder for all that is computed, inside the campaign folder and apart from what is read"
    )
    inputs_outside: bool = Field(
        False,
        description="recordings, tables, charts, data sheets and outlines may lie outside the campaign folder, by "
        "absolute paths or `..`; results never do",
    )
    raw_formats: dict[Name, RawFormat] = Field(
        {}, description="formats of headerless recordings and sample rates of NumPy files, by name"
    )
    axes: str = Field(
        DEFAULT_AXES, description="one sentence on the directions of x, y, z and yaw; printed with every map"
    )
    conditions: dict[Name, Condition] = Field(min_length=1, description="the treatment states, by name")
    comparisons: dict[Name, Comparison] = Field({}, description="which condition is compared with which")
    reference_condition: str = Field("", description="the reference where comparisons are not listed")
    calibration: Calibration = Field(Calibration(), description="calibrator checks and sensitivities")
    spectra: Spectra = Field(Spectra(), description="narrowband spectra")
    bands: Bands = Field(Bands(), description="fractional-octave bands")
    overall: tuple[Overall, ...] = Field(
        (Overall(weighting="Z"), Overall(weighting="A")), min_length=1, description="weighted overall levels"
    )
    history: History = Field(History(), description="level against time")
    band_history: BandHistory = Field(BandHistory(), description="band levels against time, on request")
    spectrogram: Spectrogram = Field(Spectrogram(), description="spectra against time, on request")
    cross_spectra: CrossSpectra = Field(CrossSpectra(), description="cross-spectra and coherence, on request")
    flow_bins: FlowBins = Field(FlowBins(), description="levels by measured speed and yaw")
    background: Annotated[Background, AfterValidator(_ordered_margins)] = Field(
        Background(), description="limits of the background subtraction"
    )
    uncertainty: Uncertainty = Field(Uncertainty(), description="what no recording tells of the uncertainty of a level")
    lines: Lines = Field(Lines(), description="lines of sensors")
    sensor_size: SensorSize = Field(
        SensorSize(), description="what the size of a sensor takes off levels under attached flow"
    )
    entered_speed_unit: Literal["km/h", "m/s"] | None = Field(
        None,
        description="unit of the speeds entered in operating_point.nominal_speeds and ranking.operating_points; none: "
        "report.speed_unit",
    )
    operating_point: OperatingPoint = Field(OperatingPoint(), description="grouping of speeds and yaw angles")
    reference_pressure_pa: ReferencePressure = Field(
        2.0e-5, description="Pa, reference of all levels (ISO 1683:2015: 20 uPa in gases)"
    )
    confidence: Confidence = Field(0.95, gt=0.5, description="confidence level of all intervals")
    mains_hz: Frequency = Field(50.0, gt=0, le=1000, description="Hz, mains frequency")
    keep_pressure: bool = Field(False, description="write the calibrated time signals as files too")
    batch_mb: BatchSize = Field(
        250.0,
        gt=0,
        description="MB of recordings of one session that one process reads, at most (a larger one stands alone; own "
        "choice: some 2 s of computing, several times the start of a process); changes no result",
    )
    report: Report = Field(Report(), description="how the report shows things")
    compare: Compare = Field(Compare(), description="how differences are judged")
    quality: Quality = Field(Quality(), description="when a channel of a run is doubted")
    repeatability: Annotated[Repeatability, AfterValidator(_ordered_levels)] = Field(
        Repeatability(), description="how repeats and sessions are held against each other"
    )
    ranking: Ranking = Field(Ranking(), description="the list of spots to work on first")
    scaling: Scaling = Field(Scaling(), description="exponents of speed and Strouhal numbers")
    tones: Tones = Field(Tones(), description="tones, their tracks over speed and the modes of cavities")

    @model_validator(mode="before")
    @classmethod
    def _fill_in(cls, data: Any) -> Any:
        if not isinstance(data, Mapping):
            return data
        given = {name: value for name, value in data.items() if value is not None or name not in SECTIONS}
        if "campaign" in given:
            given.setdefault("title", given["campaign"])
        conditions = given.get("conditions")
        if not isinstance(conditions, Mapping) or not conditions:
            return given
        given["conditions"] = {name: _titled(name, body) for name, body in conditions.items()}
        reference = given.get("reference_condition", next(iter(conditions)))
        if "comparisons" not in given and isinstance(reference, str):
            given["comparisons"] = {
                name: {"reference": reference, "treatment": name} for name in conditions if name != reference
            }
        return given

    @model_validator(mode="after")
    def _with_reference(self) -> Self:
        """Fill in the reference afterwards: whether it was stated can then be told."""
        if "reference_condition" not in self.model_fields_set:
            object.__setattr__(self, "reference_condition", next(iter(self.conditions)))
        return self

    @property
    def stated_reference(self) -> str:
        """The reference condition where campaign.yaml states it, else nothing."""
        return self.reference_condition if "reference_condition" in self.model_fields_set else ""

    @classmethod
    def json_schema(cls) -> dict[str, Any]:
        """The JSON Schema of campaign.yaml, for editors."""
        return {
            "$schema": "https://json-schema.org/draft/2020-12/schema",
            **cls.model_json_schema(mode="validation"),
        }


def _titled(name: Any, body: Any) -> Any:
    if body is None:
        return {"title": name}
    return {"title": name, **body} if isinstance(body, Mapping) else body


SECTIONS = frozenset(
    name for name, setting in Settings.model_fields.items() if isinstance(setting.default, Section | dict)
)
