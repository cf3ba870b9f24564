"""One date cell to the days it can mean. Which order of day and month counts is decided by a whole column.

Dotted dates are day first; a named month, a year of four digits in front and a weekday that fits only one order decide
themselves. Years of two digits are 1969 to 2068, as POSIX has it (strptime, %y): those before 2000 are of a clock that
was reset.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from functools import lru_cache
from typing import Final

from ingest.cells.text import CACHE, fold

ORDERS: Final = ("dmy", "mdy", "ymd")
MONTHS: Final = {
    name: number + 1
    for number, names in enumerate(
        (
            "jan january", "feb february", "mar march", "apr april", "may", "jun june", "jul july", "aug august",
            "sep sept september", "oct october", "nov november", "dec december",
        )
    )
    for name in names.split()
}  # fmt: skip
FIRST_OF_1900S: Final = 69
MANY_YEARS: Final = 4
"""So many years with one day of the month in all of them are no dates of measurements."""
WEEKDAYS: Final = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")

_WEEKDAY: Final = re.compile(
    r"(?:(mon|tue|wed|thu|fri|sat|sun)(?:day|s|sday|nesday|rs|rsday|urday)?\b[,.]?\s+)?(.+?)"
    r"(?:[,.]?\s+(mon|tue|wed|thu|fri|sat|sun)(?:day|s|sday|nesday|rs|rsday|urday)?\b\.?)?",
    re.IGNORECASE,
)
_YEAR_FIRST: Final = re.compile(r"(\d{4})([-/. ])(\d{1,2})\2(\d{1,2})")
_YEAR_LAST: Final = re.compile(r"(\d{1,2})([-/. ])(\d{1,2})\2'?(\d{4}|\d{2})")
_SERIAL_DAY: Final = re.compile(r"[34567]\d{4}(?:[.,]\d+)?")
_COMPACT: Final = re.compile(r"\d{6,8}")
_NAMED: Final = (
    re.compile(r"(?P<d>\d{1,2})(?:st|nd|rd|th)?[-/ .,]*(?:of )?(?P<m>[a-z]{3,9})[-/ .,]*'?(?P<y>\d{4}|\d{2})", re.I),
    re.compile(r"(?P<m>[a-z]{3,9})[-/ .]*(?P<d>\d{1,2})(?:st|nd|rd|th)?[-/ ,.]+'?(?P<y>\d{4}|\d{2})", re.I),
    re.compile(r"(?P<y>\d{4})[-/ ]*(?P<m>[a-z]{3,9})[-/ .]*(?P<d>\d{1,2})", re.I),
)


@dataclass(frozen=True)
class DateCell:
    """The days a cell can mean: ``settled``, or one for each order that gives a real day (``by_order``).

    Neither: ``seen`` is True where it looks like a date but no order gives a real day.
    """

    settled: date | None = None
    by_order: tuple[tuple[str, date], ...] = ()
    seen: bool = False

    @property
    def proves(self) -> str | None:
        """The one order that this cell allows, or None where it proves nothing."""
        return self.by_order[0][0] if len(self.by_order) == 1 else None

    @property
    def provable(self) -> date | None:
        """The day that needs no order: settled, allowed by one order only, or the same in all."""
        if self.settled:
            return self.settled
        days = {day for _, day in self.by_order}
        return days.pop() if len(days) == 1 else None

    def under(self, order: str) -> date | None:
        """The day if ``order`` counts; None where it gives no real day."""
        return self.settled or dict(self.by_order).get(order)


@lru_cache(maxsize=CACHE)
def parse_date(text: str) -> DateCell:
    """The days that ``text`` can mean."""
    cell = fold(text).strip(" ,;'")
    outer = _WEEKDAY.fullmatch(cell)
    if outer is None:
        return DateCell()
    weekday = (outer[1] or outer[3] or "").lower()
    found = _parse_day(outer[2].strip(" ,"))
    if not weekday:
        return found
    number = WEEKDAYS.index(weekday)
    if found.settled:
        return found if found.settled.weekday() == number else DateCell(seen=True)
    fitting = tuple((order, day) for order, day in found.by_order if day.weekday() == number)
    return DateCell(by_order=fitting, seen=found.seen)


def is_serial_day(text: str) -> bool:
    """True for what a spreadsheet leaves of a date without its format: a count of days. Two calendars are in use."""
    return _SERIAL_DAY.fullmatch(text) is not None


def _parse_day(text: str) -> DateCell:
    if found := _YEAR_FIRST.fullmatch(text):
        return _settled(int(found[1]), int(found[3]), int(found[4]))
    if found := _YEAR_LAST.fullmatch(text):
        first, mark, second, year = int(found[1]), found[2], int(found[3]), found[4]
        if mark == ".":
            return _settled(_full_year(year), second, first)
        candidates = [("dmy", _full_year(year), second, first), ("mdy", _full_year(year), first, second)]
        if mark == "-" and len(year) == 2 and len(found[1]) == 2:
            candidates.append(("ymd", _full_year(found[1]), second, int(year)))
        return _by_order(candidates)
    for pattern in _NAMED:
        found = pattern.fullmatch(text)
        if found and found["m"].lower() in MONTHS:
            return _settled(_full_year(found["y"]), MONTHS[found["m"].lower()], int(found["d"]))
    if _COMPACT.fullmatch(text):
        return _compact(text)
    return DateCell()


def _compact(text: str) -> DateCell:
    """Eight digits, or seven with a lost leading zero, or six."""
    if len(text) == 6:
        first, second, third = int(text[:2]), int(text[2:4]), int(text[4:])
        last, front = _full_year(text[4:]), _full_year(text[:2])
        return _by_order([("dmy", last, second, first), ("mdy", last, first, second), ("ymd", front, second, third)])
    padded = text.zfill(8)
    first, second, year = int(padded[:2]), int(padded[2:4]), int(padded[4:])
    candidates = [("dmy", year, second, first), ("mdy", year, first, second)]
    if len(text) == 8:
        candidates.append(("ymd", int(text[:4]), int(text[4:6]), int(text[6:])))
    return _by_order(candidates)


def _full_year(text: str) -> int:
    if len(text) == 4:
        return int(text)
    return (2000 if int(text) < FIRST_OF_1900S else 1900) + int(text)


def _day(year: int, month: int, day: int) -> date | None:
    try:
        return date(year, month, day) if 1900 <= year <= 2100 else None
    except ValueError:
        return None


def _settled(year: int, month: int, day: int) -> DateCell:
    return DateCell(settled=_day(year, month, day), seen=True)


def _by_order(candidates: Iterable[tuple[str, int, int, int]]) -> DateCell:
    days = ((order, _day(year, month, day)) for order, year, month, day in candidates)
    return DateCell(by_order=tuple((order, day) for order, day in days if day), seen=True)


@dataclass(frozen=True)
class OrderDecision:
    """How the dates of a column are read: ``order``, or None with ``provable_only`` where it has to be proved cell
    by cell; ``why`` says so to people.
    """

    order: str | None
    why: str


def absurd_orders(cells: Sequence[DateCell]) -> frozenset[str]:
    """Orders that would put the dates of a column on one day of the month in many years: the part that stays is the
    year. Two or three such dates settle nothing. This speaks against a year in front only: ``31-03-09`` may as well be
    the last of March.
    """
    both = [dict(cell.by_order) for cell in cells if {"dmy", "ymd"} <= dict(cell.by_order).keys()]
    first = {days["ymd"].year for days in both}
    last = {days["dmy"].year for days in both}
    if len(first) >= MANY_YEARS and len(last) == 1:
        return frozenset(("ymd",))
    return frozenset()


def decide_order(cells: Iterable[str], told: str | None = None, hints: Iterable[str] = ()) -> OrderDecision:
    """The order of day and month in a file with these date cells.

    What single cells prove counts most: proof both ways leaves the file undecided, and so does proof against a word
    told (operator, profile, heading, preamble). The dates of the preamble (``hints``) count where no cell proves one.
    """
    for proved in (_proved(cells), _proved(hints)):
        if len(proved) > 1:
            return OrderDecision(None, "the dates of this file prove both orders of day and month")
        if proved and told and told not in proved:
            return OrderDecision(None, f"{told} was told, and a date of this file proves {'/'.join(proved)}")
        if proved:
            return OrderDecision(next(iter(proved)), "proved by another date of the file")
    if told:
        return OrderDecision(told, "told")
    return OrderDecision(None, "no date of the file settles which is day and which is month")


def _proved(cells: Iterable[str]) -> frozenset[str]:
    """The orders of day and month that single cells allow alone."""
    found = [parse_date(cell) for cell in cells]
    excluded = absurd_orders(found)
    left = [{order for order, _ in cell.by_order} - excluded for cell in found]
    return frozenset(next(iter(orders)) for orders in left if len(orders) == 1)
