"""A meter's local time into UTC, only where there is one answer."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Final
from zoneinfo import ZoneInfo

ISO: Final = "%Y-%m-%dT%H:%M:%S"
NO_CLOCK: Final = "the record has no time"
ARRIVAL: Final = "the meter gave no time: this is when the value reached this computer"


def parse_local(text: str, pattern: str) -> datetime | None:
    """The local time that ``text`` says by ``pattern``; None where it does not fit. Two-digit years are 20yy."""
    text, pattern = text.strip(), pattern
    if "%y" in pattern:
        pattern = pattern.replace("%y", "%Y")
        text = _with_century(text, pattern)
    try:
        return datetime.strptime(text, pattern)
    except ValueError:
        return None


def to_utc(local: datetime, zone: ZoneInfo) -> tuple[datetime | None, str | None]:
    """The moment in UTC, or None with the reason: an hour that a clock change skips or shows twice."""
    early, late = (local.replace(tzinfo=zone, fold=fold) for fold in (0, 1))
    if early.utcoffset() == late.utcoffset():
        return early.astimezone(UTC), None
    if early.astimezone(UTC).astimezone(zone).replace(tzinfo=None, fold=0) != local:
        return None, f"{local:%d %b %Y %H:%M} does not exist in {zone.key}: the clocks went forward"
    return None, f"{local:%d %b %Y %H:%M} happens twice in {zone.key}: the clocks went back"


def _with_century(text: str, pattern: str) -> str:
    """``text`` with ``20`` put before the two digits of the year, found by counting the directives before it."""
    before = pattern[: pattern.index("%Y")]
    at = sum(2 if part.startswith("%") else len(part) for part in _parts(before))
    return f"{text[:at]}20{text[at:]}"


def _parts(pattern: str) -> list[str]:
    found, at = [], 0
    while at < len(pattern):
        length = 2 if pattern[at] == "%" else 1
        found.append(pattern[at : at + length])
        at += length
    return found
