"""Decisions of people in the journal of a book: appended, never altered."""

from __future__ import annotations

import json
from typing import Final

import pandas as pd

from ingest.book import Book
from schemas.check import check_table, conform_table
from schemas.matches import Decisions

KIND: Final = "decision"


def read_decisions(book: Book) -> pd.DataFrame:
    """All decisions of the book (schemas.matches.Decisions), oldest first, also those that were undone later."""
    rows = [entry.body for entry in book.journal.entries() if entry.kind == KIND]
    frame = pd.DataFrame(rows, columns=[*Decisions.to_schema().columns])
    frame["decided_at"] = pd.to_datetime(frame["decided_at"], utc=True, format="ISO8601")
    return conform_table(Decisions, frame)


def keep_decisions(book: Book, decisions: pd.DataFrame) -> None:
    """Append decisions to the journal. Raises BookError where the book cannot be written."""
    rows = json.loads(check_table(Decisions, decisions).to_json(orient="records", date_format="iso", date_unit="us"))
    book.journal.append_all([(KIND, row) for row in rows])
