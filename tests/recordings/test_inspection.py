"""`tapeline inspect`: what a file holds, from figures known beforehand; and one line for each file that is broken."""

from __future__ import annotations

import math
import tracemalloc
from pathlib import Path

import numpy as np
import pytest
import soundfile
from containers import NOISE, RATE, file_bytes
from hypothesis import given, settings
from hypothesis import strategies as st

from tapeline.acoustics.sample_checks import bits_used
from tapeline.cli import main
from tapeline.recordings.inspection import contents, inspection
from tapeline.recordings.opening import open_recording


def test_a_tone_and_an_offset() -> None:
    """A sine of amplitude a about an offset c has the peak a + |c|, the mean c and the rms sqrt(a^2/2 + c^2)."""
    time = np.arange(10_000) / 1_000.0
    tone = (0.5 * np.cos(2.0 * np.pi * 10.0 * time) + 0.25).astype(np.float32)
    found = contents((block[None] for block in np.array_split(tone, 7)), 1, None)
    assert found.frames == 10_000
    assert found.peak == pytest.approx([0.75])
    assert found.mean == pytest.approx([0.25])
    assert found.rms == pytest.approx([math.sqrt(0.125 + 0.0625)])
    assert found.used_bits is None


def test_numbers_that_are_none_are_counted_and_left_out() -> None:
    block = np.array([[1.0, np.nan, -3.0, np.inf], [np.nan] * 4, [2.0] * 4], dtype=np.float32)
    found = contents([block], 3, None)
    assert found.not_finite.tolist() == [2, 4, 0]
    assert found.peak.tolist()[0::2] == [3.0, 2.0]
    assert found.rms.tolist()[0::2] == [math.sqrt(5.0), 2.0]
    assert np.isnan([found.peak[1], found.rms[1], found.mean[1]]).all()


@settings(max_examples=100)
@given(
    bits=st.sampled_from([8, 16, 24, 32]),
    unused=st.integers(0, 30),
    codes=st.lists(st.integers(-(2**31), 2**31 - 1), min_size=1, max_size=20),
)
def test_used_bits_count_from_the_sign_to_the_lowest_bit_set(bits: int, unused: int, codes: list[int]) -> None:
    kept = [(code >> (32 - bits)) >> min(unused, bits - 1) << min(unused, bits - 1) for code in codes]
    block = (np.array([kept], dtype=np.float64) / 2.0 ** (bits - 1)).astype(np.float32)
    lowest = min(((code & -code).bit_length() - 1 for code in kept if code), default=bits)
    found = int(contents([block], 1, bits).used_bits[0])
    if bits - lowest <= 24:
        assert found == bits - lowest
    assert bits_used(np.bitwise_or.reduce(np.array([kept], dtype=np.int64), axis=1), bits)[0] == bits - lowest


def shown(path: Path, width: int = 80) -> dict[str, str]:
    """The lines with a name, by it."""
    lines = inspection(path, width)
    return dict(line.split(maxsplit=1) for line in lines[1 : lines.index("")])


def test_sixteen_bits_in_words_of_twenty_four(tmp_path: Path) -> None:
    codes = np.round(NOISE * 32_767).astype(np.int32) << 16
    soundfile.write(tmp_path / "wide.wav", codes, RATE, subtype="PCM_24")
    assert shown(tmp_path / "wide.wav") == {
        "kind": "WAV, 24-bit integer",
        "rate": "12800 Hz",
        "channels": "3",
        "length": "6000 frames, 0.469 s",
        "bits": "16 of 24 used: the lowest 8 are always zero",
    }
    rows = inspection(tmp_path / "wide.wav")[-3:]
    for row, channel in zip(rows, NOISE.T, strict=True):
        number, peak, rms, mean, bits = row.split()
        assert float(peak) == pytest.approx(20.0 * math.log10(abs(channel).max()), abs=0.006)
        assert float(rms) == pytest.approx(math.sqrt((channel**2).mean()), rel=1e-3)
        assert float(mean) == pytest.approx(channel.mean(), abs=2e-5)
        assert (int(number), int(bits)) == (rows.index(row) + 1, 16)


