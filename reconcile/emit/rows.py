"""Table rows as plain Python values, for the records that are written one by one."""

from __future__ import annotations

from collections import defaultdict
from typing import Any

import pandas as pd

from reconcile.emit.csv_text import arrow_array, moment_texts

Row = dict[str, Any]


def table_rows(table: pd.DataFrame) -> list[Row]:
    """The rows of ``table`` in their order; null is None, moments are ISO 8601 text as in the CSV files."""
    columns = [column_values(table[name]) for name in table.columns]
    names = [str(name) for name in table.columns]
    return [dict(zip(names, values, strict=True)) for values in zip(*columns, strict=True)]


def column_values(column: pd.Series) -> list[Any]:
    """The values of one column as plain Python values."""
    if pd.api.types.is_datetime64_any_dtype(column.dtype):
        return list(moment_texts(column).to_pylist())
    return list(arrow_array(column).to_pylist())


def rows_by(rows: list[Row], key: str) -> dict[Any, list[Row]]:
    """Rows with the same value under ``key`` together, in their order; rows without one are left out."""
    grouped: dict[Any, list[Row]] = defaultdict(list)
    for row in rows:
        if row[key] is not None:
            grouped[row[key]].append(row)
    return grouped


def split_ids(text: str | None) -> tuple[str, ...]:
    """The ids of a text that separates them by spaces; none for null."""
    return tuple(text.split()) if text else ()
