"""Records to tables: readings and refusals of many files at once, validated in one go."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from ingest.cells.text import fold
from ingest.cells.value import Value
from ingest.exports.distinct import Codes, distinct, take
from ingest.exports.roles import parse_memory_no
from ingest.exports.meanings import Named, name_records
from ingest.exports.records import BROKEN, Records
from ingest.exports.times import NEVER, Moments, Zones, read_moments
from ingest.exports.values import read_values
from schemas.check import conform_table
from schemas.quantities import QUANTITIES
from schemas.readings import Readings, Refusals


@dataclass(frozen=True, kw_only=True)
class FileFacts:
    """What is known of one file of a batch."""

    sha256: str
    zones: Zones
    date_order: str | None = None


@dataclass(frozen=True, kw_only=True)
class Assembled:
    """Readings and refusals of a batch, with the number of the file each row is from."""

    readings: pd.DataFrame
    refusals: pd.DataFrame
    reading_file: npt.NDArray[np.int64]
    refusal_file: npt.NDArray[np.int64]


def assemble(records: Records, files: Sequence[FileFacts]) -> Assembled:
    """Every record as one reading or one refusal. Cells of wide tables that say "not measured" are no records.

    Order kept: by file, then line, then column.
    """
    file_no = np.array([table.file_no for table in records.tables], dtype=np.int64)
    of_file = file_no[np.array(records.table, dtype=np.int64)] if len(records) else np.empty(0, np.int64)
    line, column = np.array(records.record_no, np.int64), np.array(records.column, np.int64)
    meanings, named = name_records(records)
    codes, values = read_values(records, meanings, named)
    moments = read_moments(records, [file.zones for file in files], [file.date_order for file in files])
    broken = np.array(records.broken, dtype=object)
    is_broken = broken != "" if len(records) else np.empty(0, bool)
    refusal = take(values, codes, lambda value: value.refusal is not None, bool)
    absent = take(values, codes, lambda value: value.absent, bool) & (np.array(records.test, np.int64) >= 0)
    order = np.lexsort((column, line, of_file))
    read = order[(~refusal & ~is_broken)[order]]
    refused = order[((refusal & ~absent) | is_broken)[order]]
    hashes = np.array([file.sha256 for file in files], dtype=object)
    return Assembled(
        readings=_readings(
            records, read, hashes[of_file[read]], line, column, (meanings, named), (codes, values), moments
        ),
        refusals=_refusals(records, refused, hashes[of_file[refused]], (codes, values)),
        reading_file=of_file[read],
        refusal_file=of_file[refused],
    )


def _text(records: Records, name: str, rows: Codes) -> npt.NDArray[np.object_]:
    found: npt.NDArray[np.object_] = np.array(records.texts[name], dtype=object)[rows]
    return found


def _readings(
    records: Records, rows: Codes, hashes: npt.NDArray[np.object_], line: Codes, column: Codes,
    meanings: tuple[Codes, list[Named]], values: tuple[Codes, list[Value]], moments: Moments,
) -> pd.DataFrame:  # fmt: skip
    kinds, named = meanings[0][rows], meanings[1]
    codes, found = values[0][rows], values[1]
    has_number = take(found, codes, lambda value: value.value is not None, bool)
    unit = take(
        named, kinds, lambda one: QUANTITIES[one.meaning.quantity].unit if one.meaning.quantity else None, object
    )
    reasons = np.array([*moments.reasons, None], dtype=object)
    local, utc = moments.local_ns[rows], moments.utc_ns[rows]
    frame = pd.DataFrame(
        {
            "reading_id": [
                f"{sha[:16]}-{at}-{col}" for sha, at, col in zip(hashes, line[rows], column[rows], strict=True)
            ],
            "evidence_sha256": hashes,
            "record_no": line[rows],
            "column_no": column[rows],
            "column_name": _text(records, "column_name", rows),
            "raw_text": _text(records, "raw_text", rows),
            "meter_serial": _folded(records, "meter_serial", rows),
            "memory_no": _memory(records, rows),
            "meter_time": np.where(local == NEVER, np.datetime64("NaT"), local.astype("datetime64[ns]")),
            "stamped_at": pd.to_datetime(
                np.where(utc == NEVER, np.datetime64("NaT"), utc.astype("datetime64[ns]")), utc=True
            ).as_unit("ns"),
            "time_reason": reasons[moments.reason[rows]],
            "quantity": take(named, kinds, lambda one: one.meaning.quantity, object),
            "conductors": take(named, kinds, lambda one: one.meaning.conductors, object),
            "value": take(found, codes, lambda value: np.nan if value.value is None else value.value, float),
            "unit": np.where(has_number, unit, None),
            "comparator": take(found, codes, lambda value: value.comparator, object),
            "indication": take(found, codes, lambda value: value.indication, object),
            "reason": take(found, codes, lambda value: value.reason, object),
            "resolution": take(
                found, codes, lambda value: np.nan if value.resolution is None else value.resolution, float
            ),
            "test_voltage_v": take(named, kinds, lambda one: one.meaning.test_voltage_v or np.nan, float),
            "rcd_multiple": take(named, kinds, lambda one: one.meaning.rcd_multiple or np.nan, float),
            "label": _folded(records, "label", rows),
        }
    )
    return conform_table(Readings, frame)


def _folded(records: Records, name: str, rows: Codes) -> npt.NDArray[np.object_]:
    """Label or serial: the cell, or what the preamble says where there is no such column."""
    column = distinct(records.texts[name])
    texts = np.array([clean_name(text) if text is not None else None for text in column.texts], dtype=object)
    found = texts[column.codes[rows]]
    told = np.array([getattr(table.context, name) for table in records.tables] or [None], dtype=object)
    of_table = np.array(records.table, np.int64)[rows]
    empty = pd.isna(found) | (found == "")
    result: npt.NDArray[np.object_] = np.where(empty, told[of_table] if len(of_table) else None, found)
    return result


def clean_name(text: str) -> str | None:
    """A label or serial number without what spreadsheets wrap around text (``="0012"``, a leading apostrophe)."""
    name = fold(text).replace("\x00", "")
    if name.startswith('="') and name.endswith('"'):
        name = name[2:-1]
    if name.startswith("'"):
        name = name[1:]
    name = " ".join(name.split())
    return name or None


def _memory(records: Records, rows: Codes) -> pd.Series:
    column = distinct(records.texts["memory_no"])
    numbers = pd.array([None if text is None else parse_memory_no(text) for text in column.texts], dtype="Int64")
    return pd.Series(numbers[column.codes[rows]])


def _refusals(
    records: Records, rows: Codes, hashes: npt.NDArray[np.object_], values: tuple[Codes, list[Value]]
) -> pd.DataFrame:
    reasons, messages, names = [], [], []
    for row in rows:
        broken = records.broken[row]
        value = values[1][values[0][row]]
        reasons.append({"quotes": "unreadable"}.get(broken, broken) or value.refusal)
        messages.append(records.details.get(records.table[row]) or BROKEN[broken] or value.message)
        names.append(_refused_column(records, row))
    frame = pd.DataFrame(
        {
            "evidence_sha256": hashes,
            "record_no": np.array(records.record_no, np.int64)[rows],
            "column_name": pd.Series(names, dtype=object),
            "raw_text": _text(records, "raw_text", rows),
            "reason": pd.Series(reasons, dtype=object),
            "message": pd.Series(messages, dtype=object),
        }
    )
    return conform_table(Refusals, frame)


def _refused_column(records: Records, row: int) -> str | None:
    plan = records.tables[records.table[row]].plan
    test = records.test[row]
    if test >= 0:
        return plan.tests[test].heading
    return plan.headings[plan.value] if plan.value is not None else None
