"""How the cells of a file are separated: told, said by the file, or found by where its headings make sense."""

from __future__ import annotations

import re
from collections.abc import Sequence

from ingest.cells.text import fold
from ingest.exports.context import Context
from ingest.exports.grid import DELIMITERS, SEPARATOR_LINE, Grid, parse_grid
from ingest.exports.headings import parse_heading
from ingest.exports.layout import find_in, looks_like_headings, sample_in

SAMPLE_LINES = 50
MOST_ROWS = 300
"""Headings further down than this are found when the file is read, not when its shape is chosen."""


def chosen_grid(lines: list[str], complete: bool, delimiter: str | None) -> Grid:
    """The cells of the file, split at the delimiter that is told, or that finds most headings."""
    if lines and (found := SEPARATOR_LINE.fullmatch(lines[0].strip())):
        lines = ["", *lines[1:]]
        delimiter = delimiter or found[1]
    delimiter = delimiter or find_delimiter(lines)
    return parse_grid(join_quotes(double_quotes(lines, delimiter), delimiter), delimiter, complete=complete)


def double_quotes(lines: list[str], delimiter: str) -> list[str]:
    """The same lines with double quotes around cells, where the file writes single quotes around all of them."""
    sample = [line for line in lines[:SAMPLE_LINES] if delimiter in line]
    between = f"'{delimiter}'"
    quoted = [line for line in sample if between in line and line[0] == line[-1] == "'"]
    if len(quoted) * 2 <= len(sample) or not any(quoted) or any('"' in line for line in lines):
        return lines
    return [
        '"' + line[1:-1].replace(between, f'"{delimiter}"') + '"'
        if line[:1] == line[-1:] == "'" and len(line) > 1
        else line
        for line in lines
    ]


def join_quotes(lines: list[str], delimiter: str) -> list[str]:
    """The same lines without the blanks between a separator and the quote that opens the next cell, where most lines
    that have quotes write so.
    """
    if delimiter.isspace():
        return lines
    apart, close = re.compile(rf'{re.escape(delimiter)} +"'), f'{delimiter}"'
    quoted = [line for line in lines[:SAMPLE_LINES] if delimiter in line and '"' in line]
    if 2 * sum(1 for line in quoted if apart.search(line) and close not in line) <= len(quoted):
        return lines
    return [apart.sub(close, line) for line in lines]


def find_delimiter(lines: Sequence[str]) -> str:
    """The delimiter under which the first lines have the richest headings, or the most even rows."""
    sample = list(lines[:SAMPLE_LINES])
    text = "\n".join(sample)
    there = [delimiter for delimiter in DELIMITERS if delimiter in text]
    if len(there) < 2:
        return there[0] if there else ","
    scored = [
        (score(parse_grid(join_quotes(sample, delimiter), delimiter, complete=True)), -rank, delimiter)
        for rank, delimiter in enumerate(there)
    ]
    return max(scored)[2]


def score(grid: Grid) -> tuple[int, int]:
    """How much of a table the cells make: what its headings say, and how many rows are as wide as they.

    Headings that are known count although their rows do not fit them: no other reading of the lines explains more.
    """
    known = 0
    for position in range(min(len(grid.rows), MOST_ROWS)):
        found = find_in(grid, position, Context())
        if found:
            plan, used = found
            explained = len(plan.known_tests) + len(plan.roles) + 5 * plan.is_long
            if explained < known:
                break
            return explained, sum(1 for row in sample_in(grid, position)(used) if len(row) == plan.width)
        if looks_like_headings(grid.rows[position]):
            known = max(known, sum(1 for cell in grid.rows[position] if parse_heading(fold(cell)).known))
    widths = [len(row) for row in grid.rows if len(row) > 1]
    return known, max((widths.count(width) for width in set(widths)), default=0)
