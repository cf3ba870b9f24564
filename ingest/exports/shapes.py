"""Tables in another shape than rows under headings: turned on their side, as blocks of key and value, in fixed columns.

Each becomes a grid of headings and rows, with a map back to the lines where its cells stand. None of these is tried
before the plain shape has failed.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from ingest.cells.text import fold
from ingest.exports.context import context_key, is_comment, is_furniture
from ingest.exports.grid import Grid
from ingest.exports.headings import parse_heading

_KEY_VALUE: Final = re.compile(r"\s*([^:=;,\t|]{1,50}?)\s*([:=;,\t|]|\s\.(?:\s?\.)*\s|\.{3,}|…+)\s*(.*?)[\s;,\t|]*")
_RULE: Final = re.compile(
    r"\W*|[-=_*~]{3,}.*[-=_*~]{3,}|(?:record|reading|result|test|entry|no\.?|#)\s*\W?\s*\d+\W*", re.IGNORECASE
)
MOST_LINES: Final = 100
SEPARATORS: Final = (",", ";", "\t", "|")
_TOKEN: Final = re.compile(r"\S+(?: \S+)*")


@dataclass(frozen=True)
class Shaped:
    """A grid in another shape. ``turned``: its rows are columns of the file, and each record stands on the line of its
    heading (``places[column]``).
    """

    grid: Grid
    turned: bool = False
    places: Sequence[int] = ()


def turn_grid(grid: Grid) -> Shaped | None:
    """The table turned on its side: headings in the first column, one record a column. None where it is not so."""
    filled = [(line, row) for line, row in zip(grid.lines, grid.rows, strict=True) if any(fold(cell) for cell in row)]
    width = max((len(row) for _, row in filled), default=0)
    body = [(line, row) for line, row in filled if _is_turned_row(row, width)]
    headings = [parse_heading(row[0]) for _, row in body]
    readings = sum(1 for heading in headings if heading.meaning.is_reading)
    known = sum(1 for heading in headings if heading.known)
    if width < 2 or readings < 1 or known < 3 or known * 3 < 2 * len(body):
        return None
    columns = [[row[at] if at < len(row) else "" for _, row in body] for at in range(width)]
    above = [(line, row) for line, row in filled if not _is_turned_row(row, width)]
    lines = [*(line for line, _ in above), *range(1, width + 1)]
    rows = [*(row for _, row in above), *columns]
    turned = Grid(rows, lines, frozenset(), True, grid.delimiter)
    return Shaped(turned, turned=True, places=[line for line, _ in body])


def _is_turned_row(row: Sequence[str], width: int) -> bool:
    """True for a heading with cells beside it; a key with one value in a wide table says something about all."""
    filled = sum(1 for cell in row if fold(cell))
    heading = parse_heading(row[0])
    return heading.known and filled > 1 and (filled > 2 or width == 2 or not context_key(row[0]))


def stack_blocks(lines: Sequence[str], complete: bool) -> Shaped | None:
    """Blocks of lines ``key: value``, one block a record, as rows under headings. None where there are none.

    A block ends at a blank line, a rule, or where its first key comes again.
    """
    blocks: list[tuple[int, dict[str, str]]] = []
    above: list[tuple[int, str]] = []
    current: dict[str, str] = {}
    for number, line in enumerate(lines, start=1):
        found = _KEY_VALUE.fullmatch(line)
        if found is None or is_comment(line):
            if not fold(line) or _RULE.fullmatch(fold(line)):
                current = {}
                continue
            if fold(line) and not is_comment(line) and not is_furniture(line):
                return None
            continue
        key, mark, value = fold(found[1]), found[2], found[3]
        if mark in SEPARATORS and mark in value:
            return None
        if current and key in current:
            current = {}
        if not current:
            current = {}
            blocks.append((number, current))
        current[key] = value
    records = [(line, block) for line, block in blocks if _is_record(block)]
    if len(records) < 1 or len(blocks) - len(records) > max(2, len(records)):
        return None
    for start, block in blocks:
        if not _is_record(block) and start < records[0][0]:
            above += [(start, f"{key}: {value}") for key, value in block.items()]
    headings = list(dict.fromkeys(key for _, block in records for key in block))
    rows = (
        [[text] for _, text in above] + [headings] + [[block.get(key, "") for key in headings] for _, block in records]
    )
    starts = [line for line, _ in above] + [max(1, records[0][0] - 1)] + [line for line, _ in records]
    return Shaped(Grid(rows, starts, frozenset(), complete, ":"))


def _is_record(block: dict[str, str]) -> bool:
    """True where a block says a value: a measurement by name, or a test with its value."""
    headings = [parse_heading(key) for key in block]
    roles = {role for heading in headings for role, _ in heading.roles[:1]}
    measured = any(heading.meaning.is_reading for heading in headings)
    return ("value" in roles and ("test" in roles or measured)) or (
        measured and len(block) > 1 and not all(context_key(key) for key in block)
    )


def split_columns(lines: Sequence[str], complete: bool) -> Shaped | None:
    """Text in fixed columns, set apart by two or more blanks. None where no line looks like headings.

    A piece of text belongs to the heading it stands under; one that stands under two makes its row damaged.
    """
    head = next((at for at, line in enumerate(lines[:MOST_LINES]) if "  " in line.strip() and _heads(line)), None)
    if head is None:
        return None
    rows: list[list[str]] = [[line] for line in lines[:head]]
    spans = [(found.start(), found.end(), found[0]) for found in _pieces(lines[head])]
    rows.append([text for _, _, text in spans])
    damaged = []
    for at, line in enumerate(lines[head + 1 :], start=head + 1):
        placed = _place(line, spans)
        if placed is None:
            damaged.append(at)
        rows.append(placed if placed is not None else [found[0] for found in _pieces(line)])
    return Shaped(Grid(rows, range(1, len(rows) + 1), frozenset(damaged), complete, " "))


def _pieces(line: str) -> list[re.Match[str]]:
    return list(_TOKEN.finditer(line.expandtabs()))


def _heads(line: str) -> bool:
    pieces = [parse_heading(found[0]) for found in _pieces(line)]
    return len(pieces) >= 3 and sum(1 for piece in pieces if piece.known) * 3 >= 2 * len(pieces)


def _place(line: str, spans: Sequence[tuple[int, int, str]]) -> list[str] | None:
    """The pieces of a line under the headings they overlap; None where that is not certain."""
    cells = [""] * len(spans)
    pieces = _pieces(line)
    if len(pieces) <= 1:
        return [pieces[0][0]] if pieces else [""]
    for found in pieces:
        under = [at for at, (start, end, _) in enumerate(spans) if found.start() < end and start < found.end()]
        if len(under) != 1 or cells[under[0]]:
            return [piece[0] for piece in pieces] if len(pieces) == len(spans) else None
        cells[under[0]] = found[0]
    return cells
