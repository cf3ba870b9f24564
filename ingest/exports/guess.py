"""What the columns of a table could hold that the words of the trade do not know: proposals, each with its reason."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from itertools import pairwise
from typing import Final

from ingest.cells.clocks import parse_clock, parse_zone, split_moment
from ingest.cells.dates import parse_date
from ingest.cells.text import fold
from ingest.cells.units import parse_unit
from ingest.cells.value import number_of, parse_comparator, unit_in
from ingest.cells.verdict_words import VERDICT_COLUMN
from ingest.cells.words import is_not_measured, is_over_range
from ingest.exports.containers import Member
from ingest.exports.context import Context
from ingest.exports.dialect import chosen_grid
from ingest.exports.grid import Grid
from ingest.exports.headings import parse_heading
from ingest.exports.layout import is_data_cell
from ingest.exports.layout_seen import Seen
from ingest.exports.measurements import parse_meaning
from ingest.exports.plan import Plan
from ingest.exports.roles import parse_memory_no

SAMPLE_ROWS: Final = 60
HEAD_ROWS: Final = 100
BY_CELLS: Final = ("moment", "date", "time", "unit")
"""Roles that cells show by themselves, the more certain first."""
MOSTLY: Final = 0.8


def role_fits(role: str, cell: str) -> bool:
    """True where a cell can be what the role says."""
    if role == "moment":
        return split_moment(cell) is not None
    if role == "date":
        return parse_date(cell).seen
    if role == "time":
        return parse_clock(cell).nanoseconds is not None or (cell.isdigit() and len(cell) in (3, 4, 5, 6))
    if role in ("memory_no", "epoch"):
        return parse_memory_no(cell) is not None
    if role == "unit":
        return parse_unit(cell) is not None or not any(mark.isalnum() for mark in cell)
    if role == "value":
        return number_of(cell) is not None or is_over_range(cell) or is_not_measured(cell) or not any(
            mark.isdigit() for mark in cell
        )  # fmt: skip
    if role == "pair":
        return parse_meaning(cell).conductors is not None
    if role == "test":
        return parse_meaning(cell).speaks
    if role == "comparator":
        return parse_comparator(cell) is not None
    if role == "zone":
        return parse_zone(cell) is not None
    return role != "verdict" or cell.lower() in VERDICT_COLUMN


def guess_layout(member: Member) -> Seen | None:
    """A table whose headings nobody knows, with what its columns could hold; None where no row could be headings."""
    grid = member.grid or chosen_grid(member.lines, member.complete, None)
    position = find_headings(grid)
    if position is None:
        return None
    headings = [fold(cell) for cell in grid.rows[position]]
    while headings and not headings[-1]:
        headings.pop()
    rows = [
        row for row in grid.rows[position + 1 : position + 1 + SAMPLE_ROWS] if sum(1 for cell in row if fold(cell)) > 1
    ]
    cells = {at: [fold(row[at]) for row in rows if at < len(row)] for at in range(len(headings))}
    roles, guesses = guess_roles(headings, cells)
    held = {at for _, at in roles}
    open_columns = frozenset(
        at
        for at in cells
        if at not in held and headings[at] and _share(cells[at], lambda cell: number_of(cell) is not None) > 0.5
    )
    places = dict(roles)
    value, test = places.get("value"), places.get("test")
    plan = Plan(headings=tuple(headings), roles=tuple(sorted(roles)), value=value)
    names = Counter(cell for cell in cells.get(test, ()) if cell) if test is not None else Counter()
    return Seen(
        plan=plan, context=Context(), delimiter=grid.delimiter, cells=cells, names=names,
        values=[cell for cell in cells.get(value, ()) if cell] if value is not None else [],
        dates=cells.get(places.get("date", -1), []), guesses=guesses, open=open_columns,
        above=["  ".join(cell for cell in row if cell.strip()) for row in grid.rows[:position]],
    )  # fmt: skip


def find_headings(grid: Grid) -> int | None:
    """The widest row of words with a row of data as wide below it, the first of several; None where there is none."""
    widths = {
        position: width for position in range(min(len(grid.rows), HEAD_ROWS)) if (width := _heads(grid, position))
    }
    return max(widths, key=lambda position: (widths[position], -position), default=None)


def _heads(grid: Grid, position: int) -> int:
    """How many cells of a row could be headings; 0 where they are none. One number among known words is let pass."""
    filled = [fold(cell) for cell in grid.rows[position] if fold(cell)]
    data = sum(1 for cell in filled if is_data_cell(cell))
    known = sum(1 for cell in filled if parse_heading(cell).roles)
    if len(filled) < 2 or len(set(filled)) < len(filled) or data > (1 if known >= 2 else 0):
        return 0
    wide = [row for row in grid.rows[position + 1 : position + 4] if len(row) >= len(filled)]
    return len(filled) if any(is_data_cell(fold(cell)) or unit_in(cell) for row in wide for cell in row) else 0


def guess_roles(
    headings: Sequence[str], cells: Mapping[int, Sequence[str]]
) -> tuple[list[tuple[str, int]], dict[int, str]]:
    """Role and column, each role once, and why for each column: heading and cells together, then either."""
    roles: dict[str, int] = {}
    why: dict[int, str] = {}

    def take(role: str, at: int, reason: str) -> None:
        if role not in roles and at not in roles.values() and headings[at]:
            roles[role] = at
            why[at] = reason

    for at, heading in enumerate(headings):
        for role, _ in parse_heading(heading).roles:
            if role in BY_CELLS and _fitting(role, cells[at]):
                take(role, at, f"likely: the heading can mean {role}, and the cells fit")
            elif role == "memory_no" and _counts(cells[at]):
                take(role, at, "likely: the heading says a number, and the cells count up")
    for at in cells:
        for role in BY_CELLS:
            if _fitting(role, cells[at]):
                take(role, at, f"guess: its cells look like {role}, the heading does not say it")
    for at, heading in enumerate(headings):
        for role, _ in parse_heading(heading).roles or parse_heading(heading.split(" ")[-1]).roles:
            if role == "test" and _share(cells[at], lambda cell: number_of(cell) is None) >= MOSTLY:
                take(role, at, "guess: the heading can mean the test, but not all its names are known")
            elif role in ("label", "meter_serial"):
                take(role, at, f"guess: the heading can mean {role.replace('_', ' ')}")
    for at in cells:
        if _share(cells[at], lambda cell: parse_meaning(cell).is_reading) >= MOSTLY:
            take("test", at, "guess: its cells name tests, the heading does not say it")
    _take_value(headings, cells, roles, why)
    return list(roles.items()), why


def _take_value(
    headings: Sequence[str], cells: Mapping[int, Sequence[str]], roles: dict[str, int], why: dict[int, str]
) -> None:
    """Where one column names tests, the one column of numbers that is left holds the value."""
    if "test" not in roles:
        return
    left = [
        at for at in cells if at not in roles.values() and headings[at]
        and _share(cells[at], lambda cell: number_of(cell) is not None) > 0.5
    ]  # fmt: skip
    if len(left) == 1:
        roles["value"] = left[0]
        why[left[0]] = "guess: the only column of numbers that is left"


def _fitting(role: str, cells: Sequence[str]) -> bool:
    return any(cells) and _share(cells, lambda cell: role_fits(role, cell) and not cell.isdigit()) >= MOSTLY


def _share(cells: Sequence[str], fit: Callable[[str], bool]) -> float:
    filled = [cell for cell in cells if cell]
    return sum(1 for cell in filled if fit(cell)) / len(filled) if filled else 0.0


def _counts(cells: Sequence[str]) -> bool:
    numbers = [parse_memory_no(cell) for cell in cells if cell]
    pairs = list(pairwise(numbers))
    return bool(numbers) and all(one is not None and two is not None and two > one for one, two in pairs)
