"""One value cell to one exact value, one indication, or one reason why not."""

from __future__ import annotations

import re
from dataclasses import dataclass
from decimal import Decimal
from functools import lru_cache
from typing import Final

from ingest.cells.numbers import Ambiguous, NumberStyle, number_evidence, parse_number
from ingest.cells.text import CACHE, fold, shown
from ingest.cells.units import PREFIXES, Unit, parse_unit
from ingest.cells.words import (
    ERRORS,
    NO_TRIP,
    VERDICT,
    find_indication,
    is_not_measured,
    is_over_range,
    simplify,
)
from schemas.quantities import QUANTITIES

RESISTANCES: Final = frozenset(name for name, quantity in QUANTITIES.items() if quantity.unit == "Ohm")
OVER_RANGE_REASON: Final = "over range"
NO_TRIP_REASON: Final = "no trip"


@dataclass(frozen=True)
class Value:
    """What a value cell says.

    A reading has ``value`` [SI unit] with ``comparator`` and ``resolution``, or ``indication``, or only ``reason`` (the
    meter said that it has no number). A refusal has ``refusal`` (a reason of schemas.readings) and ``message``.
    ``absent``: the cell says that nothing was measured.
    """

    value: float | None = None
    comparator: str | None = None
    resolution: float | None = None
    indication: str | None = None
    reason: str | None = None
    refusal: str | None = None
    message: str = ""
    absent: bool = False


@dataclass(frozen=True)
class Word:
    """What a profile says that a word in a value cell means: an indication, ``over range``, ``not measured`` or
    ``no trip``; with ``above`` [SI unit] an over-range word is a bound. ``quantity`` None: wherever it stands.
    """

    means: str
    quantity: str | None = None
    above: float | None = None

    def value(self, text: str) -> Value:
        """The value of a cell that holds this word."""
        if self.means == "not measured":
            return refused("not measured", f"{shown(text)} says that nothing was measured", absent=True)
        if self.above is not None:
            return Value(value=self.above, comparator="gt")
        if self.means in (OVER_RANGE_REASON, NO_TRIP_REASON):
            return Value(reason=self.means)
        return Value(indication=self.means)


_COMPARATORS: Final = {
    ">": "gt", ">=": "gt", "=>": "gt", "≥": "gt", "⩾": "gt", "gt": "gt", "over": "gt", "above": "gt",
    "greater than": "gt", "more than": "gt", "exceeds": "gt", "&gt;": "gt", "&ge;": "gt", "&gt;=": "gt",
    "<": "lt", "<=": "lt", "=<": "lt", "≤": "lt", "⩽": "lt", "lt": "lt", "under": "lt", "below": "lt",
    "less than": "lt", "&lt;": "lt", "&le;": "lt", "&lt;=": "lt", "=": "eq", "": "eq",
}  # fmt: skip
_CELL: Final = re.compile(
    r"(?P<comparator>&[gl][te];=?|[<>]=?|=[<>]?|[≥≤⩾⩽]|(?:gt|lt|over|under|above|below|exceeds|greater than|more than|"
    r"less than)(?=[\s\d]))?\s*"
    r"(?P<number>[+-]?\s?(?:\d[\d.,·' ]*\d|\d|[.,·]\d+)(?:[eE][+-]?\d{1,3}(?![\w]))?)\s*(?P<rest>.*)",
    re.IGNORECASE | re.DOTALL,
)
_CODED: Final = re.compile(r"(?P<whole>\d{1,4})(?P<letter>[RkKMΩ])(?P<part>\d{1,3})")
_WHOLE_COMPARATOR: Final = re.compile(r"&[gl][te];=?|[<>]=?|=[<>]?|[≥≤⩾⩽]|gt|lt|eq", re.IGNORECASE)


@lru_cache(maxsize=CACHE)
def number_of(text: str) -> str | None:
    """The number inside a value cell, folded, or None: what evidence about separators is taken from."""
    found = _CELL.fullmatch(fold(text).removeprefix("'"))
    return found["number"].replace("+ ", "+").replace("- ", "-") if found else None


