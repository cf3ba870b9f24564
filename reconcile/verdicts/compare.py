"""A reading held against its limits: does it pass, does it fail, or can that not be told."""

from __future__ import annotations

from math import inf
from typing import Literal

from reconcile.case import Reading

Answer = Literal["passes", "fails", "cannot tell"]


def compare(reading: Reading, *, low: float | None = None, high: float | None = None) -> Answer:
    """The answer for limits ``low`` and ``high`` [unit of the reading], both inclusive; None is no limit.

    A value with ``gt`` stands for everything above it and one with ``lt`` for everything from zero up to it: the first
    can show that a lower limit is met, never an upper one; the second the reverse. A number below zero shows that the
    meter was not measuring what the step asks for (an alternating voltage, a resistance, a time): it never passes, and
    fails by its size.
    """
    if reading.value is None:
        return "cannot tell"
    if reading.value < 0.0:
        too_large = high is not None and -reading.value > high
        return "fails" if too_large or (low is not None and low > 0.0) else "cannot tell"
    least, most = bounds(reading.value, reading.comparator)
    floor, ceiling = (-inf if low is None else low), (inf if high is None else high)
    beyond_high = least > ceiling or (reading.comparator == "gt" and least >= ceiling)
    beyond_low = most < floor or (reading.comparator == "lt" and most <= floor)
    if beyond_high or beyond_low:
        return "fails"
    return "passes" if floor <= least and most <= ceiling else "cannot tell"


def bounds(value: float, comparator: str | None) -> tuple[float, float]:
    """The least and the greatest true value that the reading stands for, uncertainty left aside."""
    if comparator == "gt":
        return value, inf
    if comparator == "lt":
        return 0.0, value
    return value, value
