"""A road campaign through the real workflow: flow bins, stretches left out, tables on request, two sample rates.

Truth is the density that the recordings were made with; limits are standard errors of Gaussian noise, 4.34/sqrt(BT).
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import road_campaign as road
from empty_cells import SAY_IT, unexplained_in
from sample_runs import CampaignRun, run_campaign

pytestmark = pytest.mark.workflow

DENSITY = {speed: 2.0 * (rms**2 + road.BACKGROUND_RMS_PA**2) / road.RATE_HZ for speed, rms in road.RMS_PA.items()}
"""One-sided, Pa^2/Hz."""


@pytest.fixture(scope="module")
def finished(tmp_path_factory: pytest.TempPathFactory) -> CampaignRun:
    run = run_campaign(road.write_road_campaign(tmp_path_factory.mktemp("road") / "campaign"), 2)
    assert run.status == 0, run.output[-3000:]
    return run


def test_a_column_with_empty_cells_says_what_they_mean(finished: CampaignRun) -> None:
    assert unexplained_in(finished.results) == set(), SAY_IT


def table(run: CampaignRun, name: str) -> pd.DataFrame:
    folder = run.results / "tables"
    path = folder / f"{name}.parquet"
    return pd.read_parquet(path if path.is_file() else folder / name / "session=road" / "part-0.parquet")


def decibels(power: float) -> float:
    return float(10.0 * np.log10(power / 4e-10))


def test_levels_by_measured_speed_are_those_of_the_speed(finished: CampaignRun) -> None:
    found = table(finished, "flow_bins")
    assert set(found.run) == {"open"}
    counts = found.groupby("speed_mps").segments.first()
    assert counts.to_dict() == {20.0: 12, 26.0: 5, 32.0: 6}, "a segment that is left out whole does not count"
    assert set(found.yaw_deg) == {0.0}
    known = found[found.level_db.notna() & (found.position == "p1")]
    assert len(known) == 3 * 20
    for row in known.itertuples():
        width = row.midband_hz * (10**0.05 - 10**-0.05)
        spread = 4.343 / np.sqrt(width * row.averaged_s)
        assert row.level_db == pytest.approx(decibels(DENSITY[row.speed_mps] * width), abs=4.5 * spread)
        assert row.level_lower_db < row.level_db < row.level_upper_db
    assert found[found.speed_mps == 26.0].averaged_s.max() == pytest.approx(4.5, abs=0.25)
    for use in ("usable", "comparable", "pooled"):
        assert found[use].tolist() == found.level_db.notna().tolist(), "one sound run: every level that is there counts"
    bands = table(finished, "bands")
    own = bands[bands.run == "open"].set_index(["position", "band_hz"]).doubt
    assert all(list(row.doubt) == list(own[row.position, row.band_hz]) for row in known.itertuples())


def test_what_is_left_out_leaves_no_trace(finished: CampaignRun) -> None:
    """The event is 26 dB above all else, the spike 60 dB above the rms: neither is in any level."""
    lines = table(finished, "narrowband").set_index(["run", "position"])
    spiked = 2 * 0.05
    used = road.SECONDS - (road.EVENT_S[1] - road.EVENT_S[0]) - spiked
    assert lines.loc[("open", "p1"), "averaged_s"] == pytest.approx(used, abs=0.125), "blocks start every 0.125 s"
    assert lines.loc[("sealed", "p1"), "averaged_s"] == pytest.approx(road.SECONDS)
    shares = {20.0: 12.0 - spiked, 26.0: 6.0 - 1.5, 32.0: 6.0}
    mean = sum(DENSITY[speed] * share for speed, share in shares.items()) / used
    for position in ("p1", "p2"):
        density = np.asarray(lines.loc[("open", position), "psd_pa2_per_hz"]).mean()
        # Blocks beside the gaps are left out too: the mean weighs the speeds a little differently.
        assert 10.0 * np.log10(density / mean) == pytest.approx(0.0, abs=0.1)
    overall = table(finished, "overall")
    loudest = overall[(overall.run == "open") & (overall.position == "p2")]
    assert loudest.maximum_db.max() < decibels(0.34**2) + 2.0
    assert loudest.fast_maximum_db.max() < decibels(0.34**2) + 2.0
    history = table(finished, "history")
    empty = history[(history.run == "open") & (history.position == "p3") & history.level_db.isna()].time_s
    assert set(np.round(empty, 3)) == {*np.arange(8.0, 9.5, 0.125), 15.25}
    runs = table(finished, "runs").set_index("run")
    assert list(runs.left_out["open"]) == ["8 to 9.5 s: lorry passing (synthetic)"]
    assert {f"spectrogram_road_{name}.svg" for name in ("open", "sealed")} <= {
        path.name for path in (finished.results / "figures").glob("[!.]*")
    }
    assert "lorry passing" in (finished.results / "report.html").read_text(encoding="utf-8")


def test_filters_before_the_recorder_limit_the_bands(finished: CampaignRun) -> None:
    bands = table(finished, "bands")
    own = bands[(bands.run == "open") & (bands.position == "p3")].set_index("band_hz")
    assert own.level_db.dropna().index.min() == 200.0
    assert own.level_db.dropna().index.max() == 3150.0
    assert "high-pass" in own.marks[160.0]
    assert "low-pass" in own.marks[4000.0]
    assert "few-lines" in bands[bands.band_hz == 80.0].marks.iloc[0]
    overall = table(finished, "overall")
    narrow = overall[(overall.position == "p3") & (overall.run == "open")]
    assert narrow.marks.map(lambda marks: "narrower-range" in marks).all()
    assert narrow.lower_hz.round(1).unique().tolist() == [177.8]


def test_a_background_at_half_the_rate_is_subtracted_where_it_reaches(finished: CampaignRun) -> None:
    """Lines are 4 Hz apart at both rates; bands beyond 6.4 kHz have no background and say so."""
    bands = table(finished, "bands")
    own = bands[(bands.run == "open") & (bands.position == "p1") & bands.level_db.notna()].set_index("band_hz")
    assert (own.state[own.index <= 5000.0] != "none").all()
    assert (own.state[own.index >= 6300.0] == "none").all()
    assert own.marks[8000.0].tolist() == ["background-narrower"]
    reaching = own[own.index <= 5000.0]
    assert reaching.background_level_db.notna().all()
    expected = [decibels(2.0 * 0.05**2 / road.RATE_HZ * hz * (10**0.05 - 10**-0.05)) for hz in reaching.midband_hz]
    assert np.mean(reaching.background_level_db - expected) == pytest.approx(0.0, abs=0.1)


def test_comparisons_use_the_common_part_and_say_so(finished: CampaignRun) -> None:
    """The sealed run was sampled at 12.8 kHz: its bands end at 4 kHz; its density is a quarter of the open one's."""
    found = table(finished, "comparisons")
    own = found[(found.position == "p1") & (found.finding != "not given")]
    assert own[own.quantity == "band"].band_hz.max() == 4000.0
    said = own.common_part.unique()
    assert len(said) == 1
    assert said[0].startswith("compared: bands 100 to 4000 Hz; the treatment alone has bands 5000 to 8000 Hz")
    assert "the overall level Z 125 to 8000 Hz does not cover the same bands in all runs" in said[0]
    overall = own[own.quantity == "overall"]
    assert overall.highest_band_hz.tolist() == [4000.0]
    narrow = found[(found.position == "p3") & (found.quantity == "overall")].iloc[0]
    assert "the overall level Z 125 to 4000 Hz sums 178 to 3548 Hz alone" in narrow.common_part
    assert overall.difference_db.iloc[0] == pytest.approx(6.0, abs=0.3)
    assert "the treatment alone has bands" in (finished.results / "report.html").read_text(encoding="utf-8")


