"""Exports that overlap: each stored record stands once, what differs is shown, nothing is chosen.

A record is told by its meter, memory slot, time, quantity and conductors. With the same value it is the same record
seen again; with another value it is a conflict. The same slot at another time is another record: memory counters
restart. Records without a slot are told by meter, time, label and value, and stand as often as the fullest export has
them. Records without a time are joined only where two conversations are known to have read the same memory. A meter
without a serial number is known only inside one export.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa

from ingest.exports.distinct import Codes, Distinct, combine, distinct
from schemas.check import conform_table
from schemas.readings import Conflicts, Duplicates

PLACE: Final = ["evidence_sha256", "record_no", "column_no"]
MEASURED: Final = ("quantity", "conductors", "test_voltage_v", "rcd_multiple")
CONTENT: Final = ("value", "comparator", "indication", "reason")


@dataclass(frozen=True, kw_only=True)
class Resolved:
    """The readings that stand, in their order, and what was found twice or in conflict."""

    readings: pd.DataFrame
    duplicates: pd.DataFrame
    conflicts: pd.DataFrame


def resolve_overlap(readings: pd.DataFrame, memories: Mapping[str, str] | None = None) -> Resolved:
    """Each stored record once, with duplicates (schemas.readings.Duplicates) and conflicts (Conflicts) apart.

    Shape: rows of ``readings`` = rows that stand + rows of ``duplicates``. Of records that are the same, the one in the
    evidence with most readings stands (then the smallest hash, line and column): a whole memory is not torn apart by a
    short overlap of it, and the order of imports changes nothing. ``memories``: conversation (SHA-256) to the name of
    the meter's memory that it read, where two are known to have read the same one.
    """
    evidence, hashes = _evidence(readings)
    by_place = _sorted((readings["column_no"].to_numpy(), readings["record_no"].to_numpy(), evidence))
    held = np.bincount(evidence, minlength=len(hashes))
    order = by_place[_sorted((-held[evidence[by_place]],))]
    cells = _Cells(readings, order, evidence[order])
    first = np.arange(len(order))
    slot, with_slot = _same_slot(cells, first)
    _same_moment(cells, first)
    if memories:
        _same_memory(cells, first, [memories.get(sha256) for sha256 in hashes])
    stands = first == np.arange(len(order))
    kept = np.zeros(len(order), dtype=bool)
    kept[order[stands]] = True
    return Resolved(
        readings=_rows(readings, by_place[kept[by_place]]),
        duplicates=_duplicates(readings, order, first, stands),
        conflicts=_conflicts(readings, order, slot, with_slot & stands),
    )


class _Cells:
    """The columns of the readings as codes, in the order in which one stands before another."""

    def __init__(self, readings: pd.DataFrame, order: Codes, evidence: Codes) -> None:
        self._readings, self._order, self.evidence = readings, order, evidence
        self.timed, self.slotted = self._known("meter_time"), self._known("memory_no")
        self.named = self._known("meter_serial")
        serial = self.codes("meter_serial")
        self.meter = np.where(self.named, serial, serial.max(initial=0) + 1 + evidence)
        self.measured = _joined(*(self.codes(name) for name in MEASURED))
        self.content = _joined(*(self.codes(name) for name in CONTENT))
        # The how-manieth of its kind a reading is in its own record: a row can hold two trip times.
        self.nth = _nth(_joined(evidence, self.codes("record_no"), self.measured))

    def codes(self, name: str, *, null_is_empty: bool = False) -> Codes:
        """The codes of one column: alike where the cells are; nulls are alike."""
        column = self._readings[name]
        return _codes(column.fillna("") if null_is_empty else column)[self._order]

    def _known(self, name: str) -> npt.NDArray[np.bool_]:
        known: npt.NDArray[np.bool_] = self._readings[name].notna().to_numpy()[self._order]
        return known


def _same_slot(cells: _Cells, first: Codes) -> tuple[Codes, npt.NDArray[np.bool_]]:
    """The slot of each record, and whether it has one with a time; what stands in one alike is joined."""
    with_slot = cells.timed & cells.slotted
    time, memory = cells.codes("meter_time"), cells.codes("memory_no")
    slot = _joined(cells.meter, memory, time, cells.measured, cells.nth)
    _stand_once(first, with_slot, _joined(slot, cells.content))
    return slot, with_slot


def _same_moment(cells: _Cells, first: Codes) -> None:
    """Join records without a slot, by meter, time, label and content."""
    known = cells.timed & ~cells.slotted & cells.named
    if not known.any():
        return
    label = cells.codes("label", null_is_empty=True)
    record = _joined(cells.meter, cells.codes("meter_time"), label, cells.content, cells.measured)
    _stand_once(first, known, _joined(record, _nth(_joined(record, cells.evidence))))


def _same_memory(cells: _Cells, first: Codes, memory_of: list[str | None]) -> None:
    """Join records without a time that two conversations read from one memory. ``memory_of``: of each evidence."""
    names = pd.factorize(pd.Series(memory_of, dtype="str"))[0]
    memory = names[cells.evidence]
    untimed = ~cells.timed & cells.slotted & (memory >= 0)
    slot = _joined(memory + 1, cells.codes("memory_no"), cells.measured, cells.nth)
    _stand_once(first, untimed, _joined(slot, cells.content))


def _evidence(readings: pd.DataFrame) -> tuple[Codes, list[str]]:
    """The evidence of each row as the place of its hash among all, which are in rising order."""
    found = _distinct(readings["evidence_sha256"])
    hashes = [str(text) for text in found.texts] if len(readings) else []
    rising = sorted(range(len(hashes)), key=hashes.__getitem__)
    place = np.empty(len(hashes), dtype=np.int64)
    place[rising] = np.arange(len(hashes))
    return (place[found.codes] if len(hashes) else found.codes), [hashes[at] for at in rising]


def _distinct(column: pd.Series) -> Distinct:
    """The distinct texts of a column."""
    array = pa.Array.from_pandas(column)
    return distinct(array.combine_chunks() if isinstance(array, pa.ChunkedArray) else array)


def _sorted(keys: tuple[npt.NDArray[np.int64], ...]) -> Codes:
    """The rows in order of ``keys``, the last one counting most; nothing is sorted that is in order already."""
    before = np.ones(max(len(keys[0]) - 1, 0), dtype=bool)
    for key in keys:
        step = np.diff(key)
        before = (step > 0) | ((step == 0) & before)
    rows: Codes = np.arange(len(keys[0])) if before.all() else np.asarray(np.lexsort(keys), dtype=np.int64)
    return rows


def _codes(column: pd.Series) -> Codes:
    """One whole number for each distinct cell; nulls are equal to each other."""
    if column.dtype == "str":
        return _distinct(column).codes
    if pd.api.types.is_datetime64_any_dtype(column.dtype):
        column = column.astype("int64")
    codes, _ = pd.factorize(column.array, use_na_sentinel=False)
    return np.asarray(codes, dtype=np.int64)


def _joined(*columns: Codes) -> Codes:
    """One whole number, counted from 0, for each distinct combination of codes."""
    return combine(*columns)[0]


def _nth(keys: Codes) -> Codes:
    """How many rows before it have the key of each row."""
    if int(keys.max(initial=-1)) + 1 == len(keys):
        return np.zeros(len(keys), dtype=np.int64)
    return np.asarray(pd.Series(keys).groupby(keys).cumcount(), dtype=np.int64)


def _stand_once(first: Codes, chosen: npt.NDArray[np.bool_], keys: Codes) -> None:
    """Point each chosen row at the first chosen row of the same key."""
    rows = np.flatnonzero(chosen)
    earliest = np.full(int(keys.max(initial=-1)) + 1, -1, dtype=np.int64)
    earliest[keys[rows[::-1]]] = rows[::-1]
    first[rows] = earliest[keys[rows]]


def _rows(readings: pd.DataFrame, rows: Codes) -> pd.DataFrame:
    """The chosen rows, numbered anew; the table itself where they are all of them in order."""
    if len(rows) == len(readings) and (np.diff(rows) == 1).all():
        return readings.reset_index(drop=True)
    return readings.take(rows).reset_index(drop=True)


def _duplicates(readings: pd.DataFrame, order: Codes, first: Codes, stands: npt.NDArray[np.bool_]) -> pd.DataFrame:
    again = readings[[*PLACE, "column_name", "raw_text"]].take(order[~stands])
    again = again.assign(reading_id=readings["reading_id"].take(order[first[~stands]]).array)
    return conform_table(Duplicates, again.sort_values(["reading_id", *PLACE]).reset_index(drop=True))


def _conflicts(readings: pd.DataFrame, order: Codes, slot: Codes, chosen: npt.NDArray[np.bool_]) -> pd.DataFrame:
    """Rows that share slot, time and quantity and still differ: after duplicates are gone, whatever is left twice."""
    shared = np.flatnonzero(chosen & (np.bincount(slot[chosen], minlength=int(slot.max(initial=0)) + 1)[slot] > 1))
    rows = pd.DataFrame({"slot": slot[shared], "reading_id": readings["reading_id"].take(order[shared]).array})
    conflict_id = "conflict-" + rows.groupby("slot")["reading_id"].transform("min")
    return conform_table(Conflicts, rows.assign(conflict_id=conflict_id).sort_values(["conflict_id", "reading_id"]))
