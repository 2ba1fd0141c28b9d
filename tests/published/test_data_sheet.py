"""The electronic data sheet against the public worked example of 40 bytes (instrument manual, maker not named)."""

from __future__ import annotations

import datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tapeline.calibration.data_sheet import DataSheetError, date_of, decode, letter_of
from tapeline.cli import main

EXAMPLE = bytes.fromhex("168010a00975000012648016a88ae8e112801f2000f60ec4046dd18737f3206a380555e765390800")
"""Application register and memory as printed in a public manual (maker not named)."""


def test_the_worked_example() -> None:
    """IEEE 1451.4: manufacturer 22, model 66, version M2, serial 117; template 25; byte sum 0; 2008-06-27."""
    sheet = decode(EXAMPLE)
    assert (sheet.manufacturer, sheet.model, sheet.version, sheet.serial) == (22, 66, "M2", 117)
    assert sheet.checksum_right is True
    assert (sheet.selector, sheet.template) == (0, 25)
    assert sheet.calibrated_on == datetime.date(2008, 6, 27)
    assert len(sheet.template_bits) == 31 * 8 - 10


def test_the_basic_part_alone_has_no_checksum() -> None:
    sheet = decode(EXAMPLE[:8])
    assert (sheet.serial, sheet.checksum_right, sheet.template) == (117, None, None)


@given(place=st.integers(0, 39), change=st.integers(1, 255))
def test_a_changed_byte_breaks_the_checksum(place: int, change: int) -> None:
    broken = bytearray(EXAMPLE)
    broken[place] = (broken[place] + change) % 256
    assert decode(bytes(broken)).checksum_right is False


def test_an_unknown_template_is_never_guessed() -> None:
    """Template 27 (tutorial: microphone with built-in preamplifier) has no public bit layout."""
    changed = bytearray(EXAMPLE)
    stream = (int.from_bytes(changed[9:], "little") & ~(0xFF << 2)) | (27 << 2)
    changed[9:] = stream.to_bytes(31, "little")
    sheet = decode(bytes(changed))
    assert sheet.template == 27
    assert sheet.calibrated_on is None
    assert len(sheet.template_bits) == 31 * 8 - 10


@given(content=st.binary(max_size=80))
def test_any_bytes_decode_or_are_refused_in_words(content: bytes) -> None:
    try:
        assert decode(content).lines()
    except DataSheetError as error:
        assert "found" in str(error)


def test_codes() -> None:
    """Day 0 is 1998-01-01, code 1 is A, 26 is Z (public code, checked on the worked example)."""
    assert date_of(0) == datetime.date(1998, 1, 1)
    assert date_of(0xFFFF) is None
    assert (letter_of(1), letter_of(26), letter_of(0)) == ("A", "Z", "(0)")


def test_the_command_prints_a_sheet_and_names_a_bad_file(tmp_path: object, capsys: pytest.CaptureFixture[str]) -> None:
    from pathlib import Path

    folder = Path(str(tmp_path))
    (folder / "good.bin").write_bytes(EXAMPLE)
    (folder / "bad.bin").write_bytes(b"123")
    assert main(["datasheet", str(folder / "good.bin")]) == 0
    assert "serial number        117" in capsys.readouterr().out
    assert main(["datasheet", str(folder / "bad.bin"), str(folder / "gone.bin"), str(folder)]) == 2
    said = capsys.readouterr().err
    assert "bad.bin: found 3 bytes, expected 8" in said
    assert "gone.bin: no such file" in said
    assert said.endswith(": found a folder, expected a file of 40 bytes\n")