def test_zeros_floats_arrays_and_wide_integers(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "zeros.wav", np.zeros((100, 2)), RATE, subtype="PCM_16")
    assert shown(tmp_path / "zeros.wav")["bits"] == "none used: every sample is zero"
    assert inspection(tmp_path / "zeros.wav")[-1].split() == ["2", "zeros", "0", "0", "0"]
    soundfile.write(tmp_path / "volts.wav", NOISE * 50.0, RATE, subtype="FLOAT")
    assert float(inspection(tmp_path / "volts.wav")[-1].split()[1]) == pytest.approx(
        50.0 * abs(NOISE[:, 2]).max(), rel=1e-3
    )
    np.save(tmp_path / "a.npy", NOISE.astype("<f8"))
    assert shown(tmp_path / "a.npy")["rate"] == "not stated in the file"
    assert shown(tmp_path / "a.npy")["length"] == "6000 frames"
    soundfile.write(tmp_path / "fine.wav", NOISE, RATE, subtype="PCM_32")
    assert inspection(tmp_path / "fine.wav")[-1].split()[-2:] == [">", "24"]


@pytest.mark.parametrize("width", [40, 80, 120, 200])
@pytest.mark.parametrize("channels", [16, 17, 300])
def test_many_channels_stay_within_the_terminal(tmp_path: Path, width: int, channels: int) -> None:
    steps = (np.arange(channels) + 1.0) / 1_000.0
    soundfile.write(tmp_path / "many.wav", np.tile(steps, (50, 1)), RATE, subtype="FLOAT")
    lines = inspection(tmp_path / "many.wav", width)
    table = lines[lines.index("") + 2 :]
    columns = max(1, (width + 4) // 32) if channels > 16 else 1
    assert len(table) == math.ceil(channels / columns)
    assert max(len(line) for line in table) <= max(width, 28)
    numbers = [int(cell) for line in table for cell in line.split()[0::4]]
    assert sorted(numbers) == list(range(1, channels + 1))
    peaks = [float(cell) for line in table for cell in line.split()[1::4]]
    assert peaks == pytest.approx([number / 1_000.0 for number in numbers], rel=1e-3)
    if channels > 16:
        assert f"highest   peak {channels / 1_000.0:g} on channel {channels}" in lines
        assert "lowest    rms 0.001 on channel 1" in lines


def test_memory_does_not_grow_with_the_file(tmp_path: Path) -> None:
    peaks = []
    for frames in (20_000, 400_000):
        path = tmp_path / f"{frames}.wav"
        soundfile.write(path, np.zeros((frames, 4), dtype=np.int16), RATE, subtype="PCM_16")
        inspection(path)
        tracemalloc.start()
        inspection(path)
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    assert peaks[1] < 1.2 * peaks[0]


def test_broken_files_give_a_line_each_and_the_others_are_shown(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("good.wav").write_bytes(file_bytes("WAV"))
    Path("cut.wav").write_bytes(file_bytes("WAV")[:10_000])
    half = file_bytes("FLAC")
    Path("cut.flac").write_bytes(half[: len(half) // 2])
    Path("text.wav").write_text("no samples")
    Path("folder").mkdir()
    names = [
        "cut.wav",
        "good.wav",
        "folder",
        "gone.wav",
        "text.wav",
        "cut.flac",
        f"{tmp_path}/good.wav",
        "folder/x.wav",
    ]
    assert main(["inspect", *names]) == 2
    out, err = capsys.readouterr()
    assert out.count("kind      WAV, 16-bit integer") == 2
    assert out.startswith("good.wav\n")
    lines = err.splitlines()
    assert [line.split()[2].rstrip(":") for line in lines] == [
        "cut.wav", "folder", "gone.wav", "text.wav", "cut.flac", "folder/x.wav",
    ]  # fmt: skip
    assert lines[0].endswith("the header declares 6000 frames (0.469 s), the last 4341 (0.339 s) are missing")
    assert lines[2] == "tapeline inspect: gone.wav is not there"
    assert main(["inspect", "good.wav"]) == 0
    assert open_recording([Path("good.wav")]).frames == 6_000


def test_numbers_that_are_none_are_said(tmp_path: Path) -> None:
    values = NOISE[:, :2].copy()
    values[5:8, 1] = np.nan
    soundfile.write(tmp_path / "holes.wav", values, RATE, subtype="FLOAT")
    assert shown(tmp_path / "holes.wav")["damaged"] == "3 samples are no numbers, first on channels 2"
