"""Which column of a table holds what: by its heading, and by whether its cells can be that."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from functools import lru_cache
from itertools import pairwise
from typing import Final

from ingest.cells.clocks import parse_clock, parse_zone, split_moment
from ingest.cells.dates import is_serial_day, parse_date
from ingest.cells.text import CACHE, fold, shown
from ingest.cells.units import parse_unit
from ingest.cells.value import number_of, parse_comparator
from ingest.cells.verdict_words import VERDICT_COLUMN
from ingest.cells.words import ERRORS, find_indication, is_not_measured, is_over_range
from ingest.exports.headings import Heading
from ingest.exports.measurements import names_only_conductors, parse_meaning

Cells = Sequence[str]
SINGLE_ROLES: Final = (
    "epoch", "moment", "date", "time", "memory_no", "meter_serial", "unit", "pair", "comparator", "prefix",
    "test_voltage", "multiple", "zone", "test", "value", "label", "id", "verdict", "flag",
)  # fmt: skip
ANCHORS: Final = frozenset(
    ("epoch", "moment", "date", "time", "memory_no", "meter_serial", "unit", "test", "value", "label", "pair")
)
INDICATED: Final = ("polarity", "non_contact_voltage", "voltage_indicator_proof")
DITTO: Final = frozenset(('"', "''", "'", "〃", "ditto", "do", "do.", '-"-', '- " -', '""', "as above", "same"))


def assign_roles(known: Sequence[Heading], columns: Sequence[Cells]) -> dict[str, int]:
    """Role to column: for each role the strongest heading whose cells fit it; then what cells alone make certain."""
    roles: dict[str, int] = {}
    taken: set[int] = set()
    offers = sorted(
        (SINGLE_ROLES.index(role), rank, index, role)
        for index, heading in enumerate(known)
        for role, rank in heading.roles
        if role in SINGLE_ROLES
    )
    for _, _, index, role in offers:
        if index in taken:
            continue
        actual = _moment_role(role, columns[index]) if role in ("moment", "date", "time") else role
        if not fits(actual, columns[index]):
            continue
        actual = "label" if actual == "id" else actual
        if actual in roles:
            continue
        roles[actual] = index
        taken.add(index)
    if "value" not in roles and "test" in roles:
        words = [index for _, _, index, role in offers if role == "value" and index not in taken]
        roles |= {"value": words[0]} if words else {}
    _count_records(roles, known, columns)
    _flag_marks(roles, known, columns)
    free = [index for index, heading in enumerate(known) if index not in roles.values() and not heading.known]
    _assign_by_cells(roles, free, columns)
    _doubt_prefixes(roles, known, columns)
    return roles


def _count_records(roles: dict[str, int], known: Sequence[Heading], columns: Sequence[Cells]) -> None:
    """A column of values or tests that only counts 1, 2, 3 is the number of the record, where another holds values."""
    if "memory_no" in roles:
        return
    for role in ("value", "test"):
        offered = [
            index
            for index, heading in enumerate(known)
            if any(name == role for name, _ in heading.roles) and any(columns[index])
            and (index not in roles.values() or roles.get(role) == index)
        ]  # fmt: skip
        counting = [index for index in offered if _counts(columns[index])]
        others = [index for index in offered if index not in counting and fits(role, columns[index])]
        if counting and others:
            roles["memory_no"] = counting[0]
            if roles.get(role) == counting[0]:
                roles[role] = others[0]
            return


def _counts(cells: Cells) -> bool:
    numbers = [parse_memory_no(cell) for cell in cells if cell]
    steps = {after - before for before, after in pairwise(numbers) if after and before}
    return None not in numbers and steps == {1}


def _assign_by_cells(roles: dict[str, int], free: Sequence[int], columns: Sequence[Cells]) -> None:
    """Columns under no known heading whose cells leave no doubt: names of tests, comparators, units beside values."""
    if "test" not in roles and "value" in roles:
        candidates = [*free, *([roles["label"]] if "label" in roles else [])]
        tests = [index for index in candidates if _share(columns[index], _names_a_test) >= 0.8
                 and any(_names_a_reading(cell) for cell in columns[index])]  # fmt: skip
        if len(tests) == 1:
            if roles.get("label") == tests[0]:
                del roles["label"]
            roles["test"] = tests[0]
    for index in [*free, *(at for at in range(len(columns)) if at not in free)]:
        filled = {cell for cell in columns[index] if cell}
        if index in roles.values() or not filled:
            continue
        paired = "pair" not in roles and "value" in roles and _share(list(filled), _names_only_a_pair) >= 0.5
        told = paired or all(parse_unit(cell) for cell in filled) or all(is_sign(cell) for cell in filled)
        if index not in free and not told:
            continue
        if paired:
            roles["pair"] = index
        elif "comparator" not in roles and all(is_sign(cell) for cell in filled):
            roles["comparator"] = index
        elif "unit" not in roles and "value" in roles and all(parse_unit(cell) for cell in filled):
            roles["unit"] = index
        elif "prefix" not in roles and "value" in roles and index in free and _scales(filled):
            roles["prefix"] = index


def _flag_marks(roles: dict[str, int], known: Sequence[Heading], columns: Sequence[Cells]) -> None:
    """A column of a long table that is named like a sign and holds none, or has no known name and holds only yes and
    no: what it says of the value beside it is not certain, so it takes the value away.
    """
    if "value" not in roles or "flag" in roles:
        return
    for index, heading in enumerate(known):
        filled = {cell.lower() for cell in columns[index] if cell}
        named = any(role == "comparator" for role, _ in heading.roles)
        if index not in roles.values() and filled and (named or (not heading.known and filled <= _YES_OR_NO)):
            roles["flag"] = index
            return


_YES_OR_NO: Final = frozenset(("y", "n", "yes", "no", "x", "true", "false", "*", "h", "0", "1", "✓", "✗"))


def _doubt_prefixes(roles: dict[str, int], known: Sequence[Heading], columns: Sequence[Cells]) -> None:
    """A column of bare prefixes, powers of ten or exponents that is not named so may scale the values beside it: it
    takes them away like a flag.
    """
    if "value" not in roles or "prefix" in roles or "flag" in roles:
        return
    for index, cells in enumerate(columns):
        filled = {cell for cell in cells if cell}
        if index in roles.values() or not filled:
            continue
        name = known[index].text.strip().lower()
        scaling = not known[index].known or name in _SCALES
        powers = scaling and len(filled) > 1 and all(_POWER.fullmatch(cell) for cell in filled)
        exponents = name in _EXPONENTS and all(_EXPONENT.fullmatch(cell) for cell in filled)
        if filled <= _PREFIXES or powers or exponents:
            roles["flag"] = index
            return


_SCALES: Final = frozenset(("range", "order", "magnitude", "order of magnitude", "power"))
_EXPONENTS: Final = frozenset(("x", "e", "k/m", "exp", "exponent", "power", "10^", *_SCALES))
_EXPONENT: Final = re.compile(r"[+-]?[0-9]|10\^?[+-]?[0-9]")
_PREFIXES: Final = frozenset(
    (
        "k",
        "K",
        "M",
        "G",
        "m",
        "µ",
        "u",
        "kilo",
        "Kilo",
        "mega",
        "Mega",
        "meg",
        "Meg",
        "milli",
        "Milli",
        "micro",
        "Micro",
    )
)
_POWER: Final = re.compile(r"[x×*]?\s*(?:1(?:0*|[eE][+-]?\d{1,2})|0?\.0*1|10\^[+-]?\d)")


def _scales(cells: set[str]) -> bool:
    """True for powers of ten that are not all one: what the values beside them are to be multiplied by."""
    powers = all(_POWER.fullmatch(cell) for cell in cells)
    return powers and any(cell.strip("x×* ") != "1" for cell in cells)


def second_values(known: Sequence[Heading], columns: Sequence[Cells], roles: dict[str, int]) -> list[int]:
    """Other columns that could hold the value as well: headings of values, cells of numbers."""
    return [
        index
        for index, heading in enumerate(known)
        if index not in roles.values()
        and any(role == "value" for role, _ in heading.roles)
        and _share(columns[index], lambda cell: number_of(cell) is not None) >= 0.5
        and any(columns[index])
        and list(columns[index]) != list(columns[roles["value"]])
    ]


def _moment_role(role: str, cells: Cells) -> str:
    """Whether a date or time column holds both, by its first cells."""
    filled = [cell for cell in cells if cell][:20]
    both = sum(1 for cell in filled if split_moment(cell))
    if filled and both * 2 > len(filled):
        return "moment"
    if filled and role == "moment":
        days = sum(1 for cell in filled if parse_date(cell).seen)
        clocks = sum(1 for cell in filled if parse_clock(cell).nanoseconds is not None)
        if days * 2 > len(filled):
            return "date"
        if clocks * 2 > len(filled):
            return "time"
        if all(cell.isdigit() and len(cell) in (10, 13) for cell in filled):
            return "epoch"
    return role


def _share(cells: Cells, fit: Callable[[str], bool]) -> float:
    filled = [cell for cell in cells if cell]
    return sum(map(fit, filled)) / len(filled) if filled else 1.0


def fits(role: str, cells: Cells) -> bool:
    """True where the cells of a column can be what the role says.

    A column that changes the meaning of values (comparator, unit, pair) is taken as soon as one cell fits: what does
    not fit is refused cell by cell, never passed over.
    """
    if role in ("moment", "date"):
        return _share(cells, _is_day) >= 0.3
    if role == "time":
        return _share(cells, lambda cell: parse_clock(cell, 6).nanoseconds is not None or is_not_measured(cell)) >= 0.3
    if role == "epoch":
        return _share(cells, lambda cell: cell.split(".")[0].isdigit()) >= 0.5
    if role == "memory_no":
        return _share(cells, lambda cell: parse_memory_no(cell) is not None) >= 0.4
    if role == "value":
        return _share(cells, lambda cell: cell.lower() in VERDICT_COLUMN) < 0.9 or not any(cells)
    if role == "test":
        return _share(cells, _names_a_test) >= 0.4
    if role == "unit":
        return not any(cells) or any(parse_unit(cell) for cell in cells if cell)
    if role == "pair":
        return _share(cells, _narrows_a_test) >= 0.4
    if role == "comparator":
        return not any(cells) or any(is_sign(cell) for cell in cells if cell)
    if role in ("test_voltage", "multiple"):
        return _share(cells, lambda cell: any(mark.isdigit() for mark in cell)) >= 0.5
    if role == "zone":
        return _share(cells, lambda cell: parse_zone(cell) is not None) >= 0.5
    if role == "flag":
        counted = _share(cells, lambda cell: number_of(cell) is not None and cell not in ("0", "1"))
        return counted < 0.5 or not any(cells)
    if role == "id":
        return _share(cells, str.isdigit) < 0.9
    return True


@lru_cache(maxsize=CACHE)
def is_state(text: str) -> bool:
    """True for words that stand where values stand: verdicts, indications, not measured."""
    word = text.lower()
    found = any(find_indication(name, text) for name in INDICATED)
    return word in VERDICT_COLUMN or found or is_not_measured(text) or is_over_range(text)


def _is_day(cell: str) -> bool:
    day = (split_moment(cell) or (cell,))[0]
    return parse_date(day).seen or is_serial_day(day) or is_not_measured(cell) or cell.lower() in DITTO


def is_sign(cell: str) -> bool:
    """True for a cell that holds only a comparator."""
    return (bool(cell) and parse_comparator(cell) is not None and cell.lower() not in ("gt", "lt", "eq")) or cell in (
        "GT", "LT", "EQ", "gt", "lt", "eq",
    )  # fmt: skip


_CONDUCTORS: Final = {
    "l": "L", "l1": "L", "line": "L", "live": "L", "phase": "L", "n": "N", "neutral": "N", "e": "E", "pe": "E",
    "earth": "E", "ground": "E", "cpc": "E", "case": "case", "chassis": "case", "metalwork": "case",
}  # fmt: skip


def is_conductor(cell: str) -> bool:
    """True for the name of one conductor."""
    return fold(cell).lower() in _CONDUCTORS


@lru_cache(maxsize=CACHE)
def join_ends(first: str, second: str) -> str:
    """The pair of two conductors that stand in cells of their own; nothing where both are empty. What is no pair stays
    as it was written, and is refused where it is read.
    """
    one, other = (_CONDUCTORS.get(fold(cell).lower()) for cell in (first, second))
    if not first.strip() and not second.strip():
        return ""
    if one is None or other is None or one == other:
        return f"{shown(first)} to {shown(second)}"
    return f"{one}-{other}"


def _names_only_a_pair(cell: str) -> bool:
    return names_only_conductors(cell)


def _narrows_a_test(cell: str) -> bool:
    """True for what stands beside the name of a test: conductors, a multiple, a test voltage."""
    meaning = parse_meaning(cell)
    return meaning.conductors is not None or meaning.rcd_multiple is not None or meaning.test_voltage_v is not None


def _names_a_reading(cell: str) -> bool:
    return parse_meaning(cell).is_reading


def _names_a_test(cell: str) -> bool:
    return parse_meaning(cell).speaks


@lru_cache(maxsize=CACHE)
def parse_memory_no(text: str) -> int | None:
    """The number of a memory slot: digits, perhaps with leading zeros, ``#``, ``M`` or a spreadsheet's ``.0``."""
    cell = fold(text).lstrip("#'").strip()
    if cell.startswith('="') and cell.endswith('"'):
        cell = cell[2:-1]
    if cell[:1] in ("M", "m", "R", "r") and cell[1:].isdigit():
        cell = cell[1:]
    if cell.endswith(".0") and cell[:-2].isdigit():
        cell = cell[:-2]
    return int(cell) if cell.isascii() and cell.isdigit() and len(cell) <= 12 else None


def could_be_values(quantity: str | None, cells: Cells) -> bool:
    """True where some cell under a test heading can be a value: a number, or a word that stands for one."""
    return not any(cells) or any(
        number_of(cell) is not None
        or is_not_measured(cell)
        or is_over_range(cell)
        or ERRORS.fullmatch(cell) is not None
        or (quantity is not None and find_indication(quantity, cell) is not None)
        for cell in cells
        if cell
    )
