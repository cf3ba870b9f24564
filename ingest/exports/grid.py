"""The cells of one export as they lie: rows of text with the physical line at which each begins."""

from __future__ import annotations

import csv
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, Final

DELIMITERS: Final = (",", ";", "\t", "|", "^", "~")
LINE_ENDS: Final = re.compile(r"\r\n|\n|\r")
SEPARATOR_LINE: Final = re.compile(r"\ufeff?\"?sep=(.)\"?", re.IGNORECASE)
LONGEST_CELL_LINES: Final = 12
"""A quoted cell over more lines is an unclosed quote."""
NEAR_LINES: Final = 40


@dataclass(frozen=True)
class Grid:
    """``rows`` of cells; ``lines[i]`` is the physical line at which row i begins (first is 1).

    ``damaged`` holds the rows whose quotes do not close; ``complete`` is False where the last line has no line end;
    ``delimiter`` is empty for spreadsheets.
    """

    rows: list[list[str]]
    lines: Sequence[int]
    damaged: frozenset[int]
    complete: bool
    delimiter: str
    found: dict[Any, Any] = field(default_factory=dict, compare=False, repr=False)
    """What was found in these cells so far (layout.find_in)."""


def split_lines(text: str) -> tuple[list[str], bool]:
    """Physical lines without their ends (LF, CR LF, CR, mixed), and whether the last one had an end.

    Where every line ends with CR CR LF, as a CR LF written once more as text does, that is one end.
    """
    if "\r\r\n" in text and text.count("\r\r\n") == text.count("\n"):
        text = text.replace("\r\r\n", "\n")
    lines = LINE_ENDS.split(text) if "\r" in text else text.split("\n")
    if lines and lines[-1] == "":
        lines.pop()
        return lines, True
    return lines, False


def parse_grid(lines: list[str], delimiter: str, *, complete: bool) -> Grid:
    """The rows of ``lines`` split at ``delimiter``; quoted cells may hold delimiters, doubled quotes, line ends."""
    escaped_mark = f"\\{delimiter}"
    if not any('"' in line or escaped_mark in line for line in lines):
        rows = [line.split(delimiter) for line in lines]
        return Grid(rows, range(1, len(rows) + 1), frozenset(), complete, delimiter)
    rows, starts, damaged = [], [], []
    position = 0
    while position < len(lines):
        line = lines[position]
        taken = 1
        escaped = _parse_backslashes(line, delimiter) if "\\" in line else None
        if escaped is not None:
            row = escaped
        elif '"' not in line:
            row = line.split(delimiter)
        elif closes(line, delimiter):
            row = parse_line(line, delimiter)
        else:
            joined = _join(lines, position, delimiter)
            if joined is None:
                damaged.append(len(rows))
                row = line.split(delimiter)
            else:
                row, taken = joined
        rows.append(row)
        starts.append(position + 1)
        position += taken
    return Grid(rows, starts, frozenset(damaged), complete, delimiter)


def parse_line(line: str, delimiter: str) -> list[str]:
    """The cells of one line whose quotes close."""
    try:
        return next(csv.reader([line], delimiter=delimiter, doublequote=True), [""]) or [""]
    except csv.Error:
        return line.split(delimiter)


def _parse_backslashes(line: str, delimiter: str) -> list[str] | None:
    """The cells of a line that writes its delimiter or a quote inside a cell behind a backslash; None where not.

    A backslash before the closing quote of a cell is a backslash.
    """
    inside = re.search(rf'\\"(?!{re.escape(delimiter)}|$)', line)
    if inside is None and ('"' in line or f"\\{delimiter}" not in line):
        return None
    mark = '"' if '"' in line else None
    try:
        return next(csv.reader([line], delimiter=delimiter, doublequote=False, escapechar="\\", quotechar=mark,
                               quoting=csv.QUOTE_MINIMAL if mark else csv.QUOTE_NONE))  # fmt: skip
    except (csv.Error, StopIteration):
        return None


def closes(text: str, delimiter: str) -> bool:
    """True where every quoted cell of ``text`` ends: a quote opens only at the start of a cell."""
    inside, start = False, True
    position, end = 0, len(text)
    while position < end:
        mark = text[position]
        if inside:
            if mark == '"':
                if text[position + 1 : position + 2] == '"':
                    position += 1
                else:
                    inside = False
        elif mark == '"' and start:
            inside = True
        start = not inside and mark == delimiter
        position += 1
    return not inside


def well_formed(text: str, delimiter: str) -> bool:
    """True where every quote of ``text`` opens a cell, closes it, or is doubled inside one."""
    inside, start = False, True
    position, end = 0, len(text)
    while position < end:
        mark = text[position]
        if inside:
            if mark == '"' and text[position + 1 : position + 2] == '"':
                position += 1
            elif mark == '"':
                inside = False
                rest = text[position + 1 :].lstrip(" ")
                if rest and rest[0] != delimiter:
                    return False
        elif mark == '"':
            if not start:
                return False
            inside = True
        start = not inside and mark == delimiter
        position += 1
    return not inside


def _join(lines: list[str], position: int, delimiter: str) -> tuple[list[str], int] | None:
    """A row whose quoted cell runs over several lines, or None where the quote never closes as it should.

    A line inside the cell that is as good a row by itself as its neighbours speaks for a lost quote.
    """
    text = lines[position]
    usual = _usual_cells(lines, position, delimiter)
    for following in lines[position + 1 : position + LONGEST_CELL_LINES]:
        if following.count(delimiter) >= max(1, usual - 2) and well_formed(following, delimiter):
            return None
        text = f"{text}\n{following}"
        if well_formed(text, delimiter):
            parts = [part + "\n" for part in text.split("\n")]
            return next(csv.reader(parts, delimiter=delimiter), [""]), len(parts)
    return None


def _usual_cells(lines: list[str], position: int, delimiter: str) -> int:
    """How many cells most lines near ``position`` have that are rows by themselves."""
    near = lines[max(0, position - NEAR_LINES) : position + NEAR_LINES]
    counts = Counter(
        len(parse_line(line, delimiter)) for line in near if delimiter in line and well_formed(line, delimiter)
    )
    return counts.most_common(1)[0][0] if counts else 0
