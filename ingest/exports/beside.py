"""Two tables side by side in the same lines: each is read with its own date, number and label."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

from ingest.cells.text import CACHE, fold
from ingest.exports.context import Context
from ingest.exports.grid import Grid
from ingest.exports.headings import parse_heading
from ingest.exports.layout import find_plan, looks_like_headings, sample_after
from ingest.exports.outside import is_forgotten

MOST_ROWS: Final = 100
CLOCKED: Final = frozenset(("date", "time", "moment"))
LEADING: Final = frozenset(("memory_no", "id", "label"))


@dataclass(frozen=True)
class Part:
    """One of the tables, and how many columns of the file stand left of it."""

    grid: Grid
    shift: int


def split_beside(grid: Grid) -> list[Part]:
    """The tables that stand side by side, from left to right: one where the headings name their dates once.

    Lines above the headings belong to all. A row with too many cells, or with one between the tables, is too wide
    for both, and so refused.
    """
    for position, row in enumerate(grid.rows[:MOST_ROWS]):
        found = _cut(row)
        if found is None:
            continue
        end, begin = found
        left, right = _side(grid, position, 0, end, begin), _side(grid, position, begin, len(row), begin)
        if all(find_plan(one.rows, position, Context(), sample_after(one.rows, position)) for one in (left, right)):
            return [Part(left, 0), *(Part(part.grid, part.shift + begin) for part in split_beside(right))]
    return [Part(grid, 0)]


def _cut(row: Sequence[str]) -> tuple[int, int] | None:
    """Where the first table ends and the second begins; None where a row is no headings of two tables."""
    if sum(map(_is_clocked, row)) < 2:
        return None
    seen: frozenset[str] = frozenset()
    second = None
    for at, cell in enumerate(row):
        clocked = _roles(cell) & CLOCKED
        if clocked and clocked <= seen:
            second = at
            break
        seen |= clocked
    if second is None:
        return None
    begin = second
    while begin > 1 and row[begin - 1].strip() and _roles(row[begin - 1]) & LEADING:
        begin -= 1
    end = _gap(row, begin).start
    return (end, begin) if looks_like_headings(row[:end]) and looks_like_headings(row[begin:]) else None


@lru_cache(maxsize=CACHE)
def _roles(cell: str) -> frozenset[str]:
    """The roles that a heading can have."""
    return frozenset(role for role, _ in parse_heading(fold(cell)).roles)


@lru_cache(maxsize=CACHE)
def _is_clocked(cell: str) -> bool:
    """True where a heading can stand over dates or times; none of these is without letters."""
    return cell.lower() != cell.upper() and not CLOCKED.isdisjoint(_roles(cell))


def _side(grid: Grid, position: int, first: int, last: int, begin: int) -> Grid:
    """The cells from ``first`` to before ``last`` of all rows from the headings on, under the lines above them."""
    width = len(grid.rows[position])
    between = _gap(grid.rows[position], begin)
    above = [list(row) if first == 0 or not is_forgotten(row) else [] for row in grid.rows[:position]]
    rows = []
    for row in grid.rows[position:]:
        odd = any(cell.strip() for cell in row[width:]) or any(row[at].strip() for at in between if at < len(row))
        rows.append(row[first if len(row) > width else 0 :] if odd else row[first:last])
    return Grid([*above, *rows], grid.lines, grid.damaged, grid.complete, grid.delimiter)


def _gap(head: Sequence[str], begin: int) -> range:
    """The columns without a heading left of ``begin``."""
    end = begin
    while end > 0 and not head[end - 1].strip():
        end -= 1
    return range(end, begin)
