"""What a reader gives of one evidence object, and how single rows become its tables."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from datetime import datetime

import pandas as pd

from schemas.check import conform_table
from schemas.readings import Readings, Refusals


@dataclass(frozen=True, kw_only=True)
class Extract:
    """One evidence object, or a part of a large one, as read.

    ``records`` in = rows of ``readings`` + rows of ``refusals``, always.
    """

    readings: pd.DataFrame
    refusals: pd.DataFrame
    records: int
    profile: str | None


@dataclass(frozen=True, kw_only=True)
class ReadingRow:
    """One reading as a row, for readers of few rows (transcripts); columns of schemas.readings.Readings."""

    evidence_sha256: str
    record_no: int
    column_no: int
    raw_text: str
    quantity: str
    column_name: str | None = None
    meter_serial: str | None = None
    memory_no: int | None = None
    meter_time: datetime | None = None
    stamped_at: datetime | None = None
    time_reason: str | None = None
    conductors: str | None = None
    value: float | None = None
    unit: str | None = None
    comparator: str | None = None
    indication: str | None = None
    reason: str | None = None
    resolution: float | None = None
    test_voltage_v: float | None = None
    rcd_multiple: float | None = None
    label: str | None = None

    @property
    def reading_id(self) -> str:
        """The id that points back at the cell."""
        return f"{self.evidence_sha256[:16]}-{self.record_no}-{self.column_no}"


@dataclass(frozen=True, kw_only=True)
class RefusalRow:
    """One refusal as a row; columns of schemas.readings.Refusals."""

    evidence_sha256: str
    record_no: int
    raw_text: str
    reason: str
    message: str
    column_name: str | None = None


def readings_table(rows: Sequence[ReadingRow]) -> pd.DataFrame:
    """Readings table of ``rows``, in their order, checked."""
    names = ["reading_id", *(field.name for field in fields(ReadingRow))]
    return conform_table(
        Readings, pd.DataFrame([{"reading_id": row.reading_id} | vars(row) for row in rows], columns=names)
    )


def refusals_table(rows: Sequence[RefusalRow]) -> pd.DataFrame:
    """Refusals table of ``rows``, in their order, checked."""
    return conform_table(
        Refusals, pd.DataFrame([vars(row) for row in rows], columns=[field.name for field in fields(RefusalRow)])
    )
