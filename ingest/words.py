"""Single cells of an office list: known words, amperes, moments. What is not certain is refused, not guessed."""

from __future__ import annotations

import re
from collections.abc import Collection
from datetime import UTC, datetime
from typing import Final
from zoneinfo import ZoneInfo

from ingest.lists import ListRow, OfficeList

NUMBER: Final = re.compile(r"(\d+(?:\.\d+)?)\s*(A|mA)?")


def known_word(found: OfficeList, row: ListRow, column: str, words: Collection[str]) -> str | None:
    """The word of ``words`` that the cell holds (upper or lower case alike), or None for empty or refused."""
    cell = row.cells.get(column, "")
    if not cell:
        return None
    for word in words:
        if cell.casefold() == word.casefold():
            return word
    found.refuse(row, column, "unknown word", f"{column} {cell!r} is none of {', '.join(words)}; treated as unknown")
    return None


def positive_number(found: OfficeList, row: ListRow, column: str, unit: str) -> float | None:
    """The number above zero that the cell holds [``unit``], or None for empty or refused."""
    cell = row.cells.get(column, "")
    if not cell:
        return None
    seen = NUMBER.fullmatch(cell)
    if seen and seen[2] in (None, unit) and float(seen[1]) > 0:
        return float(seen[1])
    found.refuse(row, column, "not a number", f"{column} {cell!r} is not a number of {unit} above zero")
    return None


def moment(found: OfficeList, row: ListRow, column: str, zone: ZoneInfo) -> datetime | None:
    """The UTC moment that the cell holds (ISO 8601, local times in ``zone``), or None for empty or refused."""
    cell = row.cells.get(column, "")
    if not cell:
        return None
    try:
        said = datetime.fromisoformat(cell)
    except ValueError:
        said = None
    if said is None or len(cell) < len("2031-04-02T09:00"):
        found.refuse(row, column, "bad time", f"{column} {cell!r} is not ISO 8601, such as 2031-04-02T09:00")
        return None
    if said.tzinfo is not None:
        return said.astimezone(UTC)
    if not 1900 < said.year < 2200:
        found.refuse(row, column, "bad time", f"{column} {cell!r} cannot be the year of a visit")
        return None
    reason = local_time_reason(said, zone)
    if reason:
        found.refuse(row, column, "bad time", f"{column} {cell!r} {reason}; write it with its offset")
        return None
    return said.replace(tzinfo=zone).astimezone(UTC)


def local_time_reason(said: datetime, zone: ZoneInfo) -> str:
    """Why a local time names no single moment in ``zone``; empty where it does."""
    first, second = said.replace(tzinfo=zone, fold=0), said.replace(tzinfo=zone, fold=1)
    if first.utcoffset() == second.utcoffset():
        return ""
    if first.astimezone(UTC).astimezone(zone).replace(tzinfo=None) != said:
        return f"did not exist in {zone.key} (clocks went forward)"
    return f"happened twice in {zone.key} (clocks went back)"
