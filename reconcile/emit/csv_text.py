"""A table as CSV bytes: RFC 4180, UTF-8, numbers that read back to the same float, nothing a spreadsheet would run.

Spreadsheets run a cell that starts with one of ``= + - @`` as a formula. Such a text cell gets one apostrophe in
front; so does a cell that already starts with an apostrophe, which makes the rule reversible: take one leading
apostrophe off, and the text is what it was. Numbers and times are never touched.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Final

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

ESCAPE: Final = "'"
WHITE: Final = r"[\s\x00-\x20\x{7f}\p{Z}\x{feff}\x{200b}]*"
"""What a spreadsheet may skip before it looks for a formula: blanks, control characters, invisible characters."""

NEEDS_ESCAPE: Final = rf"^(?:'|{WHITE}[=+\-@＝＋－＠]|[\t\r\n\x00])"
"""Also the full-width forms, which some spreadsheets fold to the plain ones."""

LARGEST_PLAIN: Final = 1e16
"""Whole numbers from here on are written with an exponent, as Python does."""

NEEDS_QUOTES: Final = r'[",\r\n]|^\s|\s$'

NOT_PLAIN: Final = r"[^0-9A-Za-z.:_-]|^-"
"""What a text may hold that needs neither an escape nor quotes is less than this: none of it is in an id."""

PART_ROWS: Final = 50_000
"""So many rows are made into lines at a time: what they need stays in the processor's cache."""

WORKERS: Final = 2
SAMPLE_ROWS: Final = 1_000


def csv_bytes(table: pd.DataFrame) -> bytes:
    """``table`` as CSV with a header row. Shape: rows and columns in their order, one line each; null is empty."""
    names = pa.array([str(name) for name in table.columns], pa.large_string())
    header = ",".join(quote(names).to_pylist()) + "\n"
    if table.empty:
        return header.encode()
    parts = [table.iloc[start : start + PART_ROWS] for start in range(0, len(table), PART_ROWS)]
    if len(parts) == 1:
        return header.encode() + line_bytes(table)
    with ThreadPoolExecutor(WORKERS, thread_name_prefix="csv") as pool:
        return b"".join([header.encode(), *pool.map(line_bytes, parts)])


def line_bytes(table: pd.DataFrame) -> bytes:
    """The rows of ``table``, which has some, as lines of CSV."""
    *cells, last = (column_cells(table[name]) for name in table.columns)
    closed = pc.binary_join_element_wise(last, pa.scalar("", pa.large_string()), pa.scalar("\n", pa.large_string()))
    return joined_bytes(pc.binary_join_element_wise(*cells, closed, pa.scalar(",", pa.large_string())))


def column_cells(column: pd.Series) -> pa.LargeStringArray:
    """The cells of one column, ready to be joined; null is empty."""
    if pd.api.types.is_datetime64_any_dtype(column.dtype):
        cells = moment_texts(column)
    elif pd.api.types.is_numeric_dtype(column.dtype):
        cells = number_texts(column)
    else:
        cells = text_cells(arrow_array(column).cast(pa.large_string()))
    return pc.fill_null(cells, "") if cells.null_count else cells


def text_cells(texts: pa.LargeStringArray) -> pa.LargeStringArray:
    """Texts escaped and quoted. Null stays null."""
    return of_distinct(texts, safe_texts)


def safe_texts(texts: pa.LargeStringArray) -> pa.LargeStringArray:
    """As ``text_cells``; ids and other plain words need nothing."""
    odd = pc.any(pc.match_substring_regex(texts, NOT_PLAIN)).as_py()
    return quote(escape(texts)) if odd else texts


def of_distinct(cells: pa.Array, written: Callable[[pa.Array], pa.Array]) -> pa.Array:
    """``written`` of ``cells``; where they repeat, each different cell is looked at once."""
    sample = cells.slice(0, SAMPLE_ROWS)
    if len(pc.unique(sample)) > len(sample) // 2:
        return written(cells)
    encoded = cells.dictionary_encode()
    return written(encoded.dictionary).take(encoded.indices)


