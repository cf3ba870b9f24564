"""Units as they are written in exports: base unit and power of ten, or not a unit.

Case counts in SI prefixes: ``mOhm`` and ``MOhm`` differ by nine powers of ten. Spellings without prefix are folded,
prefixes never. Base units are UCUM codes (UCUM specification, ucum.org, table of units).
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

from ingest.cells.text import CACHE, fold

PREFIXES: Final = {"": 0, "k": 3, "K": 3, "M": 6, "G": 9, "T": 12, "m": -3, "µ": -6, "u": -6}
PREFIX_WORDS: Final = {
    "kilo": 3, "kil": 3, "mega": 6, "meg": 6, "giga": 9, "tera": 12, "milli": -3, "micro": -6,
}  # fmt: skip


@dataclass(frozen=True)
class Unit:
    """``base`` is V, A, Ohm or s (or another that is known and not kept); ``exponent`` the power of ten.

    ``unsure`` says why a spelling cannot be trusted (a damaged sign, capitals that hide the prefix).
    """

    base: str
    exponent: int
    unsure: str = ""


_OHM: Final = re.compile(r"(?P<prefix>[kKMGTmµu]?(?=[-\s]?[ΩoOω]))[-\s]?(?:Ω|[oO]hms?|OHMS?|ω)")
_OHM_WORD: Final = re.compile(r"(?P<prefix>milli|micro|kilo|kil(?=ohm)|mega?|giga|tera)[\s-]?(?:ohms?|ω)")
_OHM_SHORT: Final = re.compile(r"(?P<prefix>[kKMG]|[mM]eg|MEG)")
_DAMAGED: Final = re.compile(r"(?P<prefix>[kKMGTmµu]?)\s?(?:\ufffd+|\?{1,3}|[êÙ])")
_VOLT: Final = re.compile(
    r"(?P<prefix>[kMmµu]?)(?:V|[vV]olts?|VOLTS?)\s?\.?(?:a\.?c\.?|A\.?C\.?|rms|RMS|r\.m\.s\.|~|d\.?c\.?|D\.?C\.?|~|\(?(?:AC|ac|DC|dc|RMS|rms))?"
)
_AMP: Final = re.compile(r"(?P<prefix>[kMmµu]?)(?:A|[aA]mps?|[aA]mperes?|AMPS?)\s?(?:a\.?c\.?|A\.?C\.?|rms|RMS)?")
_SECOND: Final = re.compile(r"(?P<prefix>[mµu]?)(?:s|[sS]ecs?\.?|SECS?|[sS]econds?|SECONDS?)")
_TIME_WORD: Final = re.compile(r"(?P<prefix>milli|micro)[\s-]?(?:seconds?|secs?)")
_ELSE: Final = re.compile(r"(?:[kM]?Hz|HZ|hz|°C|degC|C|°|%|[kMm]?VA|[kMm]?W|%RH|mS|MS|S|kS|bar|ppm|days?)")


@lru_cache(maxsize=CACHE)
def parse_unit(text: str) -> Unit | None:
    """The unit that ``text`` is, prefix by its case; None where it is none that is known."""
    name = fold(text)
    name = (f"{name[:-3]}s" if name[-3:].lower() == "(s)" else name).strip(" .[](){}")
    if not name:
        return None
    for base, pattern in (("Ohm", _OHM), ("V", _VOLT), ("A", _AMP), ("s", _SECOND)):
        if found := pattern.fullmatch(name):
            return _checked(base, found["prefix"], name)
    outer, _, inner = name.partition("(")
    if inner and (same := parse_unit(outer)) is not None and same == parse_unit(inner):
        return same
    lower = name.lower()
    if found := _OHM_WORD.fullmatch(lower):
        return Unit("Ohm", PREFIX_WORDS[found["prefix"]])
    if found := _TIME_WORD.fullmatch(lower):
        return Unit("s", PREFIX_WORDS[found["prefix"]])
    if lower in ("v", "vac", "volt", "volts"):
        return Unit("V", 0)
    if lower in ("a", "amp", "amps"):
        return Unit("A", 0)
    if name == "R":
        return Unit("Ohm", 0)
    if found := _OHM_SHORT.fullmatch(name):
        prefix = found["prefix"]
        return Unit("Ohm", 6 if prefix.lower() == "meg" else PREFIXES[prefix])
    if name in ("mS", "MS", "S"):
        return Unit("siemens", {"mS": -3, "MS": 6, "S": 0}[name], unsure=f"{name} is not a unit of time as written")
    if found := _DAMAGED.fullmatch(name):
        sign = "the ohm sign is damaged"
        return Unit("Ohm", PREFIXES[found["prefix"]], unsure="" if found["prefix"] else sign)
    if _ELSE.fullmatch(name):
        return Unit(name, 0)
    return None


def _checked(base: str, prefix: str, name: str) -> Unit:
    """The unit, marked unsure where all its letters are capitals: ``MOHM`` may be either prefix."""
    hidden = base == "Ohm" and prefix == "M" and name.isupper() and "OHM" in name
    unsure = "written in capitals: milli and mega look the same" if hidden else ""
    return Unit(base, PREFIXES[prefix], unsure=unsure)