def cell_evidence(text: str) -> NumberStyle:
    """What one value cell proves about the separators of its column."""
    number = number_of(text)
    return number_evidence(number) if number else NumberStyle.UNKNOWN


def unit_in(text: str) -> Unit | None:
    """The unit that a value cell itself carries."""
    found = _CELL.fullmatch(fold(text))
    return _unit_of(found["rest"].strip())[0] if found else None


def parse_comparator(text: str) -> str | None:
    """``eq``, ``gt`` or ``lt`` for a cell that holds only a comparator; an empty one means ``eq``."""
    word = fold(text).lower()
    if word == "eq":
        return "eq"
    return _COMPARATORS.get(word) if not word or _WHOLE_COMPARATOR.fullmatch(word) else None


@lru_cache(maxsize=CACHE)
def parse_value(text: str, quantity: str, unit: Unit | None, style: NumberStyle) -> Value:
    """What the cell ``text`` says of ``quantity``; ``unit`` is what heading, unit column or preamble say.

    The decimal text is shifted by the power of ten and turned into a float once: 0.35 MOhm is exactly 350000.0.
    """
    cell = fold(text)
    if cell[:1] == "'" and cell[1:2].isdigit():
        cell = cell[1:]  # the mark of a spreadsheet for a number kept as text
    known = QUANTITIES[quantity]
    if known.is_indication:
        return _indication(cell, quantity)
    word = simplify(cell)
    if quantity == "rcd_trip_time" and word in NO_TRIP:
        return Value(reason=NO_TRIP_REASON)
    if quantity == "rcd_trip_time" and word in ("n/t", "nt", "n.t", "n.t."):
        return refused("ambiguous", f"{shown(text)} can mean not tested or no trip: say which in a profile")
    if not cell:
        return refused("missing value", "the cell is empty: no value was recorded here", absent=True)
    if is_not_measured(cell):
        return refused("not measured", f"{shown(text)} says that nothing was measured", absent=True)
    if is_over_range(cell):
        return _worded(cell, text, quantity)
    if coded := _CODED.fullmatch(cell):
        return _coded(coded, text, quantity, unit)
    found = _CELL.fullmatch(cell)
    if found is None:
        return _worded(cell, text, quantity)
    return _number(found, text, quantity, unit, style)


def refused(refusal: str, message: str, *, absent: bool = False) -> Value:
    """A value cell that is not read, and why."""
    return Value(refusal=refusal, message=message, absent=absent)


def _indication(cell: str, quantity: str) -> Value:
    if meaning := find_indication(quantity, cell):
        return Value(indication=meaning)
    if not cell:
        return refused("missing value", "the cell is empty: no indication was recorded here", absent=True)
    if is_not_measured(cell):
        return refused("not measured", f"{shown(cell)} says that nothing was observed", absent=True)
    words = ", ".join(QUANTITIES[quantity].indications)
    return refused("unknown word", f"{shown(cell)} is no word that is known for {quantity}; known are: {words}")


def _worded(cell: str, text: str, quantity: str) -> Value:
    """A cell without a number. An over-range word may carry a unit (``OL MOhm``)."""
    first, _, last = cell.rpartition(" ")
    over = is_over_range(cell) or (is_over_range(first) and parse_unit(last) is not None)
    if over and quantity in RESISTANCES:
        return Value(reason=OVER_RANGE_REASON)
    if over:
        return refused("not a number", f"{shown(text)} says over range without a bound, which tells nothing here")
    if ERRORS.fullmatch(cell):
        return refused("not a number", f"{shown(text)} is an error mark, not a value")
    return refused("not a number", f"{shown(text)} is not a number; a profile can say what this word means")


