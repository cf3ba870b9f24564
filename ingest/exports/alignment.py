"""Whether the cells of a row stand under their own headings: told by how many they are, counting empty ones.

In a wide table one number looks like another: where a separator was lost or added, in the headings or in a row, every
value right of it stands under the heading of its neighbour. So headings and rows must agree in their number of cells,
with the separators at their ends. Where they agree only by an empty cell, the last values of the rows have to prove it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

from ingest.cells.clocks import split_moment
from ingest.cells.dates import parse_date
from ingest.cells.text import CACHE, fold
from ingest.cells.value import number_of
from ingest.cells.words import is_known_word, is_not_measured, is_over_range
from ingest.exports.context import is_statistic, is_summary
from ingest.exports.headings import parse_heading
from ingest.exports.layout import is_data_cell
from ingest.exports.mend import fits_plan
from ingest.exports.plan import Plan
from ingest.exports.roles import is_state, parse_memory_no

Rows = Sequence[Sequence[str]]
DISAGREE: Final = (
    "headings and rows differ in their number of cells: each value could stand under the heading of its neighbour"
)
BEYOND: Final = "numbers stand beyond the last heading: each value could stand under the heading of its neighbour"
STARTS_OF_NUMBERS: Final = frozenset("0123456789<>≥≤+-. ")
SHIFTED: Final = (
    "the last column of values is empty, and numbers stand under a heading that is not known: "
    "each value could stand under the heading of its neighbour"
)


@dataclass(frozen=True)
class Alignment:
    """``cells``: how many cells the rows of a table have; ``doubt``: why none of them can be read, if so;
    ``identified``: most of them have a number, date or time of their own.
    """

    cells: int
    doubt: str = ""
    identified: bool = False


def align(plan: Plan, sample: Rows) -> Alignment:
    """How many cells the rows under the headings of ``plan`` have, by a ``sample`` of them (folded cells)."""
    rows = _of_this_table(sample)
    usual, doubt = _count_cells(plan, rows)
    own = sum(1 for row in rows if has_identity(row, plan))
    numbered = plan.value is None or plan.at("memory_no") is not None or plan.at("label") is not None
    return Alignment(usual, doubt, identified=numbered and bool(rows and plan.own) and 2 * own >= len(rows))


def _count_cells(plan: Plan, rows: Rows) -> tuple[int, str]:
    """How many cells the rows have, and what speaks against reading them."""
    width, named = plan.width, named_width(plan)
    counts = {len(row) for row in rows}
    usual = width
    if rows and named == width and counts == {width + 1} and not any(row[-1] for row in rows):
        usual = width + 1
    elif rows and named < width and counts == {named}:
        usual = named
    if plan.value is not None or not rows:
        return usual, ""
    proved = any(ends_with_values(row, plan) for row in rows)
    if usual != width and not proved:
        return usual, DISAGREE
    if usual == width and named < width and _mostly_values(rows, named):
        return usual, BEYOND
    if not any(_holds_value(row, last_value(plan)) for row in rows) and _unknown_numbers(plan, rows):
        return usual, SHIFTED
    return usual, ""


def has_identity(row: Sequence[str], plan: Plan) -> bool:
    """True where a row has the number of a record, a date or a time in the column that is for it; in a long table
    without numbers a label too.
    """
    label = plan.at("label") if plan.value is not None and plan.at("memory_no") is None else None
    if label is not None and label < len(row) and row[label].strip() and not is_summary(row[label]):
        return True
    for role, at in plan.own:
        cell = row[at] if at < len(row) else ""
        if role == "memory_no":
            if parse_memory_no(cell) is not None:
                return True
        elif any(mark.isdigit() for mark in cell) and not is_statistic(cell):
            return True
    return False


def named_width(plan: Plan) -> int:
    """The number of cells up to the last heading with a name; less than all where separators stand behind it."""
    return 1 + max((at for at, heading in enumerate(plan.headings) if heading), default=-1)


def last_value(plan: Plan) -> int:
    """The position of the last column of values."""
    return max(test.index for test in plan.known_tests)


def may_differ(cells: Sequence[str], plan: Plan, usual: int) -> bool:
    """True where a row with more or fewer cells than usual can only mean one thing: cells of no weight at its end are
    missing, or empty ones were added.
    """
    if len(cells) > usual and (any(cell.strip() for cell in cells[usual:]) or named_width(plan) < plan.width):
        return False
    if plan.value is None:
        return ends_with_values([fold(cell) for cell in cells], plan)
    needed = [at for role, at in plan.roles if role not in ("verdict", "label")]
    if len(cells) <= max([*needed, plan.value]):
        return False
    if plan.at("test") is None:
        return is_data_cell(cells[plan.value])
    return fits_plan([*cells, *[""] * (plan.width - len(cells))], plan)


def ends_with_values(row: Sequence[str], plan: Plan) -> bool:
    """True where the last column of values holds one, all others that are filled do, and nothing like one follows."""
    last = last_value(plan)
    if not _holds_value(row, last):
        return False
    filled = [row[test.index] for test in plan.known_tests if test.index < len(row) and row[test.index]]
    roles = {at for _, at in plan.roles}
    behind = [cell for at, cell in enumerate(row) if at > last and at not in roles and cell]
    return all(_is_value(cell) for cell in filled) and not any(number_of(cell) is not None for cell in behind)


def is_shifted(row: Sequence[str], plan: Plan) -> bool:
    """True where a separator inside a label moved the values to the heading of their neighbour, and an empty cell at
    the end is gone: a word stands under the quantity beside the label, a date where none belongs, or a word under a
    measured quantity and a number among the words behind.
    """
    if any(at < len(row) and row[at][:1].isalpha() for at in plan.wordless) and _is_moved(row, plan):
        return True
    if not any(at < len(row) and row[at][:1] and row[at][0] in STARTS_OF_NUMBERS for at in plan.behind):
        return False
    behind = [fold(row[at]) for at in plan.behind if at < len(row)]
    if not any(number_of(cell) is not None or is_over_range(cell) for cell in behind if cell):
        return False
    cells = [fold(row[test.index]) for test in plan.known_tests if test.index < len(row)]
    return any(cell[:1].isalpha() and not _is_value(cell) and not is_known_word(cell) for cell in cells)


@lru_cache(maxsize=CACHE)
def _is_strange_word(cell: str) -> bool:
    """True for words that no meter shows: neither a value nor a state of a measurement."""
    text = fold(cell)
    shown = _is_value(text) or is_known_word(text) or any(mark.isdigit() for mark in text) or len(text) < 3
    return not shown and not parse_heading(text).known


def _is_moved(row: Sequence[str], plan: Plan) -> bool:
    """True where a word stands under the first quantity, or a date under another heading than its own."""
    first = plan.first_value
    if first is not None and first < len(row) and row[first][:1].isalpha() and _is_strange_word(row[first]):
        return True
    days = {plan.at("date"), plan.at("moment")} - {None}
    others = {plan.at("time"), *(test.index for test in plan.tests)} - {None}

    def has_day(places: set[int | None]) -> bool:
        cells = [fold(row[at]) for at in places if at is not None and at < len(row)]
        return any(parse_date((split_moment(cell) or (cell,))[0]).seen for cell in cells)

    return bool(days) and not has_day(days) and has_day(others)


def _of_this_table(sample: Rows) -> Rows:
    """The rows of data up to the next headings."""
    found = []
    for row in sample:
        filled = [cell for cell in row if cell]
        data = sum(1 for cell in filled if is_data_cell(cell))
        if len(filled) > 2 and not data and not any(is_state(cell) for cell in filled):
            break
        if len(filled) > 2 and data:
            found.append(row)
    return found


def _mostly_values(rows: Rows, at: int) -> bool:
    return 2 * sum(1 for row in rows if at < len(row) and number_of(row[at]) is not None) >= len(rows)


def _unknown_numbers(plan: Plan, rows: Rows) -> bool:
    """True where a column under an empty or unknown heading, before the last column of values, holds numbers."""
    taken = {at for _, at in plan.roles} | {test.unit_at for test in plan.tests}
    taken |= {test.index for test in plan.tests if test.meaning.is_reading}
    open_ones = [
        at
        for at, heading in enumerate(plan.headings[: last_value(plan)])
        if at > 0 and at not in taken and not parse_heading(heading).known
    ]
    return any(number_of(row[at]) is not None for at in open_ones for row in rows if at < len(row))


def _holds_value(row: Sequence[str], at: int) -> bool:
    return at < len(row) and _is_value(row[at])


@lru_cache(maxsize=CACHE)
def _is_value(cell: str) -> bool:
    return number_of(cell) is not None or is_state(cell) or is_not_measured(cell) or is_over_range(cell)
