"""164 public WAV files, good, odd and broken, against decoders of other origin.

The collection lies outside the repository (`open_data.py`): test data of four open-source packages (MIT, BSD-3,
Apache-2.0, PSF) with a listing of what two decoders made of each file. The decoder below is a third one, written from
the published layout of RIFF/WAVE (Microsoft and IBM 1991; extensible formats: Microsoft 2001) and shares no line with
the package.
"""

from __future__ import annotations

import json
import warnings
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.io import wavfile

import open_data
from tapeline.recordings.opening import open_recording
from tapeline.recordings.recording import RecordingError

COLLECTION = open_data.FOLDER / "wav_formats"
LISTING = COLLECTION / "expected.json"
ENTRIES: dict[str, dict[str, Any]] = json.loads(LISTING.read_text(encoding="utf-8")) if LISTING.is_file() else {}

pytestmark = pytest.mark.skipif(not ENTRIES, reason=f"the open collection of WAV files is not in {open_data.FOLDER}")

ONE_DECODER_READS_THEM = {"bw64_apache2/rect_24bit_nods64.wav"}
"""Sound files that the second listed decoder refuses: the wide chunk that is missing would say what is said already."""


def is_sound(name: str, entry: dict[str, Any]) -> bool:
    """Both listed decoders read it and neither ran into its end."""
    ran_out = any("EOF" in warning for warning in entry["scipy"].get("warnings", ()))
    return name in ONE_DECODER_READS_THEM or (bool(entry.get("decoders_agree")) and not ran_out)


def read(name: str) -> np.ndarray:
    """All samples of a file, (channels, frames)."""
    recording = open_recording([COLLECTION / name])
    samples = np.concatenate(list(recording.blocks(0, recording.frames)), axis=1)
    assert samples.shape[1] == recording.frames == recording.declared_frames
    return samples


def decoded(path: Path) -> np.ndarray:
    """(channels, frames) of a linear WAV file: integers by full scale, floats as they are."""
    content = path.read_bytes()
    order = "big" if content[:4] == b"RIFX" else "little"
    place, chunks = 12, {}
    while place + 8 <= len(content):
        length = int.from_bytes(content[place + 4 : place + 8], order)
        if length == 0xFFFFFFFF:
            length = int.from_bytes(chunks[b"ds64"][8:16], order)
        chunks.setdefault(content[place : place + 4], content[place + 8 : place + 8 + length])
        place += 8 + length + length % 2
    form, data = chunks[b"fmt "], chunks[b"data"]
    tag, channels, bits = (int.from_bytes(form[at : at + 2], order) for at in (0, 2, 14))
    if tag == 0xFFFE:
        tag = int.from_bytes(form[24:28], order)
    width = (bits + 7) // 8
    if tag == 3:
        values = np.frombuffer(data, dtype=f"{'>' if order == 'big' else '<'}f{width}").astype(np.float32)
    elif width == 1:
        values = (np.frombuffer(data, dtype=np.uint8).astype(np.float32) - 128) / 128
    else:
        pieces = np.frombuffer(data[: len(data) // width * width], dtype=np.uint8).reshape(-1, width)
        pieces = pieces[:, ::-1] if order == "big" else pieces
        weights = 256 ** np.arange(width, dtype=np.int64)
        codes = pieces.astype(np.int64) @ weights
        codes = np.where(codes >= 2 ** (8 * width - 1), codes - 2 ** (8 * width), codes)
        values = codes.astype(np.float32) * np.float32(2.0 ** (1 - 8 * width))
    return values[: len(values) // channels * channels].reshape(-1, channels).T


def test_the_collection_is_complete() -> None:
    assert len(ENTRIES) == 164
    assert sum(is_sound(name, entry) for name, entry in ENTRIES.items()) == 107


@pytest.mark.parametrize("name", sorted(name for name, entry in ENTRIES.items() if is_sound(name, entry)))
def test_a_sound_file_equals_other_decoders_sample_by_sample(name: str) -> None:
    samples, listed = read(name), ENTRIES[name]["libsndfile"]
    np.testing.assert_array_equal(samples, decoded(COLLECTION / name))
    assert samples.shape == (listed["channels"], listed["frames"])
    assert np.abs(samples).max(axis=1) == pytest.approx(listed["peak"], rel=1e-7, abs=1e-9)
    assert np.sqrt(np.mean(samples.astype(float) ** 2, axis=1)) == pytest.approx(listed["rms"], rel=1e-6, abs=1e-9)
    if name not in ONE_DECODER_READS_THEM:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", wavfile.WavFileWarning)
            rate, values = wavfile.read(COLLECTION / name)
        assert rate == open_recording([COLLECTION / name]).sample_rate_hz
        values = values.reshape(len(values), -1).T
        if values.dtype == np.uint8:
            values = (values.astype(float) - 128) / 128
        elif values.dtype.kind == "i":
            # 24-bit samples come in the upper bytes of 32-bit words.
            values = values / 2.0 ** (8 * values.dtype.itemsize - 1)
        np.testing.assert_allclose(samples, values, rtol=1e-7, atol=6e-8)


@pytest.mark.parametrize("name", sorted(name for name, entry in ENTRIES.items() if not is_sound(name, entry)))
def test_a_broken_or_odd_file_is_one_named_fault(name: str) -> None:
    with pytest.raises(RecordingError) as caught:
        read(name)
    assert caught.value.code in ("recording-cut", "recording-empty", "recording-unreadable")
    assert caught.value.sentence.startswith(name.rpartition("/")[2])
    assert str(COLLECTION) not in caught.value.sentence


def test_five_widths_of_one_note_agree() -> None:
    """The Python interpreter's own note of a plucked string in 8, 16, 24 and 32 bits: the same level after scaling.

    Its 8- and 16-bit versions carry rounding noise of their own; those of 24 bits are the finest one, rounded.
    """
    finest = read("psf_pluck/pluck-pcm32.wav").astype(float)
    for name in ("pcm8", "pcm16", "pcm24"):
        samples = read(f"psf_pluck/pluck-{name}.wav").astype(float)
        assert 20.0 * np.log10(samples.std() / finest.std()) == pytest.approx(0.0, abs=0.002)
    assert read("psf_pluck/pluck-pcm24.wav") == pytest.approx(finest, abs=1.01 * 2.0**-23)
    np.testing.assert_array_equal(read("psf_pluck/pluck-pcm24.wav"), read("psf_pluck/pluck-pcm24-ext.wav"))