def _number(found: re.Match[str], text: str, quantity: str, unit: Unit | None, style: NumberStyle) -> Value:
    comparator = _COMPARATORS[" ".join((found["comparator"] or "").lower().split())]
    rest = found["rest"].strip()
    if quantity == "insulation_resistance" and rest.startswith("+"):
        comparator, rest = "gt", rest[1:].strip()
    cell_unit, rest = _unit_of(rest)
    if rest:
        return refused("not a number", f"{shown(text)}: {shown(rest)} after the number is not understood")
    settled = settle_unit(quantity, unit, cell_unit)
    if isinstance(settled, Value):
        return settled
    try:
        number = parse_number(found["number"].replace("+ ", "+").replace("- ", "-"), style)
    except Ambiguous:
        return refused(
            "ambiguous", f"{shown(text)}: the separator marks decimals or thousands, and no other number settles which"
        )
    if number is None:
        return refused("not a number", f"{shown(text)} is not one number")
    return measured(number, comparator, settled.exponent, quantity, text)


def measured(number: Decimal, comparator: str, exponent: int, quantity: str, text: str) -> Value:
    """The value in the SI unit, checked against the physical range of its quantity."""
    value = float(number.scaleb(exponent))
    known = QUANTITIES[quantity]
    if value == 0.0 and number != 0:
        return refused("out of range", f"{shown(text)} is too small to be measured")
    if number.is_signed() or not (known.low or 0.0) <= value <= (known.high or 0.0):
        bounds = f"{known.low:g} to {known.high:g} {known.unit}"
        return refused("out of range", f"{shown(text)} is outside what can be measured: {bounds}")
    last_digit = number.as_tuple().exponent
    step = int(last_digit) + exponent
    return Value(value=value, comparator=comparator, resolution=float(f"1e{step}"))


def _unit_of(rest: str) -> tuple[Unit | None, str]:
    """The unit at the start of ``rest`` and what is left after it and a verdict."""
    if not rest:
        return None, ""
    if unit := parse_unit(rest):
        return unit, ""
    if VERDICT.fullmatch(rest):
        return None, ""
    for end in range(len(rest) - 1, 0, -1):
        if (unit := parse_unit(rest[:end])) and VERDICT.fullmatch(rest[end:]) and rest[end] in " ,;/|(✓✔✗✘":
            return unit, ""
    return None, rest


def settle_unit(quantity: str, told: Unit | None, in_cell: Unit | None) -> Unit | Value:
    """The unit in force, or the refusal: none told, two that differ, or one that this quantity never has."""
    base = QUANTITIES[quantity].unit
    told, in_cell = (_read_as(quantity, unit) for unit in (told, in_cell))
    if told and in_cell and (told.base, told.exponent) != (in_cell.base, in_cell.exponent):
        return refused("unit conflict", "the unit in the cell is not the unit that its heading or column says")
    unit = in_cell or told
    if unit is None:
        return refused("no unit", f"no unit in cell, heading, unit row or preamble; wanted is one of {base}")
    if unit.unsure:
        return refused("ambiguous", f"unit: {unit.unsure}")
    if unit.base != base:
        return refused("unit conflict", f"{quantity} is measured in {base}, not in {unit.base}")
    if quantity == "insulation_resistance" and unit.exponent < 0:
        return refused("unit conflict", "insulation is never shown in this unit: was mega meant?")
    return unit


def _read_as(quantity: str, unit: Unit | None) -> Unit | None:
    """What a spelling can only mean for this quantity: no instrument shows a trip time in siemens or megaseconds, or
    insulation in milliohms.
    """
    if unit and quantity == "rcd_trip_time" and unit.base == "siemens":
        return Unit("s", 0 if unit.exponent == 0 else -3)
    if unit and quantity == "insulation_resistance" and unit.base == "Ohm" and unit.exponent == 6:
        return Unit("Ohm", 6)
    return unit


def _coded(coded: re.Match[str], text: str, quantity: str, unit: Unit | None) -> Value:
    """``0R35`` and ``4M7``: the letter stands for the point and names the prefix (IEC 60062 letter code)."""
    if quantity not in RESISTANCES:
        return refused("not a number", f"{shown(text)} is not a number")
    letter = coded["letter"]
    settled = settle_unit(quantity, unit, Unit("Ohm", 0 if letter in "RΩ" else PREFIXES[letter]))
    if isinstance(settled, Value):
        return settled
    return measured(Decimal(f"{coded['whole']}.{coded['part']}"), "eq", settled.exponent, quantity, text)
