"""Records to tables: readings and refusals of many files at once, validated in one go."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from ingest.cells.numbers import NumberStyle
from ingest.cells.text import fold
from ingest.exports.clockings import Clocking
from ingest.exports.distinct import Codes, coded, combine, decode, distinct
from ingest.exports.meanings import Named, name_records
from ingest.exports.proofs import Place, Proofs, join_proofs
from ingest.exports.records import BROKEN, Records
from ingest.exports.roles import parse_memory_no
from ingest.exports.times import Moments, read_moments
from ingest.exports.values import SIGNS, Values, read_values
from ingest.exports.zones import NEVER, Zones
from schemas.check import conform_table, empty_table
from schemas.quantities import QUANTITIES
from schemas.readings import Readings, Refusals

Decided = tuple[Mapping[tuple[Place, int], NumberStyle], Mapping[Place, Clocking]]
BROKEN_NAMES: Final = list(BROKEN)


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

    readings: pd.DataFrame
    stored: pa.Table
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
    read = order[(~refusal & ~broken)[order]]
    refused = order[((refusal & ~absent) | broken)[order]]
    readings, stored = _readings(told, read)
    return Assembled(
        readings=readings, stored=stored, refusals=_refusals(told, refused), reading_file=told.of_file[read],
        refusal_file=told.of_file[refused], decided=(styles, clockings), proofs=join_proofs([of_values, of_times]),
    )  # fmt: skip


def _order(of_file: Codes, line: Codes, column: Codes) -> Codes:
    """Rows by file, line, column; nothing is moved where they already are."""
    later = (np.diff(of_file) > 0) | ((np.diff(of_file) == 0) & (np.diff(line) > 0))
    if later.all():
        return np.arange(len(line))
    return np.lexsort((column, line, of_file))


def _readings(told: Understood, rows: Codes) -> tuple[pd.DataFrame, pa.Table]:
    """The readings, checked; and the same as they are stored: texts as codes, without what can be made again."""
    records, kinds, cases = told.records, told.kinds[rows], told.values.codes[rows]
    values, meanings = told.values, [one.meaning for one in told.named]
    units = [None, *(QUANTITIES[one.quantity].unit if one.quantity else None for one in meanings)]
    has_number = values.sign[cases] != 0
    of_file, line, column = told.of_file[rows], records.record_no[rows], records.column[rows]
    columns: dict[str, Any] = {
        "record_no": line,
        "column_no": column,
        "column_name": _column_names(records, rows, several=True),
        "raw_text": pick_rows(records.text("raw_text"), rows),
        "meter_serial": _names(records, "meter_serial", rows),
        "memory_no": _memory(records, rows),
        "meter_time": _moments(told.moments.local_ns[rows], None),
        "stamped_at": _moments(told.moments.utc_ns[rows], "UTC"),
        "time_reason": coded(told.moments.reasons, told.moments.reason[rows]),
        "quantity": coded([one.quantity for one in meanings], kinds),
        "conductors": coded([one.conductors for one in meanings], kinds),
        "value": values.value[cases],
        "unit": coded(units, np.where(has_number, kinds + 1, 0)),
        "comparator": coded(SIGNS, values.sign[cases].astype(np.int64)),
        "indication": coded(pa.array(values.pick("indication"), pa.string()), cases),
        "reason": coded(pa.array(values.pick("reason"), pa.string()), cases),
        "resolution": values.resolution[cases],
        "test_voltage_v": np.array([one.test_voltage_v or np.nan for one in meanings] or [np.nan])[kinds],
        "rcd_multiple": np.array([one.rcd_multiple or np.nan for one in meanings] or [np.nan])[kinds],
        "label": _names(records, "label", rows),
    }
    ids = {
        "reading_id": reading_ids([file.sha256[:16] for file in told.files], of_file, line, column),
        "evidence_sha256": decode([file.sha256 for file in told.files], of_file),
    }
    stored = pa.table({"file": of_file.astype(np.int32), **columns})
    return readings_frame(ids, stored.drop_columns("file")), stored


def readings_frame(ids: Mapping[str, pa.Array], stored: pa.Table) -> pd.DataFrame:
    """The readings table, checked, from its stored columns and what was left out of them."""
    columns = {**ids, **dict(zip(stored.column_names, stored.columns, strict=True))}
    texts = {
        name: column.cast(pa.string()) if pa.types.is_dictionary(column.type) else column
        for name, column in columns.items()
    }
    frame: pd.DataFrame = pa.table(texts).to_pandas(split_blocks=True)
    frame["memory_no"] = frame["memory_no"].astype("Int64")
    return conform_table(Readings, frame)


def pick_rows(column: pa.Array, rows: Codes) -> pa.Array:
    """The chosen rows; the column itself where they are all of them in order."""
    if len(rows) == len(column) and (len(rows) == 0 or (rows[0] == 0 and (np.diff(rows) == 1).all())):
        return column
    return column.take(pa.array(rows))


def reading_ids(prefixes: Sequence[str], of_file: Codes, line: Codes, column: Codes) -> pa.Array:
    """The id of each reading: sixteen digits of its evidence, its record, its column."""
    return pc.binary_join_element_wise(
        decode(prefixes, of_file), pa.array(line).cast(pa.string()), decode_numbers(column), "-"
    )


def decode_numbers(numbers: Codes) -> pa.Array:
    """Whole numbers of few kinds as text."""
    found, codes = np.unique(numbers, return_inverse=True)
    return decode([str(number) for number in found], codes)


def _moments(nanoseconds: npt.NDArray[np.int64], zone: str | None) -> pa.Array:
    return pa.array(nanoseconds, mask=nanoseconds == NEVER).cast(pa.timestamp("ns", tz=zone))


def _column_names(records: Records, rows: Codes, *, several: bool) -> pa.DictionaryArray:
    """The heading of each value; for readings only where a row holds several, for refusals always."""
    texts: list[str | None] = []
    codes = records.table * 4096 + records.test + 1
    kinds, inverse = np.unique(codes[rows], return_inverse=True)
    for kind in kinds:
        plan, test = records.tables[int(kind) // 4096].plan, int(kind) % 4096 - 1
        if test >= 0:
            texts.append(plan.tests[test].heading if len(plan.tests) > 1 or not several else None)
        else:
            texts.append(None if several or plan.value is None else plan.headings[plan.value])
    return coded(texts, inverse)


def _names(records: Records, name: str, rows: Codes) -> pa.DictionaryArray:
    """Label or serial: the cell, or what the preamble says where there is none."""
    column = distinct(records.text(name))
    cells = [clean_name(text) if text else None for text in column.texts]
    codes, (of_cell, tables) = combine(column.codes[rows], records.table[rows])
    told = [
        getattr(records.tables[table].context, name) if cells[cell] is None else cells[cell]
        for cell, table in zip(of_cell, tables, strict=True)
    ]
    return coded(told, codes)


def clean_name(text: str) -> str | None:
    """A label or serial number without what spreadsheets wrap around text (``="0012"``, a leading apostrophe)."""
    name = fold(text).replace("\x00", "")
    if name.startswith('="') and name.endswith('"'):
        name = name[2:-1]
    return " ".join(name.removeprefix("'").split()) or None


def _memory(records: Records, rows: Codes) -> pa.Array:
    column = pick_rows(records.text("memory_no"), rows)
    plain = pc.match_substring_regex(column, r"^[0-9]{1,12}$")
    if pc.all(plain).as_py() and len(column):
        return column.cast(pa.int64())
    found = distinct(column)
    numbers = pa.array([None if text is None else parse_memory_no(text) for text in found.texts], pa.int64())
    return numbers.take(pa.array(found.codes))


def _refusals(told: Understood, rows: Codes) -> pd.DataFrame:
    if not len(rows):
        return empty_table(Refusals)
    records, cases = told.records, told.values.codes[rows]
    broken, values = records.broken[rows], told.values
    reasons, messages = values.pick("refusal")[cases], values.pick("message")[cases]
    for at in np.flatnonzero(broken):
        name = BROKEN_NAMES[broken[at]]
        detail = records.tables[records.table[rows[at]]].detail
        reasons[at], messages[at] = ("unreadable" if name == "quotes" else name), detail or BROKEN[name]
    columns = {
        "evidence_sha256": decode([file.sha256 for file in told.files], told.of_file[rows]),
        "record_no": records.record_no[rows],
        "column_name": _column_names(records, rows, several=False).dictionary_decode(),
        "raw_text": pick_rows(records.text("raw_text"), rows),
        "reason": pa.array(reasons, pa.string()),
        "message": pa.array(messages, pa.string()),
    }
    return conform_table(Refusals, pa.table(columns).to_pandas())
