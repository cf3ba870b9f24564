"""A table of a dataset as the cells that stand in it: text only."""

from __future__ import annotations

import csv
import io
from typing import Final

import pandas as pd
import pyarrow as pa
import pyarrow.csv as pacsv
import pyarrow.parquet as pq

from schemas.errors import InputError

LINE: Final = "line"
"""Name of the column that ``parse_cells`` adds: the physical line at which the row starts, the header being line 1."""

BLOCK_BYTES: Final = 1 << 24
"""Longest row that is read; also how much Arrow reads at once."""


def parse_cells(content: bytes, *, where: str) -> pd.DataFrame:
    """Every cell of a CSV as text, empty where empty; the index is the physical line of each row.

    Shape: one row a record. Raises InputError where the bytes are no CSV with a header of different names.
    """
    try:
        names = _header(content)
        table = pacsv.read_csv(
            pa.BufferReader(content),
            read_options=pacsv.ReadOptions(block_size=BLOCK_BYTES),
            parse_options=pacsv.ParseOptions(newlines_in_values=True, ignore_empty_lines=False),
            convert_options=pacsv.ConvertOptions(
                column_types={name: pa.string() for name in names}, strings_can_be_null=False
            ),
        )
    except (pa.ArrowInvalid, csv.Error, UnicodeDecodeError, StopIteration) as error:
        raise InputError("this is not a table of a dataset", where=where, seen=str(error)) from error
    if len(set(names)) != table.num_columns:
        raise InputError("two columns have the same name", where=where, seen=", ".join(names))
    cells = pd.DataFrame({name: table[name].to_pandas().astype("str") for name in names})
    cells.index = pd.Index(_start_lines(content, len(cells)), name=LINE)
    return cells


def parse_parquet_cells(content: bytes, *, where: str) -> pd.DataFrame:
    """Every cell of a Parquet table as text, null empty; the index counts the rows from 1.

    Raises InputError where the bytes are no Parquet table.
    """
    try:
        table = pq.read_table(pa.BufferReader(content)).to_pandas()
    except (pa.ArrowException, OSError, ValueError, OverflowError) as error:
        raise InputError("this is not a table of a dataset", where=where, seen=str(error)[:200]) from error
    table.index = pd.RangeIndex(1, len(table) + 1)
    return as_cells(table)


def _header(content: bytes) -> list[str]:
    return next(csv.reader(io.StringIO(content.split(b"\n", 1)[0].decode("utf-8"), newline="")))


def _start_lines(content: bytes, rows: int) -> list[int] | range:
    """The physical line at which each row starts. Rows that hold line ends inside quotes are counted one by one."""
    if content.count(b"\n") == rows + 1:
        return range(2, rows + 2)
    reader = csv.reader(io.StringIO(content.decode("utf-8"), newline=""))
    next(reader)
    starts = []
    before = reader.line_num
    for _record in reader:
        starts.append(before + 1)
        before = reader.line_num
    return starts[:rows]


def as_cells(table: pd.DataFrame) -> pd.DataFrame:
    """A table of any types as text cells, null empty; already text columns keep every character."""
    return pd.DataFrame({name: _as_text(table[name]) for name in table.columns}, index=table.index)


def _as_text(column: pd.Series) -> pd.Series:
    if column.dtype == "str":
        return column.fillna("") if column.hasnans else column
    return column.astype("str").where(column.notna(), "").astype("str")
