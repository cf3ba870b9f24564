"""A table as CSV bytes: RFC 4180, UTF-8, numbers that read back to the same float, nothing a spreadsheet would run.

Spreadsheets run a cell that starts with one of ``= + - @`` as a formula. Such a text cell gets one apostrophe in
front; so does a cell that already starts with an apostrophe, which makes the rule reversible: take one leading
apostrophe off, and the text is what it was. Numbers and times are never touched.
"""

from __future__ import annotations

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


def csv_bytes(table: pd.DataFrame) -> bytes:
    """``table`` as CSV with a header row. Shape: rows and columns in their order, one line each; null is empty."""
    names = pa.array([str(name) for name in table.columns], pa.large_string())
    header = ",".join(quote(names).to_pylist()) + "\n"
    if table.empty:
        return header.encode()
    cells = [column_cells(table[name]) for name in table.columns]
    lines = pc.binary_join_element_wise(*cells, pa.scalar(",", pa.large_string()))
    closed = pc.binary_join_element_wise(lines, pa.scalar("", pa.large_string()), pa.scalar("\n", pa.large_string()))
    return header.encode() + joined_bytes(closed)


def column_cells(column: pd.Series) -> pa.LargeStringArray:
    """The cells of one column, ready to be joined; null is empty."""
    if pd.api.types.is_datetime64_any_dtype(column.dtype):
        cells = moment_texts(column)
    elif pd.api.types.is_numeric_dtype(column.dtype):
        cells = number_texts(column)
    else:
        cells = text_cells(arrow_array(column).cast(pa.large_string()))
    return pc.fill_null(cells, "")


def text_cells(texts: pa.LargeStringArray) -> pa.LargeStringArray:
    """Texts escaped and quoted; each different text is looked at once. Null stays null."""
    encoded = texts.dictionary_encode()
    return quote(escape(encoded.dictionary)).take(encoded.indices)


def number_texts(column: pd.Series) -> pa.LargeStringArray:
    """Numbers in a short form that reads back to the same float: 230, 0.3, 20000000000, 1E-7. Null stays null.

    The exponent has a capital E. Source: Table Schema 2.0, datapackage.org, field type number.
    """
    numbers = arrow_array(column)
    if not pa.types.is_floating(numbers.type):
        return numbers.cast(pa.large_string())
    texts = pc.ascii_upper(numbers.cast(pa.large_string()))
    small = pc.less(pc.abs(numbers), LARGEST_PLAIN)
    whole = pc.and_(small, pc.equal(pc.trunc(numbers), numbers))
    plain = pc.if_else(whole, numbers, None).cast(pa.int64()).cast(pa.large_string())
    return pc.if_else(whole, plain, texts)


def moment_texts(column: pd.Series) -> pa.LargeStringArray:
    """ISO 8601: ``2031-04-02T11:01:00Z`` where the column is UTC, without offset where it is local.

    A fraction of a second is written only where there is one. Null stays null.
    """
    is_utc = isinstance(column.dtype, pd.DatetimeTZDtype)
    moments = arrow_array(column)
    # A cast writes a blank where ISO 8601 has T, and is ten times as fast as strftime.
    spaced = moments.cast(pa.timestamp(moments.type.unit)).cast(pa.large_string())
    whole = pc.utf8_replace_slice(spaced, 10, 11, "T")
    short = pc.replace_substring_regex(whole, r"\.?0+$", "")
    bare = pc.if_else(pc.match_substring_regex(whole, r"\.\d+$"), short, whole)
    if not is_utc:
        return bare
    return pc.binary_join_element_wise(bare, pa.scalar("Z", pa.large_string()), pa.scalar("", pa.large_string()))


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
