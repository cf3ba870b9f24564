"""What one test of a screen says before it is corrected for the number of tests."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

SHOWN_READINGS: Final = 20


@dataclass(frozen=True, kw_only=True)
class ScreenRow:
    """One test: its numbers, and ``large`` where the effect is more than a curiosity of a large sample."""

    screen: str
    subject: str
    quantity: str | None
    count: int
    statistic_name: str
    statistic: float
    p_value: float
    large: bool
    reading_ids: str
    message: str


def shown_ids(reading_ids: Iterable[str]) -> str:
    """The first readings, separated by spaces."""
    return " ".join(list(reading_ids)[:SHOWN_READINGS])
