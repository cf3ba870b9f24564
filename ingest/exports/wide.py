"""What each column of a wide table holds: readings of one kind, something beside them, or nothing that is kept."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

from ingest.cells.units import Unit
from ingest.cells.value import number_of, unit_in
from ingest.cells.words import says_polarity
from ingest.exports.headings import Heading
from ingest.exports.measurements import Meaning, parse_meaning, with_unit
from ingest.exports.roles import is_sign

MEASURED: Final = ("V", "A", "Ohm", "s")
CONFLICT: Final = "its heading and the row of units below it say different units"
SHOWN: Final = ("a difference or a share",)
"""What looks so much like a reading that its cells are refused; limits and settings beside readings need no word."""
NOT_KNOWN: Final = "its heading is not understood"


@dataclass(frozen=True)
class TestColumn:
    """One column of a wide table whose cells are values: its position, heading, what it means, and the columns beside
    it: of its unit, of its comparator, and of flags that take the value away. ``conflict`` says why its unit is not
    certain.
    """

    index: int
    heading: str
    meaning: Meaning
    unit_at: int | None = None
    sign_at: int | None = None
    flags: tuple[int, ...] = ()
    conflict: str = ""


def test_columns(
    headings: Sequence[str], known: Sequence[Heading], columns: Sequence[Sequence[str]],
    row_units: Sequence[Unit | None], taken: Mapping[str, int], title: str | None,
) -> tuple[TestColumn, ...]:  # fmt: skip
    """The columns of values of a wide table, each with what stands beside it."""
    beside = _beside(known, columns, taken)
    tests = [
        TestColumn(
            index, headings[index], meaning, index + 1 if beside.get(index + 1) == "unit" else None,
            conflict=CONFLICT if contradicts(heading, row_units[index]) else "",
        )
        for index, heading in enumerate(known)
        if index not in taken.values() and index not in beside
        and (meaning := column_meaning(heading, row_units[index], title, columns[index])) is not None
    ]  # fmt: skip
    for at, kind in beside.items():
        if kind != "unit":
            tests = attach(tests, at, kind, known[at].of)
    return tuple(tests)


def _beside(known: Sequence[Heading], columns: Sequence[Sequence[str]], taken: Mapping[str, int]) -> dict[int, str]:
    """Columns that say something of a value beside them: its unit, its comparator, a flag."""
    found: dict[int, str] = {}
    for at, heading in enumerate(known):
        roles = [role for role, _ in heading.roles]
        kind = next((role for role in ("unit", "comparator", "flag") if role in roles), "")
        if kind and (at not in taken.values() or taken.get(kind) == at):
            found[at] = kind
        elif taken.get("comparator") == at or (
            not kind and not heading.known and at not in taken.values() and _only_signs(columns[at])
        ):
            found[at] = "comparator"
    return found


def _only_signs(cells: Sequence[str]) -> bool:
    filled = [cell for cell in cells if cell]
    return bool(filled) and all(is_sign(cell) for cell in filled)


def attach(tests: Sequence[TestColumn], at: int, kind: str, of: Meaning | None) -> list[TestColumn]:
    """``tests`` with the column ``at`` beside those it speaks of: by its name, else its neighbours, else all.

    A comparator that could belong to either neighbour takes both values away: it is a flag then.
    """
    named = [test for test in tests if of is not None and of.quantity == test.meaning.quantity
             and of.conductors in (None, test.meaning.conductors)]  # fmt: skip
    near = [test for test in tests if test.index in (at - 1, at + 1)]
    chosen = named or (near if kind == "comparator" else []) or list(tests)
    sure = kind == "comparator" and len(chosen) == 1 and chosen[0].sign_at is None
    changed = []
    for test in tests:
        if test in chosen:
            test = replace(test, sign_at=at) if sure else replace(test, flags=(*test.flags, at))
        changed.append(test)
    return changed


def contradicts(heading: Heading, row_unit: Unit | None) -> bool:
    """True where a heading and the row of units below it say different units."""
    told = heading.unit or heading.meaning.unit
    if told is None or row_unit is None:
        return False
    return (told.base, told.exponent) != (row_unit.base, row_unit.exponent)


def column_meaning(
    heading: Heading, row_unit: Unit | None, title: str | None = None, cells: Sequence[str] = ()
) -> Meaning | None:
    """What the cells of a wide column are; None where the column holds no readings.

    Where a heading names only conductors, the ``title`` above the table may name the quantity.

    A heading that is not understood and stands over values of a measured quantity is kept: its cells are refused, not
    forgotten.
    """
    if heading.meaning.other in SHOWN and not heading.roles:
        return replace(heading.meaning, unit=heading.unit or row_unit)
    if heading.meaning.other or (heading.roles and not heading.meaning.is_reading):
        return None
    unit = heading.unit or heading.meaning.unit or row_unit
    in_cells = unit or _unit_of_all(cells)
    meaning = with_unit(replace(heading.meaning, unit=unit), in_cells)
    if title and meaning.quantity is None and (meaning.conductors or meaning.rcd_multiple):
        meaning = replace(parse_meaning(f"{title} {heading.text}"), unit=unit)
    if meaning.is_reading or meaning.conductors:
        return meaning
    if not heading.text:
        return None
    if unit is None and in_cells is not None and in_cells.base in MEASURED:
        return meaning
    telling = any(number_of(cell) for cell in cells) or not any(cells)
    if meaning.unclear and (telling or any(says_polarity(cell) for cell in cells)):
        return meaning
    if any(cells) and all(says_polarity(cell) for cell in cells if cell):
        return replace(meaning, unclear=meaning.unclear or NOT_KNOWN)
    return meaning if unit and unit.base in MEASURED else None


def _unit_of_all(cells: Sequence[str]) -> Unit | None:
    """The unit that all filled cells carry themselves, of one kind; None where one has none."""
    units = [unit_in(cell) for cell in cells if cell and number_of(cell)]
    kinds = {unit.base if unit else "" for unit in units}
    return units[0] if len(kinds) == 1 else None
