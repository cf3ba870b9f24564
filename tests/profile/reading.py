"""What tests of profiles share: reading bytes with a profile, and readings as plain tuples."""

from __future__ import annotations

from typing import Any

import pandas as pd

from ingest.exports.read import read_export
from ingest.extract import Extract
from ingest.profiles import load_profile

COMPARED = (
    "record_no", "column_name", "raw_text", "quantity", "conductors", "value", "unit", "comparator", "indication",
    "reason", "resolution", "test_voltage_v", "rcd_multiple", "label", "memory_no", "meter_serial", "meter_time",
    "stamped_at", "time_reason",
)  # fmt: skip


def read_with(content: bytes, *profiles: str) -> Extract:
    """The export, read with these profiles where one claims it."""
    return read_export(
        content, name="x.csv", sha256="a" * 64, profiles=[load_profile(text) for text in profiles],
        book_zone="Europe/London",
    )  # fmt: skip


def as_tuples(extract: Extract) -> list[tuple[Any, ...]]:
    """The readings in their order, nulls as None."""
    rows = extract.readings[list(COMPARED)].to_dict("records")
    return [tuple(None if pd.isna(row[name]) else row[name] for name in COMPARED) for row in rows]


def short(extract: Extract) -> list[str]:
    """The readings as ``line: quantity conductors value unit``."""
    found = []
    for row in extract.readings.to_dict("records"):
        parts = [row["quantity"], row["conductors"], row["value"], row["unit"], row["indication"], row["reason"]]
        found.append(f"{row['record_no']}: {' '.join(str(part) for part in parts if pd.notna(part))}")
    return found
