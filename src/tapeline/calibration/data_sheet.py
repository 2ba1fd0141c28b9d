"""A sensor's electronic data sheet (IEEE 1451.4): the basic part, the checksum, the template's number and known fields.

Fields are packed first-field-lowest, byte 0 first. The layouts come from the public tutorial of the standard's
templates and from a public worked example; templates that neither describes are returned as raw bits with their number.
"""

from __future__ import annotations

import datetime
from dataclasses import dataclass
from pathlib import Path

from tapeline.limits import DATA_SHEET_FILE_BYTES
from tapeline.regular_files import NotRegularError, read_regular

BASIC_BYTES = 8
MEMORY_BYTES = 32
EPOCH = datetime.date(1998, 1, 1)
"""Dates count days from here."""

ACCELEROMETER_TEMPLATE = 25
SELECTORS = {0: "standard template", 1: "maker's template", 2: "other template", 3: "end of templates"}
"""Codes 1 and 2 from memory."""


class DataSheetError(Exception):
    """Bytes that hold no data sheet; the text says what was found and what is expected."""


@dataclass(frozen=True)
class DataSheet:
    """The fields of a data sheet that are known for certain; None where one is not stated or its layout is unknown."""

    manufacturer: int
    model: int
    version: str
    serial: int
    checksum_right: bool | None
    selector: int | None
    template: int | None
    template_bits: str
    calibrated_on: datetime.date | None

    def lines(self) -> list[str]:
        """The fields as sentences, one a line."""
        words = {True: "right", False: "WRONG: do not trust the rest", None: "none in this file"}
        selector = "none in this file" if self.selector is None else f"{self.selector} ({SELECTORS[self.selector]})"
        return [
            f"manufacturer number  {self.manufacturer}",
            f"model number         {self.model}",
            f"version              {self.version}",
            f"serial number        {self.serial}",
            f"checksum             {words[self.checksum_right]}",
            f"selector             {selector}",
            f"template             {'none' if self.template is None else self.template}",
            f"calibrated on        {self.calibrated_on.isoformat() if self.calibrated_on else 'not known'}",
            f"template bits        {self.template_bits or 'none'}",
        ]


def read_data_sheet(path: Path) -> DataSheet:
    """The data sheet in the file at `path`.

    Raises DataSheetError for a file that is no data sheet, OSError for one that cannot be read.
    """
    try:
        return decode(read_regular(path, DATA_SHEET_FILE_BYTES))
    except NotRegularError as error:
        raise DataSheetError(
            f"found {error.strerror}, expected a file of {BASIC_BYTES + MEMORY_BYTES} bytes"
        ) from error


def decode(content: bytes) -> DataSheet:
    """The data sheet in 8 bytes of basic part, alone or followed by 32 bytes of memory that begin with the checksum.

    Raises DataSheetError for other lengths and for bytes that are all 0 or all 255.
    """
    if len(content) not in (BASIC_BYTES, BASIC_BYTES + MEMORY_BYTES):
        raise DataSheetError(
            f"found {len(content)} bytes, expected {BASIC_BYTES} (the basic part) or {BASIC_BYTES + MEMORY_BYTES} "
            "(with the sensor's memory)"
        )
    if len(set(content)) == 1 and content[0] in (0, 255):
        raise DataSheetError(f"found nothing but bytes of {content[0]}: the memory was never written or not read")
    basic = int.from_bytes(content[:BASIC_BYTES], "little")
    letter = _field(basic, 29, 5)
    memory = content[BASIC_BYTES:]
    selector = template = date = None
    bits = ""
    if memory:
        stream = int.from_bytes(memory[1:], "little")
        selector = _field(stream, 0, 2)
        if selector == 0:
            template = _field(stream, 2, 8)
            length = 8 * (len(memory) - 1) - 10
            bits = f"{stream >> 10:0{length}b}"[::-1]
        if template == ACCELEROMETER_TEMPLATE:
            date = date_of(_field(stream, 96, 16))
    return DataSheet(
        manufacturer=_field(basic, 0, 14),
        model=_field(basic, 14, 15),
        version=f"{letter_of(letter)}{_field(basic, 34, 6)}",
        serial=_field(basic, 40, 24),
        checksum_right=sum(content) % 256 == 0 if memory else None,
        selector=selector,
        template=template,
        template_bits=bits,
        calibrated_on=date,
    )


def date_of(days: int) -> datetime.date | None:
    """A date from its 16-bit count of days since 1998-01-01; all ones mean none."""
    return None if days == 0xFFFF else EPOCH + datetime.timedelta(days=days)


def letter_of(code: int) -> str:
    """A five-bit character: 1 is A, 26 is Z; other codes are not known for certain and stay numbers."""
    return chr(ord("A") + code - 1) if 1 <= code <= 26 else f"({code})"


def _field(stream: int, offset: int, width: int) -> int:
    return (stream >> offset) & ((1 << width) - 1)
