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

from ingest.exports.distinct import distinct
from ingest.exports.plan import Plan, is_aside

CHUNK_BYTES: Final = 4 << 20
RETRY_BYTES: Final = 256 << 10
ORDINARY: Final = "^[0-9<>≥≤]"


@dataclass(frozen=True)
class Chunk:
    """Some lines of a text: ``first`` is the physical line of the first of them, ``count`` how many there are."""

    content: pa.Buffer
    first: int
    count: int


@dataclass(frozen=True)
class Plain:
    """Lines as columns: ``ordinary`` marks the rows that are data without doubt."""

    columns: Sequence[pa.Array]
    ordinary: npt.NDArray[np.bool_]


def cut_chunks(content: pa.Buffer, start: int, end: int, first_line: int, size: int = CHUNK_BYTES) -> Iterator[Chunk]:
    """``content[start:end]`` (whole lines) in chunks of whole lines of about ``size`` bytes."""
    view = memoryview(content)
    line = first_line
    while start < end:
        stop = min(start + size, end)
        if stop < end:
            cut = bytes(view[stop : min(stop + RETRY_BYTES, end)]).find(b"\n")
            stop = end if cut < 0 else stop + cut + 1
        count = count_lines(view[start:stop])
        yield Chunk(content.slice(start, stop - start), line, count)
        line += count
        start = stop


def count_lines(part: memoryview) -> int:
    """How many line ends (LF) are in ``part``."""
    return int(np.count_nonzero(np.frombuffer(part, np.uint8) == 10))


def read_plain(chunk: Chunk, plan: Plan, delimiter: str) -> Plain | None:
    """The lines of a chunk as columns; None where that is not certain to be right."""
    view = memoryview(chunk.content)
    marks = np.frombuffer(view, np.uint8)
    returns = int(np.count_nonzero(marks == 13))
    if (returns and returns != chunk.count) or (marks == 0).any():
        return None
    names = [str(at) for at in range(plan.width)]
    try:
        table = pyarrow.csv.read_csv(
            pa.BufferReader(chunk.content),
            read_options=pyarrow.csv.ReadOptions(column_names=names, block_size=1 << 20),
            parse_options=pyarrow.csv.ParseOptions(delimiter=delimiter, ignore_empty_lines=False),
            convert_options=pyarrow.csv.ConvertOptions(
                column_types=dict.fromkeys(names, pa.string()), strings_can_be_null=False
            ),
        )  # fmt: skip
    except pa.ArrowInvalid:
        return None
    if table.num_rows != chunk.count:
        return None
    columns = [column.combine_chunks() for column in table.columns]
    if (marks == ord('"')).any() and any(pc.any(pc.match_substring(column, '"')).as_py() for column in columns):
        return None
    return Plain(columns, ordinary_rows(columns, plan))


def ordinary_rows(columns: Sequence[pa.Array], plan: Plan) -> npt.NDArray[np.bool_]:
    """True for rows with a number, date or time of their own, and no comment, average or page furniture."""
    found = np.zeros(len(columns[0]), bool)
    for at in plan.numbered:
        if found.all():
            break
        found |= pc.match_substring_regex(columns[at], ORDINARY).to_numpy(zero_copy_only=False)
    for place in plan.watched:
        column, first = columns[place], place == 0
        if first and pc.all(pc.match_substring_regex(column, "^[0-9]")).as_py():
            continue
        names = distinct(column)
        aside = np.array([is_aside(plan, text or "", first=first) for text in names.texts], bool)
        found &= ~aside[names.codes]
    for place in plan.behind:
        # A number among words may mean that the row is shifted: it is looked at as a whole (alignment.is_shifted).
        found &= ~pc.match_substring_regex(columns[place], r"^[<>≥≤+\-. ]*[0-9]").to_numpy(zero_copy_only=False)
    for place in plan.wordless:
        found &= ~pc.match_substring_regex(columns[place], "^[A-Za-z]").to_numpy(zero_copy_only=False)
    return found
