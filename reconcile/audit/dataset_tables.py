"""Tables of a dataset read back from their CSV, in the types of their model."""

from __future__ import annotations

import pandas as pd

from reconcile.audit.csv_cells import parse_cells
from reconcile.emit.csv_text import ESCAPE
from schemas.check import conform_table
from schemas.dataset import TABLES
from schemas.errors import InputError


def parse_dataset_table(name: str, content: bytes) -> pd.DataFrame:
    """The table of that name from the bytes of its CSV file, checked by its model.

    Raises InputError where a cell does not fit its column, TableError where a row breaks the model.
    """
    model = TABLES[name].model
    cells = parse_cells(content, where=f"{name}.csv")
    columns = model.to_schema().columns
    typed = {}
    for column, schema in columns.items():
        if column not in cells.columns:
            raise InputError(f"table {name} has no column {column}", where=f"{name}.csv")
        try:
            typed[column] = _typed(cells[column].reset_index(drop=True), str(schema.dtype), nullable=schema.nullable)
        except (ValueError, TypeError) as error:
            raise InputError(
                f"a cell of column {column} cannot be read", where=f"{name}.csv", seen=str(error)
            ) from error
    return conform_table(model, pd.DataFrame(typed))


def _typed(column: pd.Series, dtype: str, *, nullable: bool) -> pd.Series:
    if dtype.startswith("datetime64"):
        moments = pd.to_datetime(column.where(column != ""), format="ISO8601", utc="UTC" in dtype)
        return moments.dt.as_unit("ns")
    if dtype.lower().startswith(("float", "int")):
        numbers = pd.to_numeric(column.where(column != ""))
        return numbers.astype("Int64" if dtype == "Int64" else "int64" if dtype.startswith("int") else "float64")
    texts = column.str.removeprefix(ESCAPE)
    return texts.where(texts != "") if nullable else texts
