"""Office lists (CSV) to rows of text with their physical lines: the strict reader of files that people write.

Unlike exports of meters, an office list has one published shape: UTF-8, a header row of known names. What does not
keep it is refused by cell or by row; unknown columns are kept.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any, Final

from ingest.extract import RefusalRow
from schemas.errors import InputError

DELIMITERS: Final = (",", ";", "\t")


@dataclass(frozen=True, kw_only=True)
class ListRow:
    """One row: ``cells`` by lower-case heading, blanks at both ends removed; ``line`` is physical, the first is 1."""

    line: int
    cells: dict[str, str]


@dataclass(frozen=True, kw_only=True)
class OfficeList:
    """One office list as read, with what had to be refused so far."""

    name: str
    sha256: str
    headings: tuple[str, ...]
    rows: tuple[ListRow, ...]
    refusals: list[RefusalRow] = field(default_factory=list)

    def refuse(self, row: ListRow, column: str | None, reason: str, message: str) -> None:
        """Note one refusal: a cell, or the whole row where ``column`` is None."""
        raw = row.cells.get(column, "") if column else ",".join(row.cells.values())
        self.refusals.append(
            RefusalRow(
                evidence_sha256=self.sha256, record_no=row.line, column_name=column, raw_text=raw, reason=reason,
                message=f"{self.name} line {row.line}: {message}",
            )
        )  # fmt: skip


def parse_headings(content: bytes) -> tuple[str, ...]:
    """The headings of the first row, lower case, or nothing where the bytes are no UTF-8 text."""
    try:
        first = content[:65536].decode("utf-8-sig", errors="strict" if len(content) <= 65536 else "ignore")
    except UnicodeDecodeError:
        return ()
    line = first.splitlines()[0] if first.strip() else ""
    for delimiter in DELIMITERS:
        cells = next(csv.reader([line], delimiter=delimiter), [])
        if len(cells) > 1:
            return tuple(cell.strip().lower() for cell in cells)
    return (line.strip().lower(),)


def parse_list(content: bytes, *, name: str, sha256: str) -> OfficeList:
    """The rows of an office list; rows with too many or too few cells are refused.

    Raises InputError where the file is not UTF-8, has no header row, or repeats a heading.
    """
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content[: error.start].count(b"\n") + 1
        raise InputError(
            "the file is not UTF-8 text", where=f"{name} line {line}",
            seen=repr(content[max(0, error.start - 20) : error.end + 5])[1:],
            advice="save it again as CSV UTF-8",
        ) from error  # fmt: skip
    headings = parse_headings(content)
    if not any(headings):
        raise InputError("the file has no header row", where=f"{name} line 1", advice="see the README for the columns")
    repeated = sorted({heading for heading in headings if heading and headings.count(heading) > 1})
    if repeated:
        raise InputError(f"column {repeated[0]!r} stands twice", where=f"{name} line 1", advice="remove one of the two")
    delimiter = next((mark for mark in DELIMITERS if mark in text.splitlines()[0]), ",")
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter)
    next(reader)
    found = OfficeList(name=name, sha256=sha256, headings=headings, rows=())
    rows: list[ListRow] = []
    end = reader.line_num
    for cells in _rows(reader, name):
        line, end = end + 1, reader.line_num
        if not any(cell.strip() for cell in cells):
            continue
        row = ListRow(line=line, cells=dict(zip(headings, (cell.strip() for cell in cells), strict=False)))
        spare = cells[len(headings) :]
        if len(cells) < len(headings) or any(cell.strip() for cell in spare):
            found.refusals.append(
                RefusalRow(
                    evidence_sha256=sha256, record_no=line, raw_text=delimiter.join(cells), reason="unreadable",
                    message=f"{name} line {line}: {len(cells)} cells under {len(headings)} headings; "
                    "put a cell that holds the separator between quotation marks",
                )
            )  # fmt: skip
            continue
        rows.append(row)
    return OfficeList(name=name, sha256=sha256, headings=headings, rows=tuple(rows), refusals=found.refusals)


def _rows(reader: Any, name: str) -> Iterator[list[str]]:
    try:
        yield from reader
    except csv.Error as error:
        raise InputError("the file is not CSV", where=f"{name} line {reader.line_num}", seen=str(error)) from error
