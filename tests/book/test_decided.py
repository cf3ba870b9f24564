"""Decisions come back from the journal as they were taken."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from ingest.book import Book
from ingest.decided import keep_decisions, read_decisions
from schemas.check import conform_table
from schemas.matches import Decisions


def test_decisions_come_back_in_order(tmp_path: Path) -> None:
    book = Book(tmp_path / "book")
    book.create()
    assert read_decisions(book).empty
    taken = conform_table(
        Decisions,
        pd.DataFrame(
            {
                "decision_id": ["D2", "D1"],
                "kind": ["match", "undo"],
                "subject": ["r1 r2", "D2"],
                "answer": ["A1/dead_ln", ""],
                "decided_at": pd.to_datetime(["2031-04-02T09:00:00.123456Z", "2031-04-02T10:00:00Z"], format="ISO8601"),
                "by": ["Ann", "Ann"],
                "why": ["she was there", "=1+1\n"],
            }
        ),
    )
    keep_decisions(book, taken.iloc[:1])
    keep_decisions(book, taken.iloc[1:])
    pd.testing.assert_frame_equal(read_decisions(Book(tmp_path / "book")), taken)
