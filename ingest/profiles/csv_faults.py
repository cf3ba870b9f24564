"""Everything that is wrong with a profile of an export layout, all of it at once.

What the form of a profile forbids (unknown keys, missing keys, wrong types) pydantic has found; here is what the words
in it mean, looked at whether or not the form is right.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from decimal import Decimal, InvalidOperation
from typing import Any, Final
from zoneinfo import ZoneInfo

from ingest.cells.text import fold_heading
from ingest.cells.units import parse_unit
from ingest.exports.headings import parse_heading
from ingest.profiles.faults import ProfileFault, find_line, key_lines, key_path, near, near_or_all
from ingest.profiles.preamble import find_template_fault
from schemas.quantities import QUANTITIES

ROLES: Final = (
    "moment", "date", "time", "epoch", "memory_no", "meter_serial", "label", "test", "value", "unit", "pair",
    "comparator", "prefix", "test_voltage", "multiple", "zone", "half", "verdict", "flag", "ignore", "reading",
)  # fmt: skip
EXAMPLES: Final = {
    "kind": 'kind = "csv"',
    "name": 'name = "harbour-long"',
    "recognise": '[recognise] and below it headings = ["Slot", "When", "Test", "Reading"]',
    "headings": 'headings = ["Slot", "When", "Test", "Reading"]',
    "zone": 'zone = "Europe/London"',
    "date_order": 'date_order = "dmy"',
    "decimal": 'decimal = ","',
    "delimiter": 'delimiter = ";"',
    "rest": 'rest = "built-in"',
    "preamble": 'preamble = ["sheet of {meter_serial} on {date}"]',
    "quantity": 'quantity = "earth_fault_loop_impedance"',
    "unit": 'unit = "MOhm"',
    "conductors": 'conductors = "L-N"',
    "holds": 'holds = "memory_no"',
    "heading": 'heading = "Slot"',
    "column": '[[column]] with heading = "Slot" and holds = "memory_no"',
    "means": 'means = "over range"',
    "scale": 'scale = "0.1"',
    "above": 'above = "999"',
    "test_voltage_v": "test_voltage_v = 500",
    "rcd_multiple": "rcd_multiple = 1",
    "text": 'text = "O.L"',
}
TO_FILL_IN: Final = "is still to be filled in"
_SCALE: Final = re.compile(r"0\.0{0,5}1|10{0,6}")
Parts = tuple[str | int, ...]
Found = Iterator[tuple[Parts, str]]


def find_faults(
    content: Mapping[str, Any], text: str, form: Sequence[Any], models: Mapping[str, Sequence[str]]
) -> list[ProfileFault]:
    """All faults in the order of their lines. ``form``: errors of pydantic; ``models``: the keys of each table."""
    told = [(tuple(error["loc"]), _form_message(error, models)) for error in form]
    keys = {parts for parts, _ in told}
    told += [(parts, message) for parts, message in _meaning_faults(content) if parts not in keys]
    lines = key_lines(text)
    faults = [_fault(parts, message, lines) for parts, message in told]
    return sorted(faults, key=lambda fault: fault.line or 0)


def _fault(parts: Parts, message: str, lines: dict[str, int]) -> ProfileFault:
    key = key_path(parts)
    last = next((part for part in reversed(parts) if isinstance(part, str)), "")
    example = EXAMPLES.get(last, "") if parts[:1] != ("test",) or len(parts) > 2 else EXAMPLES["quantity"]
    return ProfileFault(key=key, message=message, example=example, line=find_line(lines, key))


def _form_message(error: Any, models: Mapping[str, Sequence[str]]) -> str:
    if error["type"] == "extra_forbidden":
        path = error["loc"]
        known = models.get(str(path[0]), models[""]) if len(path) > 1 else models[""]
        return f"the key is not known{near(str(path[-1]), known)}"
    if error["type"] == "missing":
        return "the key is missing"
    seen = "" if isinstance(error["input"], (dict, list)) else f", not {str(error['input'])[:40]!r}"
    return f"{str(error['msg']).removeprefix('Input should be ').removeprefix('a ')} is wanted{seen}"


def _meaning_faults(content: Mapping[str, Any]) -> Found:
    name, zone = content.get("name"), content.get("zone")
    if isinstance(name, str) and not re.fullmatch(r"[a-z0-9][a-z0-9-]*", name):
        yield ("name",), f"{name!r}: a name has small letters, digits and hyphens only"
    if isinstance(zone, str) and not _is_zone(zone):
        yield ("zone",), f"{zone!r} is no time zone that is known: an IANA name is wanted"
    for at, template in enumerate(_entries(content, "preamble")):
        if isinstance(template, str) and (message := find_template_fault(template)):
            yield ("preamble", at), message
    columns = [one if isinstance(one, dict) else {} for one in _entries(content, "column")]
    for at, column in enumerate(columns):
        for key, message in _column_faults(column, paired=any(one.get("holds") == "pair" for one in columns)):
            yield ("column", at, *key), message
    yield from _layout_faults(content, columns)
    tests = content.get("test")
    for test, measured in tests.items() if isinstance(tests, dict) else ():
        for key, message in _measured_faults(measured if isinstance(measured, dict) else {}):
            yield ("test", test, *key), message
    for at, word in enumerate(_entries(content, "word")):
        for key, message in _word_faults(word if isinstance(word, dict) else {}):
            yield ("word", at, *key), message


def _is_zone(name: str) -> bool:
    try:
        return bool(ZoneInfo(name).key)
    except (KeyError, ValueError, OSError):
        return False


def _entries(content: Mapping[str, Any], key: str) -> Sequence[Any]:
    found = content.get(key)
    return found if isinstance(found, list) else ()


def _column_faults(column: Mapping[str, Any], *, paired: bool) -> Found:
    holds, heading = column.get("holds"), column.get("heading")
    if holds == "":
        yield ("holds",), f"{TO_FILL_IN}: what stands below {heading!r}? 'ignore' where it is no reading"
    elif isinstance(holds, str) and holds not in ROLES:
        yield ("holds",), f"{holds!r} is not known{near_or_all(holds, ROLES)}"
    if holds == "reading":
        if column.get("quantity") is None:
            yield ("quantity",), f"the column {heading!r} holds readings: of which quantity?"
        yield from _measured_faults(column, paired=paired)
        said, unit = parse_heading(str(heading)).unit, parse_unit(str(column.get("unit") or ""))
        if (
            said
            and unit
            and not said.unsure
            and not column.get("scale")
            and (said.base, said.exponent) != (unit.base, unit.exponent)
        ):
            yield ("unit",), f"the heading {heading!r} says another unit than {column.get('unit')!r}"
    elif holds == "value":
        yield from _unit_faults(column, None)
    elif column.get("quantity") is not None and holds:
        yield ("quantity",), f"a quantity belongs to a column that holds a reading, not {holds!r}"


def _measured_faults(told: Mapping[str, Any], *, paired: bool = False) -> Found:
    """Quantity, pair and unit are known and belong together; ``paired``: a column of its own holds the pair."""
    quantity = told.get("quantity")
    if quantity == "":
        yield ("quantity",), TO_FILL_IN
    if not isinstance(quantity, str) or not quantity:
        return
    known, conductors = QUANTITIES.get(quantity), told.get("conductors")
    if known is None:
        yield (
            ("quantity",),
            f"{quantity!r} is not known{near_or_all(quantity, QUANTITIES)}",
        )
        return
    if conductors == "":
        yield ("conductors",), f"{TO_FILL_IN}; one of {', '.join(known.conductors) or 'none: take the line away'}"
    elif isinstance(conductors, str) and conductors not in known.conductors:
        allowed = ", ".join(known.conductors) or "none"
        yield (
            ("conductors",),
            f"{conductors!r} do not belong to {quantity}, which has {allowed}{near(conductors, known.conductors)}",
        )
    elif conductors is None and quantity == "voltage" and not paired:
        yield ("conductors",), "missing: a voltage stands between two of L, N and E"
    yield from _unit_faults(told, quantity)


def _unit_faults(told: Mapping[str, Any], quantity: str | None) -> Found:
    name, scale = told.get("unit"), told.get("scale")
    base = QUANTITIES[quantity].unit if quantity else None
    if name == "":
        yield ("unit",), f"{TO_FILL_IN}: {base or 'V, A, Ohm or s'} with its prefix"
    elif isinstance(name, str):
        unit = parse_unit(name)
        if unit is None or unit.unsure:
            yield ("unit",), f"{name!r} is not a unit that is certain; write V, A, Ohm or s with m, k, M or G before it"
        elif base is not None and unit.base != base:
            yield (
                ("unit",),
                f"{name!r} is not a unit of {quantity}, which is measured in {base or 'words, without unit'}",
            )
    if isinstance(scale, str) and not _SCALE.fullmatch(scale):
        yield ("scale",), f"{scale!r} is no power of ten from 0.000001 to 1000000"
    elif isinstance(scale, str) and not name:
        yield ("scale",), "a scale needs the unit beside it"


def _layout_faults(content: Mapping[str, Any], columns: Sequence[Mapping[str, Any]]) -> Found:
    """Each role and heading once; a value column and a test column, or columns of readings; headings to recognise."""
    held = [column.get("holds") for column in columns]
    for at, column in enumerate(columns):
        role, heading = column.get("holds"), column.get("heading")
        if role not in (None, "", "ignore", "reading") and role in held[:at]:
            yield ("column", at, "holds"), f"column[{held.index(role) + 1}] holds {role!r} already"
        if isinstance(heading, str) and _same(heading) in [_same(str(one.get("heading"))) for one in columns[:at]]:
            yield ("column", at, "heading"), f"{heading!r} stands twice"
    if columns and "" not in held and None not in held and content.get("rest") is None:
        yield from _shape_faults(held)
    recognise = content.get("recognise")
    if isinstance(recognise, dict):
        yield from _recognise_faults(recognise, [str(column.get("heading")) for column in columns])


def _shape_faults(held: Sequence[Any]) -> Found:
    if "value" in held and "reading" in held:
        at = held.index("reading")
        yield (
            ("column", at, "holds"),
            f"column[{held.index('value') + 1}] holds the value of each row: no other can hold readings",
        )
    elif "value" not in held and "reading" not in held:
        yield ("column",), "no column holds a value (one reading a row) or a reading (one a cell)"
    if "value" in held and "test" not in held:
        yield ("column", held.index("value")), 'a value needs a column that holds "test": what was measured?'


def _recognise_faults(recognise: Mapping[str, Any], columns: Sequence[str]) -> Found:
    headings, contains = recognise.get("headings", []), recognise.get("contains", [])
    if not isinstance(headings, list) or not isinstance(contains, list):
        return
    if len(headings) + len(contains) < 2 or (headings and len(headings) < 2):
        yield (
            ("recognise", "headings"),
            "at least two headings are wanted: a file of something else must not be claimed",
        )
    described = {_same(column) for column in columns}
    for at, heading in enumerate(headings):
        if isinstance(heading, str) and _same(heading) not in described:
            yield ("recognise", "headings", at), f"{heading!r} is described by no [[column]]{near(heading, columns)}"


def _same(heading: str) -> str:
    return fold_heading(heading).lower()


def _word_faults(word: Mapping[str, Any]) -> Found:
    means, quantity, above = word.get("means"), word.get("quantity"), word.get("above")
    indications = {one for known in QUANTITIES.values() for one in known.indications}
    known_words = ["over range", "not measured", "no trip", *sorted(indications)]
    if isinstance(means, str) and means not in known_words:
        yield ("means",), f"{means!r} is not known{near_or_all(means, known_words)}"
    known = QUANTITIES.get(quantity) if isinstance(quantity, str) else None
    if isinstance(quantity, str) and known is None:
        yield ("quantity",), f"{quantity!r} is not known{near_or_all(quantity, QUANTITIES)}"
    if means in indications and quantity is None:
        yield ("quantity",), f"missing: for which quantity does this word mean {means!r}?"
    elif means in indications and known and means not in known.indications:
        yield (
            ("means",),
            f"{means!r} is no indication of {quantity}, which has {', '.join(known.indications) or 'none'}",
        )
    if above is None:
        return
    if means != "over range" or known is None or known.is_indication or word.get("unit") is None:
        yield ("above",), "a bound is for words that mean over range, and needs quantity and unit beside it"
    else:
        yield from _unit_faults(word, quantity)
    try:
        sound = isinstance(above, str) and Decimal(above).is_finite() and Decimal(above) >= 0
    except InvalidOperation:
        sound = False
    if not sound:
        yield ("above",), f"{above!r} is no decimal number in quotes"
