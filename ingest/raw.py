"""The place in the raw evidence that a reading points at: the line as received, with the cell marked."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from ingest.exports.containers import NotOpened, open_export
from ingest.exports.dialect import find_delimiter
from ingest.exports.grid import parse_line
from ingest.exports.read import MEMBER_COLUMNS

AROUND: Final = 2
"""Lines shown before and after."""


@dataclass(frozen=True, kw_only=True)
class RawPlace:
    """Lines around the place (``number`` of the first), and the line itself in three parts: before the cell, the cell,
    after it. ``member``: the part of an archive or the sheet of a spreadsheet.
    """

    member: str
    first_no: int
    before: tuple[str, ...]
    line_no: int
    head: str
    cell: str
    tail: str
    after: tuple[str, ...]


class RawEvidence:
    """One evidence object opened once for looking up many places."""

    def __init__(self, content: bytes, kind: str) -> None:
        if kind == "transcript":
            self._members = [("", content.decode("utf-8", errors="replace").split("\n"))]
            return
        try:
            self._members = [(member.name, member.lines) for member in open_export(content)]
        except NotOpened:
            self._members = [("", content.decode("utf-8", errors="backslashreplace").split("\n"))]

    def find(self, record_no: int, column_no: int | None, raw_text: str) -> RawPlace | None:
        """The place of a record, the cell marked where it is found; nothing where there is no such line."""
        member = 0 if column_no is None else (column_no - 1) // MEMBER_COLUMNS
        if not 0 <= member < len(self._members):
            return None
        name, lines = self._members[member]
        if not 1 <= record_no <= len(lines):
            return None
        line = lines[record_no - 1]
        column = None if column_no is None else (column_no - 1) % MEMBER_COLUMNS
        start = _cell_start(lines, line, column, raw_text)
        end = start + len(raw_text) if start >= 0 else -1
        first = max(record_no - AROUND, 1)
        return RawPlace(
            member=name,
            first_no=first,
            before=tuple(lines[first - 1 : record_no - 1]),
            line_no=record_no,
            head=line[:start] if start >= 0 else line,
            cell=line[start:end] if start >= 0 else "",
            tail=line[end:] if start >= 0 else "",
            after=tuple(lines[record_no : record_no + AROUND]),
        )


def _cell_start(lines: list[str], line: str, column: int | None, raw_text: str) -> int:
    """Where the cell begins in its line, told by its column where its text stands there twice; -1 where unknown."""
    if not raw_text or line.count(raw_text) <= 1:
        return line.find(raw_text) if raw_text else -1
    if column is None:
        return -1
    cells = parse_line(line, find_delimiter(lines[:100]))
    nth = sum(cell.count(raw_text) for cell in cells[:column])
    start = -1
    for _occurrence in range(nth + 1):
        start = line.find(raw_text, start + 1)
    return start
