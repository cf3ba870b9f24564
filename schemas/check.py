"""The only call to pandera: a table either keeps its schema or is refused with every fault named."""

from __future__ import annotations

from typing import TypeVar

import pandas as pd
import pandera.pandas as pa
from pandera.errors import SchemaErrors
from pandera.typing.pandas import DataFrame

from schemas.errors import TableError

Model = TypeVar("Model", bound=pa.DataFrameModel)

SHOWN_FAULTS = 8


def check_table(model: type[Model], table: pd.DataFrame) -> DataFrame[Model]:
    """The same table, known to keep ``model`` (strict, nothing coerced, all faults collected).

    Raises TableError naming each broken column, row and rule (the first eight of them).
    """
    try:
        return model.validate(table, lazy=True)
    except SchemaErrors as error:
        faults = error.failure_cases
        shown = [
            f"column {row.column!s}: {row.check!s}, row {row.index!s}, seen {row.failure_case!r}"
            for row in faults.head(SHOWN_FAULTS).itertuples()
        ]
        more = len(faults) - len(shown)
        if more > 0:
            shown.append(f"and {more} more")
        raise TableError(
            f"table {model.__name__} breaks its schema in {len(faults)} places", seen="\n".join(shown)
        ) from error


def empty_table(model: type[Model]) -> DataFrame[Model]:
    """A table of ``model`` with no rows, its columns in order and of the right types."""
    columns = model.to_schema().columns
    frame = pd.DataFrame({name: pd.Series([], dtype=column.dtype.type) for name, column in columns.items()})
    return check_table(model, frame)


def conform_table(model: type[Model], table: pd.DataFrame) -> DataFrame[Model]:
    """``table`` with exactly the columns of ``model``, in order and in its types; then checked.

    Columns the model does not know are dropped and missing ones become null: the one place where a table is
    shaped on purpose. Values are never changed by it: a cast that would lose something raises TableError.
    """
    columns = model.to_schema().columns
    if list(table.columns) == list(columns) and table.index.equals(pd.RangeIndex(len(table))):
        types = [column.dtype.type for column in columns.values()]
        if all(have == want for have, want in zip(table.dtypes, types, strict=True)):
            return check_table(model, table)
    shaped = pd.DataFrame(index=pd.RangeIndex(len(table)))
    for name, column in columns.items():
        dtype = column.dtype.type
        if name not in table.columns:
            shaped[name] = pd.Series([None] * len(table), dtype=dtype)
            continue
        series = table[name].reset_index(drop=True)
        try:
            shaped[name] = series if series.dtype == dtype else series.astype(dtype)
        except (TypeError, ValueError) as error:
            raise TableError(
                f"table {model.__name__}, column {name}: cannot become {dtype} without loss", seen=str(error)
            ) from error
    return check_table(model, shaped)
