"""Readings as they are stored: texts as codes, without what can be made again; as a checked table when asked for.

A rule of the readings schema looks at one row: at texts by what they are, at numbers by their range; only ids
are compared across rows. So it is enough to check rows that stand for all others, and the places of all.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from ingest.exports.distinct import Codes, combine, decode, first_rows
from schemas.check import conform_table
from schemas.errors import TableError
from schemas.readings import Readings

FILE: Final = "file"
JUDGED_TOGETHER: Final = ("quantity", "conductors", "unit", "comparator", "indication", "reason")
"""Texts that a rule looks at together, or together with the value."""


@dataclass(frozen=True)
class StoredReadings:
    """``table``: columns of schemas.readings.Readings without ids and evidence, and the number of the file in
    ``hashes`` that each row is from.
    """

    table: pa.Table
    hashes: Sequence[str]

    def frame(self, rows: Codes | None = None) -> pd.DataFrame:
        """The readings, or the chosen rows of them, as a checked table. Raises TableError."""
        return conform_table(Readings, self._frame(rows))

    def checked_frame(self) -> pd.DataFrame:
        """The readings as a table, checked by rows that stand for all. Raises TableError."""
        self.check()
        return self._frame()

    def _frame(self, rows: Codes | None = None) -> pd.DataFrame:
        table = self.table if rows is None else self.table.take(pa.array(rows))
        of_file = table[FILE].to_numpy().astype(np.int64)
        line, column = table["record_no"].to_numpy(), table["column_no"].to_numpy()
        columns = {
            "reading_id": reading_ids([sha256[:16] for sha256 in self.hashes], of_file, line, column),
            "evidence_sha256": decode(list(self.hashes), of_file),
            **{name: _plain(table[name]) for name in table.column_names if name != FILE},
        }
        frame: pd.DataFrame = pa.table(columns).combine_chunks().to_pandas(split_blocks=True)
        frame["memory_no"] = frame["memory_no"].astype("Int64")
        return frame

    def check(self) -> None:
        """Raises TableError where ``frame`` would: by rows that stand for all, and the places of all."""
        if len({sha256[:16] for sha256 in self.hashes}) != len(self.hashes):
            raise TableError("two exports have hashes that begin alike: ids of readings would not differ")
        if not _places_differ(self.table):
            raise TableError("two readings stand at the same place of one export")
        if self.table.num_rows:
            self.frame(representatives(self.table))


def join_stored(parts: Sequence[StoredReadings]) -> StoredReadings:
    """The readings of several parts as one, in their order; a file may have readings in more than one."""
    places = {
        sha256: place for place, sha256 in enumerate(dict.fromkeys(name for part in parts for name in part.hashes))
    }
    tables = []
    for part in parts:
        of_file = np.array([places[sha256] for sha256 in part.hashes] or [0], np.int32)[part.table[FILE].to_numpy()]
        tables.append(part.table.set_column(part.table.schema.get_field_index(FILE), FILE, pa.array(of_file)))
    return StoredReadings(pa.concat_tables(tables).unify_dictionaries().combine_chunks(), list(places))


def _plain(column: pa.ChunkedArray) -> pa.ChunkedArray:
    return column.cast(pa.string()) if pa.types.is_dictionary(column.type) else column


def reading_ids(prefixes: Sequence[str], of_file: Codes, line: Codes, column: Codes) -> pa.Array:
    """The id of each reading: sixteen digits of its evidence, its record, its column."""
    kinds, codes = np.unique(column, return_inverse=True)
    return pc.binary_join_element_wise(
        decode(prefixes, of_file), pa.array(line).cast(pa.string()), decode([str(kind) for kind in kinds], codes), "-"
    )


def _places_differ(table: pa.Table) -> bool:
    """True where no two rows have file, record and column alike."""
    file, line, column = (table[name].to_numpy().astype(np.int64) for name in (FILE, "record_no", "column_no"))
    before = (np.diff(file) > 0) | ((np.diff(file) == 0) & (np.diff(line) > 0))
    same_line = (np.diff(file) == 0) & (np.diff(line) == 0) & (np.diff(column) > 0)
    if (before | same_line).all():
        return True
    return len(np.unique(np.stack([file, line, column]), axis=1).T) == len(file)


def representatives(table: pa.Table) -> Codes:
    """Rows that keep the schema exactly when all rows do: every combination of judged texts with its least and greatest
    value, every other text once, the extremes and nulls of every column.
    """
    codes = {name: _codes(table[name]) for name in table.column_names if pa.types.is_dictionary(table[name].type)}
    kinds, _ = combine(*(codes[name] for name in JUDGED_TOGETHER))
    chosen = [first_rows(kinds), _extremes(kinds, table["value"].to_numpy())]
    chosen += [first_rows(column) for name, column in codes.items() if name not in JUDGED_TOGETHER]
    for name in table.column_names:
        column = table[name]
        if column.null_count:
            chosen.append(np.array([pc.index(column.is_null(), True).as_py()], np.int64))
        if pa.types.is_integer(column.type) or pa.types.is_floating(column.type):
            ends = pc.min_max(column)
            at = [pc.index(column, ends[end]).as_py() for end in ("min", "max") if ends[end].is_valid]
            chosen.append(np.array([row for row in at if row >= 0], np.int64))
    rows: Codes = np.unique(np.concatenate(chosen))
    return rows


def _codes(column: pa.ChunkedArray) -> Codes:
    """Codes of a coded column, 0 for null."""
    array = column.combine_chunks()
    array = array.chunk(0) if isinstance(array, pa.ChunkedArray) else array
    found: Codes = array.indices.fill_null(-1).to_numpy(zero_copy_only=False).astype(np.int64) + 1
    return found


def _extremes(kinds: Codes, values: np.ndarray) -> Codes:
    """For each kind the rows of its least and its greatest value."""
    known = np.flatnonzero(~np.isnan(values))
    if not len(known):
        return known
    order = known[np.lexsort((values[known], kinds[known]))] if len(known) < SMALL else _by_kind(kinds, values, known)
    edges = np.flatnonzero(np.diff(kinds[order])) + 1
    return np.concatenate([order[np.r_[0, edges]], order[np.r_[edges - 1, len(order) - 1]]])


SMALL: Final = 20_000


def _by_kind(kinds: Codes, values: np.ndarray, known: Codes) -> Codes:
    """For each kind its least and its greatest row, in the order of kinds, without sorting by value."""
    order = known[np.argsort(kinds[known].astype(np.uint16) if kinds.max() < 1 << 16 else kinds[known], kind="stable")]
    edges = np.r_[0, np.flatnonzero(np.diff(kinds[order])) + 1, len(order)]
    found = []
    for start, end in pairwise(edges):
        part = values[order[start:end]]
        found += [order[start + int(part.argmin())], order[start + int(part.argmax())]]
    return np.array(found, np.int64)
