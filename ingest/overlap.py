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

from schemas.check import conform_table
from schemas.readings import Conflicts, Duplicates

PLACE: Final = ["evidence_sha256", "record_no", "column_no"]
MEASURED: Final = ["quantity", "conductors", "test_voltage_v", "rcd_multiple"]
CONTENT: Final = ["value", "comparator", "indication", "reason"]


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
    held = readings["evidence_sha256"].map(readings["evidence_sha256"].value_counts()).astype("int64")
    ordered = readings.assign(fuller=-held).sort_values(["fuller", *PLACE], kind="stable").reset_index(drop=True)
    ordered = ordered.drop(columns="fuller")
    meter = ordered["meter_serial"].fillna("evidence " + ordered["evidence_sha256"])
    timed, slotted = ordered["meter_time"].notna(), ordered["memory_no"].notna()
    nth = _nth(ordered)
    slot = _codes([meter, ordered["memory_no"], ordered["meter_time"], *(ordered[name] for name in MEASURED), nth])
    content = _codes([ordered[name] for name in CONTENT])
    first = np.arange(len(ordered))
    with_slot = (timed & slotted).to_numpy()
    _stand_once(first, with_slot, _codes([pd.Series(slot), pd.Series(content)]))
    known = (timed & ~slotted & ordered["meter_serial"].notna()).to_numpy()
    record = _codes([meter, ordered["meter_time"], ordered["label"].fillna(""), pd.Series(content),
                     *(ordered[name] for name in MEASURED)])  # fmt: skip
    copy = pd.DataFrame({"record": record, "evidence": ordered["evidence_sha256"]})
    copy_no = copy.groupby(["record", "evidence"], observed=True).cumcount()
    _stand_once(first, known, _codes([pd.Series(record), copy_no]))
    if memories:
        memory = ordered["evidence_sha256"].map(dict(memories)).astype("str")
        untimed = (~timed & slotted & memory.notna()).to_numpy()
        of_memory = [memory, ordered["memory_no"], *(ordered[name] for name in MEASURED), nth, pd.Series(content)]
        _stand_once(first, untimed, _codes(of_memory))
    stands = first == np.arange(len(ordered))
    return Resolved(
        readings=ordered[stands].sort_values(PLACE, kind="stable").reset_index(drop=True),
        duplicates=_duplicates(ordered, first, stands),
        conflicts=_conflicts(ordered, with_slot & stands, slot),
    )


def _nth(ordered: pd.DataFrame) -> pd.Series:
    """The how-manieth of its kind a reading is in its own record: a row can hold two trip times."""
    return ordered.groupby([*PLACE[:2], *MEASURED], dropna=False, observed=True).cumcount()


def _codes(columns: list[pd.Series]) -> npt.NDArray[np.int64]:
    """One whole number for each distinct combination; nulls are equal to each other."""
    joined = np.zeros(len(columns[0]), dtype=np.int64)
    for column in columns:
        codes, values = pd.factorize(column, use_na_sentinel=False)
        joined, _ = pd.factorize(joined * (len(values) + 1) + codes)
    return joined.astype(np.int64, copy=False)


def _stand_once(first: npt.NDArray[np.int64], chosen: npt.NDArray[np.bool_], keys: npt.NDArray[np.int64]) -> None:
    """Point each chosen row at the first chosen row of the same key."""
    rows = np.flatnonzero(chosen)
    codes, values = pd.factorize(keys[rows])
    earliest = np.full(len(values), -1, dtype=np.int64)
    earliest[codes[::-1]] = rows[::-1]
    first[rows] = earliest[codes]


def _duplicates(ordered: pd.DataFrame, first: npt.NDArray[np.int64], stands: npt.NDArray[np.bool_]) -> pd.DataFrame:
    again = ordered.loc[~stands, [*PLACE, "column_name", "raw_text"]]
    again = again.assign(reading_id=ordered["reading_id"].to_numpy()[first[~stands]])
    return conform_table(Duplicates, again.sort_values(["reading_id", *PLACE]).reset_index(drop=True))


def _conflicts(ordered: pd.DataFrame, chosen: npt.NDArray[np.bool_], slot: npt.NDArray[np.int64]) -> pd.DataFrame:
    """Rows that share slot, time and quantity and still differ: after duplicates are gone, whatever is left twice."""
    rows = pd.DataFrame({"slot": slot[chosen], "reading_id": ordered.loc[chosen, "reading_id"].to_numpy()})
    rows = rows[rows["slot"].duplicated(keep=False)]
    conflict_id = "conflict-" + rows.groupby("slot")["reading_id"].transform("min")
    return conform_table(Conflicts, rows.assign(conflict_id=conflict_id).sort_values(["conflict_id", "reading_id"]))
