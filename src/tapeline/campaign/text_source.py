"""A file of the campaign as text: UTF-8 with or without a byte-order mark, any line ending."""

from __future__ import annotations

import codecs
from pathlib import Path

from tapeline.campaign.faults import Fault
from tapeline.limits import TEXT_FILE_BYTES
from tapeline.regular_files import NotRegularError, read_regular

UTF16_MARKS = (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)
SAVE_AS_UTF8 = 'save the file as "UTF-8"'


def read_text(path: Path, shown: str, faults: list[Fault]) -> str | None:
    """The text of `path`, line ends made `\\n`; None, and a fault under the name `shown`, where it cannot be read."""
    try:
        raw = read_regular(path, TEXT_FILE_BYTES)
    except FileNotFoundError:
        faults.append(Fault(shown, None, None, "no such file", "a file of the campaign folder"))
        return None
    except NotRegularError as error:
        faults.append(Fault(shown, None, None, f"{error.strerror}, which cannot be read as text", "a file of text"))
        return None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        mend = "give yourself permission to read it" if isinstance(error, PermissionError) else None
        faults.append(Fault(shown, None, None, f"a path that cannot be read ({reason})", "a readable file", mend))
        return None
    if raw.startswith(UTF16_MARKS):
        faults.append(Fault(shown, 1, None, "text in UTF-16", "text in UTF-8", SAVE_AS_UTF8))
        return None
    raw = raw.removeprefix(codecs.BOM_UTF8)
    try:
        text = raw.decode("utf-8")
    except UnicodeDecodeError as error:
        before = raw[: error.start].replace(b"\r\n", b"\n").replace(b"\r", b"\n")
        found = f"the byte 0x{raw[error.start]:02X}, which is not UTF-8"
        faults.append(Fault(shown, before.count(b"\n") + 1, None, found, "text in UTF-8", SAVE_AS_UTF8))
        return None
    return text.replace("\r\n", "\n").replace("\r", "\n")
