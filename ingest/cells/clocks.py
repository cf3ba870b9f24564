"""One time-of-day cell, one zone cell, and cells that hold date and time together."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache
from typing import Final
from zoneinfo import ZoneInfo

from ingest.cells.dates import parse_date
from ingest.cells.text import CACHE, fold

MINUTE_NS: Final = 60 * 10**9
FIXED_ZONES: Final = {"utc": 0, "gmt": 0, "z": 0, "zulu": 0, "bst": 60, "cet": 60, "cest": 120, "wet": 0, "west": 60,
                      "ut": 0, "utc time": 0, "gmt time": 0}  # fmt: skip
NAMED_ZONES: Final = {
    "uk": "Europe/London", "uk time": "Europe/London", "uk local": "Europe/London", "uk local time": "Europe/London",
    "london": "Europe/London", "london time": "Europe/London", "gmt/bst": "Europe/London", "bst/gmt": "Europe/London",
    "united kingdom": "Europe/London", "gmt standard time": "Europe/London", "british time": "Europe/London",
    "greenwich mean time": "+00:00", "coordinated universal time": "+00:00", "universal time": "+00:00",
    "british summer time": "+01:00",
}  # fmt: skip
CHANGING: Final = frozenset(("cet", "wet"))
"""Names that people use for a zone all the year, although its clocks change: for a whole file they are not certain."""
LOCAL_WORDS: Final = frozenset(("local", "local time", "meter", "meter time", "wall clock", "auto", "automatic", ""))

_CLOCK: Final = re.compile(
    r"(?P<h>\d{1,2})\s?[:.h]\s?(?P<m>\d{2})(?:\s?[:.m]\s?(?P<s>\d{2})(?:[.,](?P<f>\d{1,9}))?\s?s?)?"
    r"\s*(?P<half>[ap]\.?\s?m?\.?(?![a-z]))?\s*(?P<zone>z|utc|gmt|bst|cest|cet|west|wet|[+-]\d{2}:?\d{2}|[+-]\d{1,2}|"
    r"(?:utc|gmt)\s?[+-]\d{1,2}(?::?\d{2})?)?",
    re.IGNORECASE,
)
_HOURS: Final = re.compile(r"(?<=\d)\s?(?:hrs?|hours)\.?$", re.IGNORECASE)
"""How people end a time of day: ``09:15 hrs``."""
_HOUR: Final = re.compile(r"(?P<h>\d{1,2})\s*(?P<half>[ap]\.?\s?m\.?)", re.IGNORECASE)
_COMPACT: Final = re.compile(r"(?P<digits>\d{3,6})(?P<zone>[zZ]|[+-]\d{2}:?\d{2})?")
_ZONE_NAME: Final = re.compile(r"[A-Z][A-Za-z_]+(?:/[A-Za-z0-9_+-]+){0,2}")
_OFFSET: Final = re.compile(r"(?:utc|gmt)?\s?([+-])\s?(\d{1,2})(?::?(\d{2}))?(?:\s?h(?:ours?)?)?", re.IGNORECASE)
_TOGETHER: Final = (
    re.compile(
        r"(?P<date>.*?\d)(?:[T_]|[\s,;]+|(?<=\d{4})-|(?<=\d{2})-)(?:at )?"
        r"(?P<time>\d{1,2}\s?[:.h]\s?\d{2}(?![.\d/]\d{2,4}$)(?:[:.m].*)?(?:\s?[ap]\.?\s?m?\.?)?.*|\d{1,2}\s*[ap]\.?m\.?)",
        re.IGNORECASE,
    ),
    re.compile(r"(?P<date>\d{8}|\d{4}-\d{2}-\d{2})[T_ ](?P<time>\d{4}|\d{6}(?:[zZ]|[+-]\d{4})?)"),
    re.compile(
        r"(?P<date>\d{4}[-/.]\d{1,2}[-/.]\d{1,2}|\d{1,2}[-/.]\d{1,2}[-/.]\d{4})[T_ ]"
        r"(?P<time>\d{1,2}\.\d{2}\.\d{2}(?:\s?[ap]\.?m\.?)?)",
        re.IGNORECASE,
    ),
    re.compile(r"(?P<time>\d{1,2}:\d{2}(?::\d{2})?(?:\s?[ap]m)?)[\s,]+(?P<date>.*\d.*)", re.IGNORECASE),
)


@dataclass(frozen=True)
class ClockCell:
    """A time of day in nanoseconds since midnight, with the offset of its zone [minutes] where the cell says one.

    ``half`` is True where AM or PM stands in the cell. ``nanoseconds`` None: not a time of day.
    """

    nanoseconds: int | None = None
    offset_min: int | None = None
    half: bool = False
    hour: int = -1


@lru_cache(maxsize=CACHE)
def parse_clock(text: str, compact_digits: int = 0) -> ClockCell:
    """The time of day that ``text`` is. ``compact_digits`` is 4 or 6 where times have no separators (else 0)."""
    cell = _HOURS.sub("", fold(text).strip(" ,;'"))
    found = _CLOCK.fullmatch(cell)
    if found is None and (hour := _HOUR.fullmatch(cell)):
        return _clock(int(hour["h"]), 0, 0, "", hour["half"], None)
    if found is None:
        compact = _COMPACT.fullmatch(cell)
        if compact is None or not compact_digits:
            return ClockCell()
        digits = compact["digits"].zfill(compact_digits)
        seconds = int(digits[4:]) if len(digits) == 6 else 0
        return _clock(int(digits[:2]), int(digits[2:4]), seconds, "", None, compact["zone"])
    return _clock(
        int(found["h"]), int(found["m"]), int(found["s"] or 0), found["f"] or "", found["half"], found["zone"]
    )


def _clock(hour: int, minute: int, second: int, fraction: str, half: str | None, zone: str | None) -> ClockCell:
    if half:
        if not (0 <= hour <= 12):
            return ClockCell()
        hour = hour % 12 + (12 if half[0].lower() == "p" else 0)
    if hour > 23 or minute > 59 or second > 59:
        return ClockCell()
    offset = parse_offset(zone) if zone else None
    nanoseconds = ((hour * 60 + minute) * 60 + second) * 10**9 + int(fraction.ljust(9, "0") or 0)
    return ClockCell(nanoseconds=nanoseconds, offset_min=offset, half=bool(half), hour=hour)


@lru_cache(maxsize=CACHE)
def parse_offset(text: str) -> int | None:
    """Minutes east of UTC that a zone word or offset says; None where it says none."""
    word = fold(text).lower().strip(" ()")
    if word in FIXED_ZONES:
        return FIXED_ZONES[word]
    found = _OFFSET.fullmatch(word)
    if found is None:
        return None
    minutes = int(found[2]) * 60 + int(found[3] or 0)
    return (-minutes if found[1] == "-" else minutes) if minutes <= 14 * 60 else None


@lru_cache(maxsize=CACHE)
def parse_zone(text: str) -> str | None:
    """The zone that a preamble or column says: an IANA name, or ``+HH:MM``; None where it is not understood."""
    word = fold(text).strip(" ()[].")
    lower = word.lower()
    if lower in NAMED_ZONES:
        return NAMED_ZONES[lower]
    if lower.startswith("utc") and "london" in lower:
        return "Europe/London"  # as desktop systems list it: (UTC+00:00) ... London; its clocks do change
    offset = parse_offset(word)
    if offset is not None and lower not in CHANGING:
        return format_offset(offset)
    if _ZONE_NAME.fullmatch(word) is None:
        return None
    try:
        return ZoneInfo(word).key
    except (KeyError, ValueError, OSError):
        return None


def format_offset(minutes: int) -> str:
    """``+01:00`` for 60."""
    return f"{'-' if minutes < 0 else '+'}{abs(minutes) // 60:02d}:{abs(minutes) % 60:02d}"


@lru_cache(maxsize=CACHE)
def split_moment(text: str) -> tuple[str, str] | None:
    """Date text and time text of a cell that holds both; None where it does not."""
    cell = fold(text).strip(" ,;'")
    for pattern in _TOGETHER:
        found = pattern.fullmatch(cell)
        if found and parse_date(day := found["date"].strip(" ,")).seen:
            return day, found["time"].strip(" ,")
    return None