def number_texts(column: pd.Series) -> pa.LargeStringArray:
    """Numbers in a short form that reads back to the same float: 230, 0.3, 20000000000, 1E-7. Null stays null.

    The exponent has a capital E. Source: Table Schema 2.0, datapackage.org, field type number.
    """
    numbers = arrow_array(column)
    if not pa.types.is_floating(numbers.type):
        return numbers.cast(pa.large_string())
    return of_distinct(numbers, float_texts)


def float_texts(numbers: pa.FloatingPointArray) -> pa.LargeStringArray:
    """As ``number_texts``, of floats."""
    texts = pc.ascii_upper(numbers.cast(pa.large_string()))
    small = pc.less(pc.abs(numbers), LARGEST_PLAIN)
    whole = pc.and_(small, pc.equal(pc.trunc(numbers), numbers))
    plain = pc.if_else(whole, numbers, None).cast(pa.int64()).cast(pa.large_string())
    return pc.if_else(whole, plain, texts)


def moment_texts(column: pd.Series) -> pa.LargeStringArray:
    """ISO 8601: ``2031-04-02T11:01:00Z`` where the column is UTC, without offset where it is local.

    A fraction of a second is written only where there is one. Null stays null.
    """
    mark = "Z" if isinstance(column.dtype, pd.DatetimeTZDtype) else ""
    return of_distinct(arrow_array(column), lambda moments: iso_texts(moments, mark))


def iso_texts(moments: pa.TimestampArray, mark: str) -> pa.LargeStringArray:
    """As ``moment_texts``, with ``mark`` behind each."""
    local = moments.cast(pa.timestamp(moments.type.unit))
    try:
        bare = seconds_texts(local.cast(pa.timestamp("s")))
    except pa.ArrowInvalid:  # some have a fraction of a second
        whole = seconds_texts(local)
        short = pc.replace_substring_regex(whole, r"\.?0+$", "")
        bare = pc.if_else(pc.match_substring_regex(whole, r"\.\d+$"), short, whole)
    return pc.binary_join_element_wise(bare, pa.scalar(mark, pa.large_string()), pa.scalar("", pa.large_string()))


def seconds_texts(moments: pa.TimestampArray) -> pa.LargeStringArray:
    """ISO 8601 with all digits of the fraction that the unit of the column has."""
    # A cast writes a blank where ISO 8601 has T, and is ten times as fast as strftime.
    return pc.utf8_replace_slice(moments.cast(pa.large_string()), 10, 11, "T")


def escape(texts: pa.LargeStringArray) -> pa.LargeStringArray:
    """Texts with one apostrophe in front where a spreadsheet would run them, or where one stands already."""
    escaped = pc.binary_join_element_wise(pa.scalar(ESCAPE, pa.large_string()), texts, pa.scalar("", pa.large_string()))
    return pc.if_else(pc.match_substring_regex(texts, NEEDS_ESCAPE), escaped, texts)


def unescape(text: str) -> str:
    """The text that ``escape`` was given: the way back for a reader of the CSV."""
    return text[1:] if text.startswith(ESCAPE) else text


def quote(texts: pa.LargeStringArray) -> pa.LargeStringArray:
    """Texts in double quotes where RFC 4180 asks for them, and where blanks at an end could be lost."""
    doubled = pc.replace_substring(texts, '"', '""')
    mark = pa.scalar('"', pa.large_string())
    quoted = pc.binary_join_element_wise(mark, doubled, mark, pa.scalar("", pa.large_string()))
    return pc.if_else(pc.match_substring_regex(texts, NEEDS_QUOTES), quoted, texts)


def arrow_array(column: pd.Series) -> pa.Array:
    """The column as one Arrow array, NaN as null."""
    array = pa.Array.from_pandas(column)
    return array.combine_chunks() if isinstance(array, pa.ChunkedArray) else array


def joined_bytes(lines: pa.LargeStringArray) -> bytes:
    """The texts of an array one after the other, taken from its buffer rather than one by one."""
    _, offsets, data = lines.buffers()
    ends = np.frombuffer(offsets, dtype=np.int64)[lines.offset : lines.offset + len(lines) + 1]
    content: bytes = data.slice(int(ends[0]), int(ends[-1] - ends[0])).to_pybytes()
    return content
