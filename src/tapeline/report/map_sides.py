"""How the body is seen from its sides, and what these are called, by the campaign's own words on its axes."""

from __future__ import annotations

import re

UNNAMED = ("side y < 0", "side y > 0")

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


_FORWARD = re.compile(
    r"\bx(?:[ -](?:axis|is|points|pointing|positive))*\s+(?:to\s+the\s+)?"
    r"(?P<way>forward|front|upstream|rear|back|downstream)",
    re.IGNORECASE,
)


def is_right_handed(axes: str) -> bool:
    """Whether x, y and z upward make a right-handed frame, which is what is assumed where the words do not tell.

    >>> is_right_handed("x rearward, y to the right"), is_right_handed("x forward, y to the right")
    (True, False)
    """
    forward, found = _FORWARD.search(axes), list(_SIDE.finditer(axes))
    if forward is None or len(found) != 1:
        return True
    is_rearward = forward["way"].lower().startswith(("rear", "back", "down"))
    return is_rearward == (found[0]["side"].lower() == "right")


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
    return "left" if above == "right" else "right", above