def test_cross_spectra_show_the_delay_and_the_shared_part(finished: CampaignRun) -> None:
    """Phase -2 pi f tau where the other position receives tau later; coherence of the shared part."""
    found = table(finished, "cross_spectra")
    assert len(found) == 3 * 3
    pairs = found[found.run == "open"].set_index(["position", "other_position"])
    row = pairs.loc[("p1", "p2")]
    csd = row.csd_real_pa2_per_hz + 1j * row.csd_imaginary_pa2_per_hz
    hz = row.first_hz + row.step_hz * np.arange(csd.size)
    assert (hz[0], hz[-1]) == (100.0, 1000.0)
    slope = -np.polyfit(hz, np.unwrap(np.angle(csd)), 1)[0] / (2.0 * np.pi)
    assert slope == pytest.approx(road.DELAY_S, abs=2e-5)
    assert np.mean(row.coherence) == pytest.approx(road.SHARED**2, abs=0.05)
    unrelated = found[found.run == "still"].iloc[0]
    assert np.mean(unrelated.coherence > unrelated.coherence_threshold) == pytest.approx(0.05, abs=0.05)


def test_band_histories_and_spectrograms_follow_the_speed(finished: CampaignRun) -> None:
    history = table(finished, "band_history")
    assert set(history.position) == {"p1"}
    row = history[(history.run == "open") & (history.band_hz == 1000.0)].iloc[0]
    levels, time = np.asarray(row.level_db), np.arange(len(row.level_db)) * row.step_s
    width = row.midband_hz * (10**0.05 - 10**-0.05)
    assert np.isnan(levels[time < row.settled_s - row.step_s]).all()
    assert np.isnan(levels[(time > 8.0) & (time < 9.5)]).all()
    for speed, start, stop in ((20.0, 1.0, 6.0), (26.0, 10.0, 12.0), (32.0, 19.0, 24.0)):
        part = 10.0 ** (levels[(time >= start) & (time < stop)] / 10.0)
        spread = 4.343 / np.sqrt(width * (stop - start))
        assert 10.0 * np.log10(part.mean()) == pytest.approx(decibels(DENSITY[speed] * width), abs=4.5 * spread)
    gram = table(finished, "spectrogram")
    own = gram[(gram.run == "open") & (gram.position == "p1")]
    assert set(gram.position) == {"p1", "p2"}
    assert not own.time_s.between(8.0, 9.5).any()
    late = np.mean(np.stack(own[own.time_s > 19.0].psd_pa2_per_hz))
    assert 10.0 * np.log10(late / DENSITY[32.0]) == pytest.approx(0.0, abs=0.1)


def test_asking_for_less_makes_only_what_depends_on_it(finished: CampaignRun) -> None:
    with finished.edited(
        {"config/campaign.yaml": ("spectrogram: {positions: [p1, p2]", "spectrogram: {positions: [p1]")}
    ):
        planned = finished.planned()
    assert planned["spectra"] == 3
    with finished.edited({"config/left_out.csv": ("9.5", "9.25")}):
        planned = finished.planned()
    assert planned["spectra"] == 1


def test_percentiles_belong_to_the_range_of_the_history(finished: CampaignRun) -> None:
    """The first overall level, 125 Hz to 8 kHz: the others' edges are not the history's, and get none."""
    overall = table(finished, "overall")
    same = np.isclose(overall.lower_hz, 112.2, atol=0.1) & np.isclose(overall.upper_hz, 8912.5, atol=1.0)
    assert same.sum() == 2, "p1 and p2 of the run sampled fast enough"
    assert overall[same].l50_db.notna().all()
    assert overall[~same][["l10_db", "l50_db", "maximum_db", "fast_maximum_db"]].isna().all(axis=None)
