"""Readings as they are stored: what a cell says once for all cells that say the same, and where each of them stands.

What can be made again (ids, the hash of the evidence) is not stored. A rule of the readings schema looks at one row: at
texts by what they are, at numbers by their range; only ids are compared across rows. So it is enough to check rows
that stand for all others, and the places of all.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from ingest.exports.distinct import Codes, combine, decode, distinct, first_rows
from schemas.check import conform_table
from schemas.errors import TableError
from schemas.readings import Readings

FILE: Final = "file"
CASE: Final = "case"
JUDGED_TOGETHER: Final = ("quantity", "conductors", "unit", "comparator", "indication", "reason")
"""Texts that a rule looks at together, or together with the value."""


@dataclass(frozen=True)
class StoredReadings:
    """``rows``: one row a reading: the number of its file in ``hashes``, of its case in ``cases``, and the columns of
    schemas.readings.Readings that tell one reading of a case from another. ``cases``: the other columns, one row for
    each cell and meaning that occurs.
    """

    rows: pa.Table
    cases: pa.Table
    hashes: Sequence[str]

    def frame(self) -> pd.DataFrame:
        """The readings as a checked table. Raises TableError."""
        return conform_table(Readings, _as_frame(self.arrow()))

    def standing(self) -> pd.DataFrame:
        """Rows that stand for all: they keep the schema exactly when all rows do (``check_standing``).

        Raises TableError where the places of the readings do not differ.
        """
        if len({sha256[:16] for sha256 in self.hashes}) != len(self.hashes):
            raise TableError("two exports have hashes that begin alike: ids of readings would not differ")
        if not _places_differ(self.rows):
            raise TableError("two readings stand at the same place of one export")
        return _as_frame(self.arrow(self.representatives() if self.rows.num_rows else None))

    def arrow(self, chosen: Codes | None = None) -> pa.Table:
        """The readings, or the chosen rows of them, with the columns of schemas.readings.Readings; not checked."""
        rows = self.rows if chosen is None else self.rows.take(pa.array(chosen))
        of_file, case = (rows[name].to_numpy().astype(np.int64) for name in (FILE, CASE))
        line, column = rows["record_no"].to_numpy(), rows["column_no"].to_numpy()
        made = {
            "reading_id": reading_ids([sha256[:16] for sha256 in self.hashes], of_file, line, column),
            "evidence_sha256": decode(list(self.hashes), of_file),
            **{name: _plain(rows[name]) for name in rows.column_names if name not in (FILE, CASE)},
            **{name: _one(self.cases[name]).take(pa.array(case)) for name in self.cases.column_names},
        }
        return pa.table({name: made[name] for name in Readings.to_schema().columns})

    def representatives(self) -> Codes:
        """Rows that keep the schema exactly when all rows do: every combination of judged texts with its least and
        greatest value, every text of a row once, the extremes and nulls of every column.
        """
        used, first = _first_of_each(self.rows[CASE].to_numpy(), self.cases.num_rows)
        cases = self.cases if len(used) == self.cases.num_rows else self.cases.take(pa.array(used))
        kinds, _ = combine(*(distinct(_one(cases[name])).codes for name in JUDGED_TOGETHER))
        standing = np.concatenate([first_rows(kinds), _extremes(kinds, cases["value"].to_numpy()), _ends(cases)])
        chosen = [first[used[standing]], _ends(self.rows)]
        for column in self.rows.columns:
            if pa.types.is_dictionary(column.type):
                array = _one(column)
                codes = array.indices.fill_null(len(array.dictionary)).to_numpy(zero_copy_only=False)
                places, row = _first_of_each(codes, len(array.dictionary) + 1)
                chosen.append(row[places])
        rows: Codes = np.unique(np.concatenate(chosen))
        return rows


def check_standing(parts: Sequence[pd.DataFrame]) -> None:
    """Raises TableError where a reading breaks its schema: ``parts`` are rows that stand for all (``standing``)."""
    if parts:
        conform_table(Readings, pd.concat(parts, ignore_index=True))


def join_readings(parts: Sequence[StoredReadings]) -> pd.DataFrame:
    """The readings of several parts as one table, in their order, checked by rows that stand for all.

    Shape: the rows of a file are in one part, or in several that follow each other. Raises TableError.
    """
    hashes = {sha256 for part in parts for sha256 in part.hashes}
    if len({sha256[:16] for sha256 in hashes}) != len(hashes):
        raise TableError("two exports have hashes that begin alike: ids of readings would not differ")
    check_standing([part.standing() for part in parts])
    return _as_frame(pa.concat_tables([part.arrow() for part in parts]).combine_chunks())


def _as_frame(table: pa.Table) -> pd.DataFrame:
    frame: pd.DataFrame = table.to_pandas(split_blocks=True)
    frame["memory_no"] = frame["memory_no"].astype("Int64")
    return frame


def _plain(column: pa.ChunkedArray) -> pa.ChunkedArray:
    return column.cast(pa.string()) if pa.types.is_dictionary(column.type) else column


def _one(column: pa.ChunkedArray) -> pa.Array:
    array = column.combine_chunks()
    return array.chunk(0) if isinstance(array, pa.ChunkedArray) else array


def reading_ids(prefixes: Sequence[str], of_file: Codes, line: Codes, column: Codes) -> pa.Array:
    """The id of each reading: sixteen digits of its evidence, its record, its column."""
    kinds, codes = np.unique(column, return_inverse=True)
    return pc.binary_join_element_wise(
        decode(prefixes, of_file), pa.array(line).cast(pa.string()), decode([str(kind) for kind in kinds], codes), "-"
    )


def _places_differ(rows: pa.Table) -> bool:
    """True where no two rows have file, record and column alike."""
    file, line, column = (rows[name].to_numpy() for name in (FILE, "record_no", "column_no"))
    next_file, next_line = np.diff(file), np.diff(line)
    before = np.where(next_file == 0, next_line, next_file)
    if (before > 0).all() or ((before > 0) | ((before == 0) & (np.diff(column) > 0))).all():
        return True
    return len(np.unique(np.stack([file, line, column]).astype(np.int64), axis=1).T) == len(file)


def _first_of_each(codes: np.ndarray, count: int) -> tuple[Codes, Codes]:
    """The codes below ``count`` that occur, and by code a row at which it does."""
    first = np.full(count, -1, np.int64)
    first[codes] = np.arange(len(codes))
    return np.flatnonzero(first >= 0), first


def _ends(table: pa.Table) -> Codes:
    """Rows with the least and the greatest number of each column, and with a null."""
    found: list[int] = []
    for column in table.columns:
        if column.null_count:
            found.append(pc.index(column.is_null(), True).as_py())
        if pa.types.is_integer(column.type) or pa.types.is_floating(column.type):
            ends = pc.min_max(column)
            found += [pc.index(column, ends[end]).as_py() for end in ("min", "max") if ends[end].is_valid]
    return np.array([row for row in found if row >= 0], np.int64)


def _extremes(kinds: Codes, values: np.ndarray) -> Codes:
    """For each kind the rows of its least and its greatest value."""
    known = np.flatnonzero(~np.isnan(values))
    if not len(known):
        return known
    order = known[np.lexsort((values[known], kinds[known]))]
    edges = np.flatnonzero(np.diff(kinds[order])) + 1
    return np.concatenate([order[np.r_[0, edges]], order[np.r_[edges - 1, len(order) - 1]]])
