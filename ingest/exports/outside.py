"""Lines outside tables: those that look like records are refused one by one, never passed over."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Final

from ingest.cells.text import fold
from ingest.cells.value import number_of
from ingest.exports.context import Context, context_key, is_comment, is_furniture, is_statistic, tells_something
from ingest.exports.grid import DELIMITERS
from ingest.exports.layout import is_data_cell
from ingest.exports.plan import Plan
from ingest.exports.records import Records, Table

UNREAD: Final = Plan(headings=("",), roles=(), value=0)
"""The plan of rows that nothing explains: each is one record, refused."""
_APART: Final = re.compile(r"\s{2,}|\t")
_WHEN: Final = re.compile(r"\d{1,2}[:.]\d{2}(?:[:.]\d{2})?|\d{1,4}[-/.]\d{1,2}[-/.]\d{1,4}")


def is_forgotten(row: Sequence[str]) -> bool:
    """True for a line outside every table that looks like a record and says nothing else that is known."""
    filled = [cell for cell in row if cell.strip()]
    if not looks_like_data(row) or is_comment(row[0]) or is_furniture(row[0]) or is_statistic(filled[0]):
        return False
    return not tells_something(filled) or (context_key(filled[0]) == "" and _is_record(filled))


def looks_like_data(row: Sequence[str]) -> bool:
    """True for a line with three cells or more, set apart in any way, and a number, date or time; true as well for
    words in one cell among which stand a date or time and two numbers more.
    """
    filled = [cell for cell in row if cell.strip()]
    if len(filled) >= 3:
        return any(is_data_cell(cell) for cell in filled)
    text = " ".join(filled)
    if any(text.count(mark) >= 3 and any(is_data_cell(cell) for cell in text.split(mark)) for mark in DELIMITERS):
        return True
    apart = [piece for piece in _APART.split(text.strip()) if piece]
    return (len(apart) >= 3 and _is_record(apart)) or _is_record(text.split(), numbers=2)


def _is_record(cells: Sequence[str], numbers: int = 1) -> bool:
    """True where among the cells stand a date or time of day and so many numbers more."""
    times = [cell for cell in cells if _WHEN.fullmatch(cell.strip())]
    others = [cell for cell in cells if cell not in times and number_of(cell) is not None]
    return bool(times) and len(others) >= numbers


def keep_unclaimed(
    lines: Sequence[str], records: Records, file_no: int, reason: str, detail: str = "", numbers: Sequence[int] = ()
) -> None:
    """Lines that nothing can read, each as a record that is refused; ``numbers``: where they stand."""
    number = len(records.tables)
    records.tables.append(Table(file_no=file_no, plan=UNREAD, context=Context(), delimiter="", detail=detail))
    kept = [at for at, line in enumerate(lines) if fold(line)]
    places = numbers or range(1, len(lines) + 1)
    records.add_rows(number, [[lines[at]] for at in kept], [places[at] for at in kept], [reason] * len(kept))
