"""Rows of a large text read as columns, a piece of bytes at a time; whatever is not plain is handed back as rows.

pyarrow's reader splits the lines. Its answer counts only where it must be the same as ours: every line gave one row of
the right width, and no quote is left inside a cell.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv

from ingest.exports.bytes_of import first_bytes
from ingest.exports.distinct import distinct
from ingest.exports.plan import Plan, is_aside
from ingest.exports.source import Source

RETRY_BYTES: Final = 256 << 10
ORDINARY: Final = np.isin(np.arange(256), list(b"0123456789<>"))
"""By byte: whether a row of data begins so. Signs that are no ASCII are looked at one by one."""


@dataclass(frozen=True)
class Chunk:
    """Some lines of a text: ``first`` is the physical line of the first of them, ``count`` how many there are."""

    content: bytes
    first: int
    count: int


@dataclass(frozen=True)
class Plain:
    """Lines as columns: ``ordinary`` marks the rows that are data without doubt."""

    columns: Sequence[pa.Array]
    ordinary: npt.NDArray[np.bool_]


def cut_chunks(source: Source, start: int, end: int, first_line: int, size: int) -> Iterator[Chunk]:
    """The bytes from ``start`` to ``end`` (whole lines) in chunks of whole lines of about ``size`` bytes."""
    line = first_line
    while start < end:
        stop = end if end - start <= size else min(source.line_end_after(start + size), end)
        content = source.read(start, stop)
        count = content.count(b"\n")
        yield Chunk(content, line, count)
        line += count
        start = stop


def read_plain(chunk: Chunk, plan: Plan, delimiter: str) -> Plain | None:
    """The lines of a chunk as columns; None where that is not certain to be right."""
    content = chunk.content
    if b"\x00" in content or (b"\r" in content and content.count(b"\r") != chunk.count):
        return None
    names, quoted = [str(at) for at in range(plan.width)], b'"' in content
    try:
        table = pyarrow.csv.read_csv(
            pa.BufferReader(content),
            read_options=pyarrow.csv.ReadOptions(
                column_names=names, block_size=max(len(content), RETRY_BYTES), use_threads=False
            ),
            parse_options=pyarrow.csv.ParseOptions(
                delimiter=delimiter, quote_char='"' if quoted else False, ignore_empty_lines=False
            ),
            convert_options=pyarrow.csv.ConvertOptions(
                column_types=dict.fromkeys(names, pa.string()), strings_can_be_null=False,
                check_utf8=not content.isascii(),
            ),
        )  # fmt: skip
    except pa.ArrowInvalid:
        return None
    if table.num_rows != chunk.count:
        return None
    columns = [column.chunk(0) if column.num_chunks == 1 else column.combine_chunks() for column in table.columns]
    if quoted and any(pc.any(pc.match_substring(column, '"')).as_py() for column in columns):
        return None
    return Plain(columns, ordinary_rows(columns, plan))


def ordinary_rows(columns: Sequence[pa.Array], plan: Plan) -> npt.NDArray[np.bool_]:
    """True for rows with a number, date or time of their own, and no comment, average or page furniture."""
    found = np.zeros(len(columns[0]), bool)
    for at in plan.numbered:
        if found.all():
            break
        found |= _begins_as_data(columns[at])
    for place in plan.watched:
        column, first = columns[place], place == 0
        if first and ((marks := first_bytes(column)) >= ord("0")).all() and (marks <= ord("9")).all():
            continue
        names = distinct(column)
        aside = np.array([is_aside(plan, text or "", first=first) for text in names.texts], bool)
        found &= ~aside[names.codes]
    for place in plan.behind:
        # A number among words may mean that the row is shifted: it is looked at as a whole (alignment.is_shifted).
        found &= ~pc.match_substring_regex(columns[place], r"^[<>≥≤+\-. ]*[0-9]").to_numpy(zero_copy_only=False)
    for place in plan.wordless:
        found &= ~pc.match_substring_regex(columns[place], r"^\pL").to_numpy(zero_copy_only=False)
    return found


def _begins_as_data(column: pa.Array) -> npt.NDArray[np.bool_]:
    """True for each text that begins with a digit or a comparator."""
    marks = first_bytes(column)
    found: npt.NDArray[np.bool_] = ORDINARY[marks]
    if (marks >= 0x80).any():
        found |= pc.match_substring_regex(column, "^[≥≤]").to_numpy(zero_copy_only=False)
    return found
