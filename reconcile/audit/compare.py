"""Two datasets held against each other: the one on file and the one read again from the raw evidence."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd

from reconcile.audit.csv_cells import LINE, as_cells
from schemas.audit import CellDifferences, CellTotals
from schemas.check import conform_table

KEYS: Final[dict[str, tuple[str, ...]]] = {
    "readings": ("reading_id",),
    "refusals": ("evidence_sha256", "record_no", "column_name", "reason"),
    "duplicates": ("reading_id", "evidence_sha256", "record_no"),
    "checks": ("certificate_id", "check"),
    "findings": ("finding_id",),
    "certificates": ("certificate_id",),
    "evidence": ("sha256",),
}
"""What names a row of each table; rows with the same name are told apart by their order."""

EVIDENCE_COLUMNS: Final = ("evidence_sha256", "sha256")


@dataclass(frozen=True, kw_only=True)
class Comparison:
    """``differences`` (schemas.audit.CellDifferences): every cell and row that is not the same. ``totals``
    (schemas.audit.CellTotals): one row a table.
    """

    differences: pd.DataFrame
    totals: pd.DataFrame


def compare_datasets(
    recorded: Mapping[str, pd.DataFrame],
    derived: Mapping[str, pd.DataFrame],
    *,
    not_derivable: Collection[str] = (),
) -> pd.DataFrame:
    """Every cell and row of ``recorded`` that is not what ``derived`` has (schemas.audit.CellDifferences).

    ``not_derivable``: SHA-256 of evidence that could not be read again; rows that rest on it are not called extra.
    The index of a recorded table is taken for the physical line of its file (reconcile.audit.csv_cells).
    """
    return compare_tables(recorded, derived, not_derivable=not_derivable).differences


def compare_tables(
    recorded: Mapping[str, pd.DataFrame],
    derived: Mapping[str, pd.DataFrame],
    *,
    not_derivable: Collection[str] = (),
) -> Comparison:
    """As ``compare_datasets``, with the totals of each table."""
    parts: list[pd.DataFrame] = []
    totals: list[dict[str, object]] = []
    for name in [*recorded, *(name for name in derived if name not in recorded)]:
        ours, theirs = recorded.get(name), derived.get(name)
        if ours is None or theirs is None:
            whole = ours if ours is not None else theirs
            assert whole is not None
            verdict = "extra" if theirs is None else "missing"
            parts.append(_rows(name, whole.index[:0], [], verdict))
            parts.append(_whole_table(name, verdict, len(whole)))
            totals.append(_total(name, len(whole), whole.size, whole.size))
            continue
        found = _compare_table(name, as_cells(ours), as_cells(theirs), frozenset(not_derivable))
        parts.append(found)
        columns = len({*ours.columns, *theirs.columns})
        whole_rows = int((found["column"].isna() & (found["verdict"] != "moved")).sum())
        bad = int(found["column"].notna().sum()) + whole_rows * columns
        rows = len(ours) + int((found["verdict"] == "missing").sum())
        totals.append(_total(name, rows, rows * columns, bad))
    differences = pd.concat(parts, ignore_index=True) if parts else pd.DataFrame()
    return Comparison(
        differences=conform_table(CellDifferences, differences),
        totals=conform_table(CellTotals, pd.DataFrame(totals, columns=["table", "rows", "cells", "same", "not_same"])),
    )


def _compare_table(name: str, ours: pd.DataFrame, theirs: pd.DataFrame, lost: frozenset[str]) -> pd.DataFrame:
    """The differences of one table; both are text cells."""
    our_keys, their_keys = _keys(name, ours), _keys(name, theirs)
    parts = []
    if len(ours) == len(theirs) and bool((our_keys.array == their_keys.array).all()):
        parts += _cells(name, ours, theirs, our_keys)
    else:
        place = pd.Series(np.arange(len(theirs)), index=their_keys)
        partner = our_keys.map(place)
        parts.append(_extra(name, ours[partner.isna().to_numpy()], our_keys[partner.isna().to_numpy()], lost))
        gone = ~their_keys.isin(our_keys).to_numpy()
        parts.append(_rows(name, theirs.index[gone], list(their_keys[gone]), "missing"))
        both = partner.notna().to_numpy()
        order = partner[both].astype(int).to_numpy()
        parts += _cells(name, ours[both], theirs.iloc[order], our_keys[both])
        moved = np.flatnonzero(np.diff(order) < 0)
        if len(moved):
            first = int(moved[0]) + 1
            parts.append(_rows(name, ours[both].index[first : first + 1], [our_keys[both].iloc[first]], "moved"))
    return pd.concat(parts, ignore_index=True) if parts else _rows(name, ours.index[:0], [], "extra")


def _cells(name: str, ours: pd.DataFrame, theirs: pd.DataFrame, keys: pd.Series) -> list[pd.DataFrame]:
    """Cells that differ between rows of the same key, column by column; a column that one side lacks is one row."""
    parts = []
    for column in [*ours.columns, *(column for column in theirs.columns if column not in ours.columns)]:
        if column not in theirs.columns or column not in ours.columns:
            verdict = "extra" if column in ours.columns else "missing"
            parts.append(_whole_table(name, verdict, len(ours), column=column))
            continue
        mine, other = ours[column].array, theirs[column].array
        unlike = np.flatnonzero(np.asarray(mine != other, dtype=bool))
        if not len(unlike):
            continue
        parts.append(
            pd.DataFrame(
                {
                    "table": name,
                    "key": keys.to_numpy(dtype=object)[unlike],
                    "column": column,
                    "verdict": "differs",
                    "recorded": mine.take(unlike),
                    "derived": other.take(unlike),
                    "where": _places(name, ours.index[unlike]),
                }
            )
        )
    if list(ours.columns) != list(theirs.columns) and set(ours.columns) == set(theirs.columns):
        parts.append(_whole_table(name, "moved", len(ours), column=", ".join(ours.columns)))
    return parts


def _extra(name: str, rows: pd.DataFrame, keys: pd.Series, lost: frozenset[str]) -> pd.DataFrame:
    """Rows that the evidence does not give; those whose evidence could not be read are not derivable."""
    found = _rows(name, rows.index, list(keys), "extra")
    for column in EVIDENCE_COLUMNS:
        if column in rows.columns and lost:
            found.loc[rows[column].isin(lost).to_numpy(), "verdict"] = "not derivable"
    return found


def _keys(name: str, table: pd.DataFrame) -> pd.Series:
    """The key of each row as one text; repeated keys are numbered."""
    columns = [column for column in KEYS.get(name, tuple(table.columns)) if column in table.columns]
    if not columns:
        columns = list(table.columns)
    keys = table[columns[0]].reset_index(drop=True) if columns else pd.Series([], dtype="str")
    for column in columns[1:]:
        keys = keys + "/" + table[column].reset_index(drop=True)
    if keys.is_unique:
        return keys
    nth = keys.groupby(keys).cumcount()
    return keys.where(nth == 0, keys + " #" + (nth + 1).astype("str"))


def _rows(name: str, index: pd.Index, keys: list[str], verdict: str) -> pd.DataFrame:
    """One row a whole row that is missing, extra or moved."""
    return pd.DataFrame(
        {
            "table": pd.Series([name] * len(keys), dtype="str"),
            "key": pd.Series(keys, dtype="str"),
            "column": pd.Series([None] * len(keys), dtype="str"),
            "verdict": pd.Series([verdict] * len(keys), dtype="str"),
            "recorded": pd.Series([None] * len(keys), dtype="str"),
            "derived": pd.Series([None] * len(keys), dtype="str"),
            "where": pd.Series([None] * len(keys) if verdict == "missing" else _places(name, index), dtype="str"),
        }
    )


def _whole_table(name: str, verdict: str, rows: int, *, column: str | None = None) -> pd.DataFrame:
    """One row for a whole table or a whole column."""
    what = f"the whole table, {rows} rows" if column is None else f"the whole column, {rows} rows"
    return pd.DataFrame(
        [{"table": name, "key": what, "column": column, "verdict": verdict, "where": f"{name}.csv"}]
    )  # fmt: skip


def _places(name: str, index: pd.Index) -> list[str]:
    if index.name == LINE:
        return [f"{name}.csv {LINE} {number}" for number in index]
    return [f"{name} row {number}" for number in index]


def _total(name: str, rows: int, cells: int, bad: int) -> dict[str, object]:
    return {"table": name, "rows": rows, "cells": cells, "same": cells - bad, "not_same": bad}
