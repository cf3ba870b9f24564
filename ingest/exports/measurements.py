"""What a heading or the name of a test means: quantity, conductors, unit, test voltage, multiple of rated current.

The same words stand in the headings of wide exports and in the test column of long ones. A name is matched whole: where
a word, number or sign of it is not explained, or it fits two quantities or none, it is not read.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Final

from ingest.cells.text import CACHE, fold_heading, shown
from ingest.cells.units import Unit, parse_unit
from ingest.exports.name_parts import Part, cut_name
from ingest.exports.name_units import take_unit
from schemas.quantities import QUANTITIES


@dataclass(frozen=True)
class Meaning:
    """What a name says. ``quantity`` None with ``conductors``: only a pair was named, the unit may tell the rest.

    ``other`` names a quantity that is recognised and not kept (prospective fault current, frequency, a limit);
    ``unclear`` says why a name that speaks of a measurement is not read.
    """

    quantity: str | None = None
    conductors: str | None = None
    unit: Unit | None = None
    test_voltage_v: float | None = None
    rcd_multiple: float | None = None
    other: str | None = None
    unclear: str | None = None

    @property
    def is_reading(self) -> bool:
        """True where the name can head readings."""
        return self.quantity is not None

    @property
    def speaks(self) -> bool:
        """True where the name is about a measurement, read or not."""
        return self.is_reading or bool(self.conductors or self.other or self.unclear)


EARTH_LOOP: Final = "earth_fault_loop_impedance"
LINE_LOOP: Final = "line_neutral_loop_impedance"
LOOPS: Final = ("loop", EARTH_LOOP, LINE_LOOP)
MULTIPLES: Final = {"50": 0.5, "100": 1.0, "200": 2.0, "500": 5.0,
                    "1/2": 0.5, "½": 0.5, "0.5": 0.5, "0,5": 0.5, "1": 1.0, "1.0": 1.0, "2": 2.0, "2.0": 2.0, "5": 5.0,
                    "5.0": 5.0}  # fmt: skip
_ORDINAL: Final = re.compile(r"^\d{1,2}\s?[.):]\s+(?=[^\W\d])")
HUMP: Final = re.compile(r"(?<=[a-z])(?=[A-Z])|(?<=[A-Z])(?=[A-Z][a-z])|(?<=[a-z]{2})(?=\d)")
_SMALL_R2: Final = re.compile(r"(?<![A-Za-z])r[\s.]?2(?![0-9])")
SMALL_R2: Final = (
    "r2 in small letters is a ring's protective conductor from end to end, R2 that of one circuit: write which it is"
)
_UNIT_INSIDE: Final = re.compile(r"(?:[kKMmGµ]|[Kk]il|[Mm]eg|[Mm]ega|[Kk]ilo|[Mm]illi)?(?:Ω|[Oo]hms?)")
"""The unit of a resistance in the middle of a name, as in ``L-E Mohm 500V``."""
_SPELT: Final = str.maketrans({"∆": "δ", "×": "x", "∗": "x"})
_ASSERTS: Final = ("quantity", "place", "conductors", "own", "volts", "impedance")
_NAMES_PAIR: Final = ("pair", "volts", "impedance")


@lru_cache(maxsize=CACHE)
def parse_meaning(text: str) -> Meaning:
    """What the heading or test name ``text`` means; a Meaning of nothing where it is not certain."""
    name = fold_heading(text)
    if not any(mark.isalpha() for mark in name):
        return Meaning()
    if name[0] == "-" and name[1:2].isalpha():
        return Meaning(unclear="a minus sign stands before it")
    meaning = _whole(name)
    if not meaning.is_reading and (parted := HUMP.sub(" ", name)) != name:
        again = _whole(parted)
        meaning = again if again.is_reading or (again.speaks and not meaning.speaks) else meaning
    if meaning.conductors == "R2" and _SMALL_R2.search(name):
        return Meaning(unit=meaning.unit, unclear=SMALL_R2)
    return meaning


def names_only_conductors(text: str) -> bool:
    """True where ``text`` names conductors and nothing else."""
    parts, left = cut_name(_spelt(fold_heading(text)))
    found = [part for part in parts if part.value("pair") or part.value("conductors")]
    return bool(found) and not left and all(part in found or part.value("filler") for part in parts)


def _spelt(name: str) -> str:
    return re.sub(r"(?<=rcd)(?=x\s?[\d½])", " ", name.lower().translate(_SPELT))


def _whole(text: str) -> Meaning:
    name, unit = take_unit(_ORDINAL.sub("", text, count=1))
    lower = _spelt(name)
    parts, left = cut_name(lower)
    words = [(name if len(name) == len(lower) else lower)[start:end] for start, end in left]
    if unit is None and len(words) == 1 and _UNIT_INSIDE.fullmatch(words[0]):
        unit = parse_unit(words[0])
    strange = [word for word in words if unit is None or parse_unit(word) != unit]
    return _resolve(parts, strange, Meaning(unit=unit))


def _resolve(parts: Sequence[Part], strange: Sequence[str], meaning: Meaning) -> Meaning:
    """The one meaning that all parts share; ``strange`` are the words that nothing explains."""
    asserted = _quantities(parts, meaning.unit)
    pairs = {pair for part in parts for kind in _NAMES_PAIR if (pair := part.value(kind))}
    doubt = next((value for part in parts if (value := part.value("unclear"))), None)
    if strange or doubt:
        if not (asserted or pairs or doubt):
            return meaning
        return replace(meaning, unclear=f"{shown(strange[0])} is not understood" if strange else doubt)
    quantity = next(iter(asserted)) if len(asserted) == 1 else None
    misfits = [part for part in parts if not _fits(part, quantity)]
    if (other := next((value for part in misfits if (value := part.value("other"))), None)) is not None:
        return replace(meaning, other=other)
    if len(asserted) > 1:
        return replace(meaning, unclear=f"it names {' and '.join(sorted(asserted))} at once")
    if not asserted and any(part.value("rated current") is not None for part in misfits):
        return replace(meaning, other="rated current of a device")
    if misfits:
        known = bool(quantity or pairs)
        return replace(meaning, unclear=f"{shown(misfits[0].text)} does not belong here") if known else meaning
    if len(pairs) > 1:
        return replace(meaning, unclear=f"it names the conductors {' and '.join(sorted(pairs))} at once")
    return _complete(quantity, next(iter(pairs), None), parts, meaning)


def _quantities(parts: Sequence[Part], unit: Unit | None) -> set[str]:
    """The quantities that the words name, those of loops as one."""
    found = {name for part in parts if (name := _asserted(part))}
    if not found:
        found = {value for part in parts if (value := part.value("weak")) and not part.value("other")}
    if not found and unit and unit.base in ("s", "siemens") and any(part.value("multiple") for part in parts):
        found = {"rcd_trip_time"}
    if not found and unit and unit.base == "V" and any(part.value("pair") for part in parts):
        found = {"voltage"}
    if not found and unit and unit.base == "s" and any(part.value("rated current") is not None for part in parts):
        found = {"rcd_trip_time"}
    if "loop" in found and len(found & set(LOOPS)) == 2:
        found.discard("loop")
    return found


def _asserted(part: Part) -> str | None:
    kind = next(
        (kind for kind, _ in part.kinds if kind in _ASSERTS or (kind == "case" and part.value(kind) == "own")), ""
    )
    return {
        "quantity": part.value("quantity"), "place": EARTH_LOOP, "conductors": "continuity_resistance",
        "case": "continuity_resistance", "volts": "voltage",
        "impedance": LINE_LOOP if part.value("impedance") == "L-N" else EARTH_LOOP,
    }.get(kind)  # fmt: skip


def _fits(part: Part, quantity: str | None) -> bool:
    """True where the phrase is explained beside the quantity."""
    return any(_kind_fits(kind, value, quantity) for kind, value in part.kinds)


def _kind_fits(kind: str, value: str, quantity: str | None) -> bool:
    if kind in ("quantity", "place", "conductors", "volts", "impedance", "pair", "filler", "ordinal"):
        return True
    if kind == "beside":
        return quantity in value.split(", ")
    if kind == "case":
        return value == "own" or quantity == "continuity_resistance"
    if kind in ("multiple", "test voltage"):
        return quantity in (None, "rcd_trip_time" if kind == "multiple" else "insulation_resistance")
    if kind in ("rated current", "half wave", "kind of device"):
        return quantity == "rcd_trip_time"
    if kind == "bare voltage":
        return quantity == "insulation_resistance"
    if kind == "current of the test":
        return quantity == "rcd_trip_time" or (not value and quantity in (*LOOPS, "continuity_resistance"))
    if kind == "verdict":
        return quantity is not None and quantity != "loop" and QUANTITIES[quantity].is_indication
    return kind == "weak" and quantity == value


def _complete(quantity: str | None, pair: str | None, parts: Sequence[Part], meaning: Meaning) -> Meaning:
    """The meaning of a name that is explained as a whole."""
    meaning = _with_numbers(parts, meaning, quantity)
    if meaning.unclear or meaning.other:
        return meaning
    if quantity is None:
        return with_unit(replace(meaning, conductors=pair), meaning.unit)
    if quantity in LOOPS:
        return _loop(quantity, pair, parts, meaning)
    if quantity == "continuity_resistance":
        return _continuity(pair, parts, meaning)
    if quantity == "current" and not meaning.unit and all(part.text == "i" for part in parts):
        return meaning
    if quantity == "rcd_trip_time" and meaning.unit and meaning.unit.base == "A":
        return replace(meaning, other="a current of the device, not its time")
    known = QUANTITIES[quantity].conductors
    if (
        pair
        and pair not in known
        and not (quantity in ("polarity", "voltage_indicator_proof") or (quantity == "rcd_trip_time" and pair == "L-E"))
    ):
        return replace(meaning, unclear=f"conductors {pair} do not fit {quantity}")
    return replace(meaning, quantity=quantity, conductors=pair if pair in known else None)


def _with_numbers(parts: Sequence[Part], meaning: Meaning, quantity: str | None) -> Meaning:
    """``meaning`` with the test voltage and the multiple that the name tells, each told once."""
    volts = {value for part in parts for kind in ("test voltage", "bare voltage") if (value := part.value(kind))}
    times = {MULTIPLES[value] for part in parts if (value := part.value("multiple"))}
    if quantity == "rcd_trip_time" and not times and any(part.value("rated current") is not None for part in parts):
        times = {1.0}
    if len(volts) > 1 or len(times) > 1:
        return replace(meaning, unclear="it names two test voltages or multiples at once")
    volt, multiple = next(iter(volts), None), next(iter(times), None)
    return replace(
        meaning, rcd_multiple=multiple,
        test_voltage_v=None if volt is None else 1000.0 if "k" in volt else float(volt),
    )  # fmt: skip


def _loop(quantity: str, pair: str | None, parts: Sequence[Part], meaning: Meaning) -> Meaning:
    earth = quantity == EARTH_LOOP or any(part.text in ("earth", "protective earth") for part in parts)
    line = quantity == LINE_LOOP or pair == "L-N"
    if len({value for part in parts if (value := part.value("place"))}) > 1:
        return replace(meaning, unclear="it names two impedances at once")
    if pair not in (None, "L-N", "L-E") or (line and (earth or pair == "L-E")):
        return replace(meaning, unclear=f"conductors {pair or 'of earth'} do not fit this loop")
    return replace(meaning, quantity=LINE_LOOP if line else EARTH_LOOP, conductors="L-N" if line else "L-E")


def _continuity(pair: str | None, parts: Sequence[Part], meaning: Meaning) -> Meaning:
    """R1+R2, R2 and earth to case are told by name; a bond or earth continuity is earth to case; else nothing."""
    told = {value for part in parts if (value := part.value("conductors"))}
    if pair or len(told) > 1:
        return replace(meaning, unclear=f"conductors {pair or ' and '.join(sorted(told))} do not fit continuity")
    case = any(part.value("case") in ("own", "beside") and not part.value("conductors") for part in parts)
    conductors = next(iter(told), "E-case" if case else None)
    return replace(meaning, quantity="continuity_resistance", conductors=conductors)


def with_unit(meaning: Meaning, unit: Unit | None) -> Meaning:
    """A bare pair is a voltage where its unit is volts, and insulation where a test voltage stands beside kiloohms or
    more; a bare multiple of the rated current is a trip time where its unit is seconds. Anything else stays as it is.
    """
    if meaning.quantity or meaning.other or meaning.unclear or unit is None:
        return meaning
    if meaning.conductors in QUANTITIES["voltage"].conductors and unit.base == "V":
        return replace(meaning, quantity="voltage")
    if meaning.test_voltage_v and meaning.conductors and unit.base == "Ohm" and unit.exponent >= 3:
        return replace(meaning, quantity="insulation_resistance")
    if meaning.rcd_multiple and not meaning.conductors and unit.base == "s":
        return replace(meaning, quantity="rcd_trip_time")
    return meaning
