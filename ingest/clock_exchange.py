"""How far a meter's clock is off, and how well that is known, from questions and answers with times.

A meter that says 12:00:05 with one-second steps, somewhere between question and answer, has an offset (meter time
minus true time) between ``said - answered`` and ``said + step - asked``. Several exchanges cut that interval smaller:
what is left in common is the answer. Half of the shortest round trip is the best that is ever claimed, because the
meter may have looked at its clock at any moment in between.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime


@dataclass(frozen=True, kw_only=True)
class ClockExchange:
    """One question for the time: when asked and answered (UTC by this computer), what the meter said (as UTC)."""

    asked_at: datetime
    answered_at: datetime
    meter_said_at: datetime
    resolution_s: float

    @property
    def low_s(self) -> float:
        """The smallest offset that fits [s]."""
        return (self.meter_said_at - self.answered_at).total_seconds()

    @property
    def high_s(self) -> float:
        """The greatest offset that fits [s]."""
        return (self.meter_said_at - self.asked_at).total_seconds() + self.resolution_s

    @property
    def round_trip_s(self) -> float:
        """From question to answer [s]."""
        return (self.answered_at - self.asked_at).total_seconds()


@dataclass(frozen=True, kw_only=True)
class ClockOffset:
    """Meter time minus true time [s], ± uncertainty [s] (all values that fit), when, from how many exchanges.

    ``agree`` is False where no one offset fits all exchanges: then a clock jumped, and the whole span is given.
    """

    offset_s: float
    uncertainty_s: float
    observed_at: datetime
    exchanges: int
    agree: bool


def clock_offset(exchanges: Sequence[ClockExchange]) -> ClockOffset:
    """The offset that fits all ``exchanges`` (at least one), with half the width of what is left as uncertainty."""
    low = max(exchange.low_s for exchange in exchanges)
    high = min(exchange.high_s for exchange in exchanges)
    agree = low <= high
    if not agree:
        low = min(exchange.low_s for exchange in exchanges)
        high = max(exchange.high_s for exchange in exchanges)
    best = min(exchange.round_trip_s for exchange in exchanges)
    return ClockOffset(
        offset_s=(low + high) / 2,
        uncertainty_s=max((high - low) / 2, best / 2),
        observed_at=exchanges[-1].answered_at,
        exchanges=len(exchanges),
        agree=agree,
    )
