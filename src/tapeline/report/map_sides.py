"""What the two sides of the body are called, by the campaign's own words on its axes."""

from __future__ import annotations

import re

UNNAMED = ("y < 0", "y > 0")

_SIDE = re.compile(
    r"\by(?:[ -](?:axis|is|points|pointing|positive|counts|counted))*\s+(?:(?:to|towards)\s+the\s+)?"
    r"(?P<side>left|right)(?:wards?)?\b(?P<rest>[^,;.]*)",
    re.IGNORECASE,
)
_TURNED = re.compile(r"(?:negative|minus|[-\N{MINUS SIGN}])\s*$", re.IGNORECASE)
_LOOK = re.compile(r"\b(?:seen|viewed|looking|facing|look)\b", re.IGNORECASE)
_FROM_THE_BODY = re.compile(
    r"\bfrom (?:the )?(?:driver|behind|rear|inside)|\b(?:looking|facing) (?:forward|ahead)", re.IGNORECASE
)


def side_names(axes: str) -> tuple[str, str]:
    """Names of the sides below and above y = 0.

    Left and right only where the sentence on the axes says it once, and as the body itself has it: "y to the right",
    "y positive to the left seen from the driver". Else the signs alone.
    """
    found = list(_SIDE.finditer(axes))
    if len(found) != 1:
        return UNNAMED
    (match,) = found
    rest = match["rest"]
    if _TURNED.search(axes[: match.start()]) or (_LOOK.search(rest) and not _FROM_THE_BODY.search(rest)):
        return UNNAMED
    above = match["side"].lower()
    return f"{'left' if above == 'right' else 'right'} ({UNNAMED[0]})", f"{above} ({UNNAMED[1]})"
