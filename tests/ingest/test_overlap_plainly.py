"""Overlap of exports against the same rules written as loops over rows: which record stands, which is a copy."""

from __future__ import annotations

from collections import Counter
from typing import Any

import numpy as np
import pandas as pd
import pytest

from ingest.overlap import resolve_overlap
from schemas.check import conform_table
from schemas.readings import Readings

MEASURED = ("quantity", "conductors", "test_voltage_v", "rcd_multiple")
CONTENT = ("value", "comparator", "indication", "reason")
Row = dict[str, Any]


def invented_readings(seed: int) -> tuple[pd.DataFrame, dict[str, str]]:
    """Readings of four exports of two meters that hold much the same, in any order; two exports of one memory."""
    draw = np.random.default_rng(seed)
    exports = [f"{int(number):016x}" * 4 for number in draw.integers(1, 1 << 60, 4)]
    places = sorted({(int(draw.integers(4)), int(draw.integers(1, 12)), int(draw.integers(1, 4))) for _ in range(60)})

    def any_of(*choices: object) -> list[object]:
        return [choices[int(at)] for at in draw.integers(0, len(choices), len(places))]

    table = pd.DataFrame({
        "reading_id": [f"{exports[export][:16]}-{record}-{column}" for export, record, column in places],
        "evidence_sha256": [exports[export] for export, _, _ in places],
        "record_no": [record for _, record, _ in places], "column_no": [column for _, _, column in places],
        "raw_text": "seen", "column_name": any_of(None, "Result"), "meter_serial": any_of(None, "M1", "M2"),
        "memory_no": pd.array(any_of(None, 1, 2, 10**11), dtype="Int64"),
        "meter_time": pd.to_datetime(any_of(None, "2031-01-01 10:00", "2031-01-01 10:01")),
        "quantity": "voltage", "conductors": any_of("L-N", "L-E"), "value": any_of(230.0, 0.0, -0.0, 1.5), "unit": "V",
        "comparator": "eq", "label": any_of(None, "", "KITCHEN"), "rcd_multiple": any_of(np.nan, 1.0),
    })  # fmt: skip
    table = table.iloc[draw.permutation(len(table))].reset_index(drop=True)
    return conform_table(Readings, table), {exports[0]: "memory", exports[1]: "memory", exports[2]: "another"}


def stands_for(readings: pd.DataFrame, memories: dict[str, str]) -> dict[str, str]:
    """The id of each reading to that of the reading that stands for it, row by row."""
    rows: list[Row] = readings.astype(object).where(readings.notna(), None).to_dict("records")
    held = Counter(row["evidence_sha256"] for row in rows)
    rows.sort(
        key=lambda row: (-held[row["evidence_sha256"]], row["evidence_sha256"], row["record_no"], row["column_no"])
    )
    in_record: Counter[object] = Counter()
    in_export: Counter[object] = Counter()
    stands: dict[object, str] = {}
    found = {}
    for row in rows:
        evidence = row["evidence_sha256"]
        meter = row["meter_serial"] or ("no meter of its own", evidence)
        measured, content = tuple(row[name] for name in MEASURED), tuple(row[name] for name in CONTENT)
        nth = in_record[evidence, row["record_no"], measured]
        in_record[evidence, row["record_no"], measured] += 1
        key: object = ("only itself", row["reading_id"])
        if row["meter_time"] is not None and row["memory_no"] is not None:
            key = ("slot", meter, row["memory_no"], row["meter_time"], measured, nth, content)
        elif row["meter_time"] is not None and row["meter_serial"] is not None:
            record = (meter, row["meter_time"], row["label"] or "", measured, content)
            key = ("moment", record, in_export[evidence, record])
            in_export[evidence, record] += 1
        elif row["meter_time"] is None and row["memory_no"] is not None and evidence in memories:
            key = ("memory", memories[evidence], row["memory_no"], measured, nth, content)
        found[row["reading_id"]] = stands.setdefault(key, row["reading_id"])
    return found


@pytest.mark.parametrize("seed", range(24))
def test_what_stands_is_what_the_rules_say_row_by_row(seed: int) -> None:
    readings, memories = invented_readings(seed)
    told = memories if seed % 3 else {}
    expected = stands_for(readings, told)
    resolved = resolve_overlap(readings, told)
    assert set(resolved.readings["reading_id"]) == {name for name, other in expected.items() if name == other}
    copies = resolved.duplicates
    again = (
        copies["evidence_sha256"].str[:16]
        + "-"
        + copies["record_no"].astype("str")
        + "-"
        + copies["column_no"].astype("str")
    )
    assert dict(zip(again, copies["reading_id"], strict=True)) == {
        name: other for name, other in expected.items() if name != other
    }
    placed = list(
        zip(*(resolved.readings[name] for name in ("evidence_sha256", "record_no", "column_no")), strict=True)
    )
    assert placed == sorted(placed)
    of_conflicts = readings.set_index("reading_id").loc[resolved.conflicts["reading_id"]]
    slots = of_conflicts.groupby(resolved.conflicts["conflict_id"].to_numpy())[["memory_no", "meter_time"]].nunique()
    assert (slots == 1).all(axis=None)
