"""What is usual for a number that somebody writes: what lies outside is warned of, with what to look at."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from types import NoneType, UnionType
from typing import Annotated, Any, Union, get_args, get_origin


@dataclass(frozen=True)
class OtherUnit:
    """A unit that such numbers are written in by mistake; value * factor + offset is the value in the right one.

    `words` follow the number, as in "68 degrees Fahrenheit are 20 degC".
    """

    words: str
    factor: float
    offset: float = 0.0

    def converted(self, value: float) -> float:
        """The value in the right unit, without rounding errors in its last digits."""
        return float(f"{value * self.factor + self.offset:.10g}")


KHZ = (OtherUnit("kHz", 1000.0),)
MILLISECONDS = (OtherUnit("ms", 0.001),)
MILLIMETRES = (OtherUnit("mm", 0.001),)


def unit_hint(value: float, unit: str, others: Sequence[OtherUnit], fits: Callable[[float], bool]) -> str | None:
    """The hint that names the first unit in which the value fits, or None."""
    for other in others:
        if fits(other.converted(value)):
            return f"{value:g} {other.words} are {other.converted(value):g} {unit}".rstrip()
    return None


@dataclass(frozen=True)
class Usual:
    """The range of usual values, both ends included; with `zero` also 0, with `either_sign` a range of sizes.

    `origin` says in words where the range comes from and `look` what to look at; `others` are the units that the
    number may be written in instead.
    """

    low: float
    high: float
    unit: str
    origin: str
    look: str = "check the number and its unit"
    zero: bool = False
    either_sign: bool = False
    others: tuple[OtherUnit, ...] = ()

    def holds(self, value: float) -> bool:
        """Whether a value is usual."""
        return self.low <= (abs(value) if self.either_sign else value) <= self.high or (self.zero and value == 0.0)

    @property
    def words(self) -> str:
        """The range as a warning expects it."""
        ends = f"{self.low:g} to {self.high:g}"
        if self.either_sign:
            ends = f"-{self.high:g} to {self.high:g}"
        zero = "0 or " if self.zero and self.low > 0.0 else ""
        return f"{zero}{ends}{' ' if self.unit else ''}{self.unit}, the usual range ({self.origin})"

    def hint(self, value: float) -> str:
        """What to look at, after another unit in which the number would be usual."""
        taken = unit_hint(value, self.unit, self.others, lambda other: other != 0.0 and self.holds(other))
        return f"{taken}; {self.look}" if taken else self.look


def usual_among(metadata: Iterable[object]) -> Usual | None:
    """The range that a setting's metadata hold, or None."""
    return next((item for item in metadata if isinstance(item, Usual)), None)


def innermost(annotation: Any, usual: Usual | None) -> tuple[Any, Usual | None]:
    """The annotation without what may be left out and what is said beside it, and the range of its numbers.

    A range declared further in stands before `usual`, one around it.
    """
    while get_origin(annotation) in (Annotated, Union, UnionType):
        usual = usual_among(getattr(annotation, "__metadata__", ())) or usual
        annotation = next(part for part in get_args(annotation) if part is not NoneType)
    return annotation, usual
