"""The one rule for every path that the settings and tables hold.

A path names a file or folder below the one it starts from. It may hold spaces and any letters; it may not hold what the
workflow manager, a shell or a file system reads as something else, so that it means the same wherever it is written.
"""

from __future__ import annotations

import posixpath
import re
import unicodedata
from dataclasses import dataclass

from tapeline.campaign.faults import quoted
from tapeline.limits import LONGEST_NAME_BYTES, LONGEST_PATH_BYTES

DRIVE = re.compile(r"[A-Za-z]:")
NOT_IN_A_LINE = frozenset({"Cc", "Cs", "Zl", "Zp"})
"""Unicode's categories of control characters, of halves of characters and of breaks of lines and paragraphs."""
TURNING_SIGNS = frozenset("\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")
"""Signs that turn the direction of what follows (Unicode standard annex 9): a name that holds one reads as another."""
PLACEHOLDER_SIGNS = "{}"
"""The workflow manager's signs of a wildcard."""
REFUSED_SIGNS = '$`"|<>*?;'
"""Signs by which a shell expands, joins or redirects; most of them no file name on Windows may hold either."""


@dataclass(frozen=True)
class Start:
    """The folder that a path starts from, in words, and what to do with a path that leaves it."""

    name: str
    mend: str


INPUTS = Start("the campaign folder", "for files that have to lie elsewhere set `inputs_outside: true`")
RECORDINGS = Start("the recordings folder", "name a folder that holds all of them in `recordings`")
RESULTS = Start("the campaign folder", "keep the campaign where there is room; its recordings may lie elsewhere")


@dataclass(frozen=True)
class Misfit:
    """What is wrong with a path, in the words of a fault."""

    found: str
    expected: str
    mend: str | None = None


def path_misfit(path: str, start: Start = INPUTS, outside: bool = False) -> Misfit | None:
    """What is wrong with a path by its text alone; None where it may stand.

    With `outside` it may also be absolute or lead upward.
    """
    rename = "rename the file or folder, and write its new name here"
    for sign in path:
        if unicodedata.category(sign) in NOT_IN_A_LINE or sign in TURNING_SIGNS:
            found = f"the character U+{ord(sign):04X} in {quoted(path)}"
            return Misfit(found, "a path on one line, without control characters")
    below = f"a path below {start.name}"
    if DRIVE.match(path) or (path.startswith(("/", "\\")) and not outside):
        return Misfit(f"the absolute path {quoted(path)}", below, start.mend)
    if "\\" in path:
        return Misfit(quoted(path), 'folders separated by "/"', f"write {quoted(path.replace(chr(92), '/'))}")
    if path.startswith("~"):
        expected = f'{below} that does not start with "~"'
        return Misfit(quoted(path), expected, "a home folder is not looked up: write the folders' names")
    for sign in path:
        if sign in PLACEHOLDER_SIGNS:
            expected = "a path without braces, which the workflow manager takes for placeholders"
            return Misfit(f"{quoted(path)} with the sign {sign}", expected, rename)
        if sign in REFUSED_SIGNS:
            expected = "a path without signs that a shell reads as something else"
            return Misfit(f"{quoted(path)} with the sign {sign}", expected, rename)
    if not outside and posixpath.normpath(path).split("/")[0] == "..":
        return Misfit(f"{quoted(path)}, which leaves {start.name}", below, start.mend)
    longest = max(len(name.encode()) for name in path.split("/"))
    if longest > LONGEST_NAME_BYTES or len(path.encode()) > LONGEST_PATH_BYTES:
        expected = f"names of at most {LONGEST_NAME_BYTES} bytes in a path of at most {LONGEST_PATH_BYTES}"
        return Misfit(f"{quoted(path)}, {len(path.encode())} bytes long", expected, rename)
    return None
