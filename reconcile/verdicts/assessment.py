"""What judging says of one judged part of a check."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from reconcile.case import Reading
from reconcile.pack import Limit

RANK: Final = {"not applicable": 0, "satisfactory": 1, "not tested": 2, "inconclusive": 3, "unsatisfactory": 4}
"""Outcomes from the best to the worst, for choosing the one that governs."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Part:
    """One judged part: the ``check`` it feeds, its ``kind`` (``loop``, ``triple``...), its ``outcome`` and ``why``.

    A part begins as not tested, and is that until something is said of it.

    ``why`` is one word or phrase that rules look for. ``reading`` governs; ``reading_ids`` are all that belong here.
    ``low`` and ``high`` are the limits; ``factor`` scales the upper one where a limit is not taken whole. ``value``
    [``unit``] stands for an attested number. ``causes`` are conditions that would show these readings,
    ``also`` less likely ones, ``against`` what spoke against others. ``accepts`` says in words what passes, where there
    is no number.
    """

    check: str
    kind: str
    outcome: str = "not tested"
    why: str = ""
    reading: Reading | None = None
    reading_ids: tuple[str, ...] = ()
    low: Limit | None = None
    high: Limit | None = None
    factor: float = 1.0
    value: float | None = None
    unit: str | None = None
    indication: str | None = None
    causes: tuple[str, ...] = ()
    also: tuple[str, ...] = ()
    against: str = ""
    steps: tuple[str, ...] = ()
    accepts: str = ""
    note: str = ""

    @property
    def limit_low(self) -> float | None:
        """The lower limit [unit of the value]."""
        return None if self.low is None else self.low.value

    @property
    def limit_high(self) -> float | None:
        """The upper limit [unit of the value], with its factor."""
        return None if self.high is None else self.high.times(self.factor)

    @property
    def limit_source(self) -> str | None:
        """Where the limits stand; without a limit, what passes."""
        limits = [limit for limit in (self.low, self.high) if limit is not None]
        return "; ".join(dict.fromkeys(limit.citation for limit in limits)) or self.accepts or None

    @property
    def shown_unit(self) -> str | None:
        """The unit of value and limits, also where nothing was measured."""
        limit = self.high or self.low
        if self.reading is not None and self.reading.unit is not None:
            return self.reading.unit
        return self.unit or (None if limit is None else limit.unit)


def worst(parts: Sequence[Part]) -> str:
    """The outcome of a check that has these parts: the worst, and never a pass where a part was not tested."""
    outcomes = {part.outcome for part in parts} - {"not applicable"}
    if not outcomes:
        return "not applicable" if parts else "not tested"
    if outcomes == {"satisfactory", "not tested"}:
        return "inconclusive"
    return max(outcomes, key=RANK.__getitem__)
