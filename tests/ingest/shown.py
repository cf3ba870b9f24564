"""Readings and refusals as one line of text each, for expected results that people can read."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pandas as pd

SIGNS = {"eq": "", "gt": ">", "lt": "<"}
ASIDE = (
    ("label", ""),
    ("memory_no", "#"),
    ("meter_serial", "serial "),
    ("test_voltage_v", "at "),
    ("rcd_multiple", "x"),
)


def known(value: Any) -> bool:
    return value is not None and not pd.isna(value)


def show_reading(row: Mapping[str, Any]) -> str:
    """``line [column]: quantity conductors value unit @ UTC | label | #memory | serial | test voltage | multiple``."""
    column = f" [{row['column_name']}]" if known(row["column_name"]) else ""
    parts = [f"{row['record_no']}{column}: {row['quantity']}"]
    if known(row["conductors"]):
        parts.append(row["conductors"])
    if known(row["value"]):
        parts.append(f"{SIGNS[row['comparator']]}{float(row['value'])!r} {row['unit']}")
    if known(row["indication"]):
        parts.append(row["indication"])
    if known(row["reason"]):
        parts.append(f"({row['reason']})")
    parts.append(f"@ {show_time(row)}")
    aside = [f"{sign}{row[name]}" for name, sign in ASIDE if known(row[name])]
    return " | ".join([" ".join(parts), *aside])


def show_time(row: Mapping[str, Any]) -> str:
    parts = []
    if known(row["stamped_at"]):
        parts.append(row["stamped_at"].isoformat().replace("+00:00", "Z"))
    elif known(row["meter_time"]):
        parts.append(f"local {row['meter_time'].isoformat()}")
    if known(row["time_reason"]):
        parts.append(f"({row['time_reason']})")
    return " ".join(parts)


def show_refusal(row: Mapping[str, Any]) -> str:
    column = f" [{row['column_name']}]" if known(row["column_name"]) and row["column_name"] else ""
    return f"{row['record_no']}{column}: {row['raw_text']!r} {row['reason']}: {row['message']}"
