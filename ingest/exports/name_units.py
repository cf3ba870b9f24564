"""The unit that a heading or the name of a test carries, and the name without it."""

from __future__ import annotations

import re
from typing import Final

from ingest.cells.units import Unit, parse_unit

_BRACKETS: Final = re.compile(r"[\(\[{<]([^()\[\]{}<>]*)[\)\]}>]")
_TRAILING: Final = re.compile(
    r"(?:\s*[,;:/|\-]\s*|\s+in\s+|\s+)([^\s,;:/|\-]+(?:\s(?:a\.?c|d\.?c)\.?)?)$", re.IGNORECASE
)

_UNIT_APART: Final = re.compile(
    r"(?<=[^\W_])[\s,;:/|]+((?:[kKMGmµ]|[kK]ilo|[mM]egs?|[mM]ega|MEG|[mM]illi|[gG]iga)[\s-](?:[oO]hms?|OHMS?|Ω))$"
)
"""A unit of two words at the end: ``M ohm``, ``Mega Ohm``."""
_NUMBER_LAST: Final = re.compile(r"(?<![A-Za-z0-9])\d+(?:[.,]\d+)?\s*$")
"""A number before a unit makes the two a setting of the test (``500 V``, ``30 mA``)."""
_BELONGS: Final = re.compile(r"(?:^z|\btype|\blow)$", re.IGNORECASE)
"""What makes the letters after it a part of the name: ``Z s``, ``type A``, ``low ohms``."""
_SLASHED: Final = re.compile(r"/\s?([^\s/()]+)(?=\s|$)")
_MEASURED: Final = ("V", "A", "Ohm", "s", "siemens")
_LEADING: Final = re.compile(r"V|[Vv]olts?|[kMmG]?Ω|[oO]hms?|[kMm][oO]hms?|ms|[aA]mps?")
_GLUED_VOLTS: Final = re.compile(r"V\s?\(?(?:LN|LP?E|NP?E|ln|lp?e|np?e|L-N|L-P?E|N-P?E)\)?")
"""In ``V L-N`` and ``VLN`` the letter is quantity and unit at once."""


def take_unit(name: str) -> tuple[str, Unit | None]:
    """``name`` without its unit, and the unit: in brackets, or at the end after a blank or a mark."""
    for found in reversed(list(_BRACKETS.finditer(name))):
        unit = parse_unit(found[1])
        if unit is not None and not _is_pair(found[1]):
            return f"{name[: found.start()]} {name[found.end() :]}".strip(), unit
    if apart := _UNIT_APART.search(name):
        return name[: apart.start()], parse_unit(apart[1])
    found_last = _TRAILING.search(name)
    if found_last and found_last.start() > 0:
        unit = parse_unit(found_last[1])
        before = name[: found_last.start()]
        counts = before.rstrip()[-1:].isdigit() and _NUMBER_LAST.search(before) is not None
        counts = counts or _BELONGS.search(before) is not None
        if unit is not None and unit.base in _MEASURED and not counts and found_last[1] not in ("K", "G", "M"):
            return before, unit
    for found in _SLASHED.finditer(name):
        unit = parse_unit(found[1])
        if unit is not None and unit.base in _MEASURED:
            return f"{name[: found.start()]} {name[found.end() :]}".strip(), unit
    first, blank, _ = name.partition(" ")
    if blank and _LEADING.fullmatch(first.rstrip(":")):
        return name, parse_unit(first.rstrip(":"))
    if _GLUED_VOLTS.fullmatch(name):
        return name, parse_unit("V")
    return name, None


def _is_pair(text: str) -> bool:
    return text.lower() in ("l", "n", "e", "p")
