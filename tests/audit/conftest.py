from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest

from ingest.book import Book
from ingest.evidence import NewEvidence

RECEIVED_AT = datetime(2031, 4, 2, 15, 30, tzinfo=UTC)


def fill_book(root: Path) -> Book:
    """A small book with exports, a profile, a decision and a derived file."""
    book = Book(root)
    book.create("Europe/London")
    (book.profiles / "field-meter.toml").write_text('kind = "csv"\nname = "field-meter"\n', encoding="utf-8")
    book.keep_profiles()
    book.evidence.keep_all(
        NewEvidence(
            content=f"No;Time;Test;Value\n{number};12:0{number};Loop;0.3{number}\n".encode(),
            original_name=f"day {number} Straße.csv", kind="export", received_at=RECEIVED_AT, profile="field-meter",
        )
        for number in range(3)
    )  # fmt: skip
    book.journal.append("decision", {"decision_id": "D1", "answer": "A1", "by": "Ilse Brandt"})
    return book


@pytest.fixture
def book(tmp_path: Path) -> Book:
    return fill_book(tmp_path / "book")
