"""Records to tables: readings and refusals of many files at once, validated in one go."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from ingest.cells.numbers import NumberStyle
from ingest.cells.text import fold, fold_name
from ingest.exports.bytes_of import only_digits
from ingest.exports.clockings import Clocking
from ingest.exports.distinct import Codes, coded, combine, compact, decode, distinct
from ingest.exports.meanings import Named, name_records
from ingest.exports.proofs import Place, Proofs, join_proofs
from ingest.exports.records import BROKEN, Records
from ingest.exports.roles import parse_memory_no
from ingest.exports.stored import CASE, FILE, StoredReadings
from ingest.exports.times import Moments, read_moments
from ingest.exports.values import SIGNS, Values, read_values
from ingest.exports.zones import NEVER, Zones
from schemas.check import conform_table, empty_table
from schemas.quantities import QUANTITIES
from schemas.readings import Refusals

Rows = Codes | slice
"""Positions of rows in the order wanted; a slice where all are wanted as they stand."""
Decided = tuple[Mapping[tuple[Place, int], NumberStyle], Mapping[Place, Clocking]]
MEMORY_DIGITS: Final = 12
BROKEN_NAMES: Final = list(BROKEN)
UNREADABLE: Final = ("quotes", "shifted", "no identity", "summary")
"""What is wrong with a row, where its refusal has the reason "unreadable"."""


@dataclass(frozen=True, kw_only=True)
class FileFacts:
    """What is known of one file of a batch."""

    sha256: str
    zones: Zones
    date_order: str | None = None


@dataclass(frozen=True, kw_only=True)
class Assembled:
    """Readings and refusals of a batch, with the number of the file each row is from.

    ``decided`` is how separators and dates of each place were read, ``proofs`` what the cells prove about them.
    """

    readings: StoredReadings
    refusals: pd.DataFrame
    reading_file: Codes
    refusal_file: Codes
    decided: Decided
    proofs: Proofs


@dataclass(frozen=True, kw_only=True)
class Understood:
    """Records with everything that was understood of them."""

    records: Records
    files: Sequence[FileFacts]
    of_file: Codes
    kinds: Codes
    named: Sequence[Named]
    values: Values
    moments: Moments


def assemble(records: Records, files: Sequence[FileFacts], proofs: Proofs | None = None) -> Assembled:
    """Every record as one reading or one refusal. Cells of wide tables that say "not measured" are no records.

    Order kept: by file, then line, then column. ``proofs``: what other parts of a file that is read in parts prove.
    """
    file_no = np.array([table.file_no for table in records.tables] or [0], dtype=np.int64)
    kinds, named = name_records(records)
    values, styles, of_values = read_values(records, kinds, named, proofs or Proofs())
    moments, clockings, of_times = read_moments(
        records, [file.zones for file in files], [file.date_order for file in files], proofs or Proofs()
    )
    told = Understood(
        records=records, files=files, of_file=file_no[records.table], kinds=kinds, named=named, values=values,
        moments=moments,
    )  # fmt: skip
    broken, refusal = records.broken != 0, told.values.refused
    absent = told.values.absent & (records.test >= 0)
    order = _order(told.of_file, records.record_no, records.column)
    read = _chosen(order, ~(refusal | broken))
    refused = _chosen(order, (refusal & ~absent) | broken)
    return Assembled(
        readings=_readings(told, read), refusals=_refusals(told, refused), reading_file=told.of_file[read],
        refusal_file=told.of_file[refused], decided=(styles, clockings), proofs=join_proofs([of_values, of_times]),
    )  # fmt: skip


def _order(of_file: Codes, line: Codes, column: Codes) -> Codes | None:
    """Rows by file, line, column; None where they already are."""
    same_file = np.diff(of_file) == 0
    if (np.where(same_file, np.diff(line), np.diff(of_file)) > 0).all():
        return None
    return np.lexsort((column, line, of_file))


def _chosen(order: Codes | None, wanted: npt.NDArray[np.bool_]) -> Rows:
    """The wanted rows in order; a slice where they are all of them, which copies nothing."""
    if order is not None:
        chosen: Codes = order[wanted[order]]
        return chosen
    return slice(None) if wanted.all() else np.flatnonzero(wanted)


def _readings(told: Understood, rows: Rows) -> StoredReadings:
    """The readings as they are stored."""
    records = told.records
    cases, used = compact(told.values.codes[rows], len(told.values.value))
    columns: dict[str, Any] = {
        FILE: told.of_file[rows].astype(np.int32),
        CASE: cases.astype(np.int32),
        "record_no": records.record_no[rows],
        "column_no": records.column[rows],
        "column_name": _column_names(records, rows, several=True),
        "meter_serial": _names(records, "meter_serial", rows),
        "memory_no": _memory(records, rows),
        "meter_time": _moments(told.moments.local_ns[rows], None),
        "stamped_at": _moments(told.moments.utc_ns[rows], "UTC"),
        "time_reason": coded(told.moments.reasons, told.moments.reason[rows]),
        "label": _names(records, "label", rows),
    }
    return StoredReadings(pa.table(columns), _cases(told, used), [file.sha256 for file in told.files])


def _cases(told: Understood, used: Codes) -> pa.Table:
    """What the cells of readings say, each distinct case once."""
    values, meanings = told.values, [one.meaning for one in told.named]
    kinds, sign = values.kinds[used], values.sign[used]
    units = [None, *(QUANTITIES[one.quantity].unit if one.quantity else None for one in meanings)]
    columns: dict[str, Any] = {
        "raw_text": values.texts.take(pa.array(used)),
        "quantity": decode([one.quantity for one in meanings], kinds),
        "conductors": decode([one.conductors for one in meanings], kinds),
        "value": values.value[used],
        "unit": decode(units, np.where(sign != 0, kinds + 1, 0)),
        "comparator": decode(SIGNS, sign.astype(np.int64)),
        "indication": pa.array(values.pick("indication", used), pa.string()),
        "reason": pa.array(values.pick("reason", used), pa.string()),
        "resolution": values.resolution[used],
        "test_voltage_v": np.array([one.test_voltage_v or np.nan for one in meanings] or [np.nan])[kinds],
        "rcd_multiple": np.array([one.rcd_multiple or np.nan for one in meanings] or [np.nan])[kinds],
    }
    return pa.table(columns)


def pick_rows(column: pa.Array, rows: Rows) -> pa.Array:
    """The chosen rows."""
    return column if isinstance(rows, slice) else column.take(pa.array(rows))


def _moments(nanoseconds: npt.NDArray[np.int64], zone: str | None) -> pa.Array:
    return pa.array(nanoseconds, mask=nanoseconds == NEVER).cast(pa.timestamp("ns", tz=zone))


def _column_names(records: Records, rows: Rows, *, several: bool) -> pa.DictionaryArray:
    """The heading of each value; for readings only where a row holds several, for refusals always."""
    texts: list[str | None] = []
    inverse, (tables, tests) = combine(records.table[rows], records.test[rows] + 1)
    for table, test_code in zip(tables, tests, strict=True):
        plan, test = records.tables[table].plan, int(test_code) - 1
        if test >= 0:
            texts.append(plan.tests[test].heading if len(plan.tests) > 1 or not several else None)
        else:
            texts.append(None if several or plan.value is None else plan.headings[plan.value])
    return coded(texts, inverse)


def _names(records: Records, name: str, rows: Rows) -> pa.DictionaryArray:
    """Label or serial: the cell, or what the preamble says where there is none."""
    column = distinct(records.text(name))
    written = fold_name if name == "label" else fold
    cells = [clean_name(written(text)) if text else None for text in column.texts]
    codes, (of_cell, tables) = combine(column.codes[rows], records.table[rows])
    told = [
        getattr(records.tables[table].context, name) if cells[cell] is None else cells[cell]
        for cell, table in zip(of_cell, tables, strict=True)
    ]
    return coded(told, codes)


def clean_name(text: str) -> str | None:
    """A folded name without what spreadsheets wrap around text (``="0012"``, a leading apostrophe)."""
    name = text.replace("\x00", "")
    if name.startswith('="') and name.endswith('"'):
        name = name[2:-1]
    return " ".join(name.removeprefix("'").split()) or None


def _memory(records: Records, rows: Rows) -> pa.Array:
    column = pick_rows(records.text("memory_no"), rows)
    if len(column) and (numbers := _plain_numbers(column)) is not None:
        return numbers
    found = distinct(column)
    numbers = pa.array([None if text is None else parse_memory_no(text) for text in found.texts], pa.int64())
    return numbers.take(pa.array(found.codes))


@cache
def no_refusals() -> pd.DataFrame:
    """The refusals table without rows, checked once."""
    return empty_table(Refusals)


def _plain_numbers(column: pa.Array) -> pa.Array | None:
    """Whole numbers, where every text is at most twelve digits and nothing else; None where not."""
    lengths = pc.min_max(pc.binary_length(column)).as_py()
    if column.null_count or lengths["min"] < 1 or lengths["max"] > MEMORY_DIGITS:
        return None
    if not only_digits(column):
        return None
    try:
        return column.cast(pa.int64())
    except pa.ArrowInvalid:
        return None


def _refusals(told: Understood, rows: Rows) -> pd.DataFrame:
    records, cases = told.records, told.values.codes[rows]
    if not len(cases):
        return no_refusals().copy()
    broken, values = records.broken[rows], told.values
    of_table = records.table[rows]
    reasons, messages = values.pick("refusal")[cases], values.pick("message")[cases]
    for at in np.flatnonzero(broken):
        name = BROKEN_NAMES[broken[at]]
        detail = records.tables[of_table[at]].detail
        reasons[at], messages[at] = ("unreadable" if name in UNREADABLE else name), detail or BROKEN[name]
    columns = {
        "evidence_sha256": decode([file.sha256 for file in told.files], told.of_file[rows]),
        "record_no": records.record_no[rows],
        "column_name": _column_names(records, rows, several=False).dictionary_decode(),
        "raw_text": pick_rows(records.text("raw_text"), rows),
        "reason": pa.array(reasons, pa.string()),
        "message": pa.array(messages, pa.string()),
    }
    return conform_table(Refusals, pa.table(columns).to_pandas())
