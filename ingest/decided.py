"""Decisions of people in the journal of a book: appended, never altered."""

from __future__ import annotations

import json
from typing import Final

import pandas as pd

from ingest.book import Book
from schemas.check import check_table, conform_table
from schemas.errors import InputError
from schemas.matches import Decisions

KIND: Final = "decision"


def read_decisions(book: Book) -> pd.DataFrame:
    """All decisions of the book (schemas.matches.Decisions), oldest first, also those that were undone later."""
    rows = [entry.body for entry in book.journal.entries() if entry.kind == KIND]
    frame = pd.DataFrame(rows, columns=[*Decisions.to_schema().columns])
    frame["decided_at"] = pd.to_datetime(frame["decided_at"], utc=True, format="ISO8601")
    return conform_table(Decisions, frame)


def follow_copies(decisions: pd.DataFrame, duplicates: pd.DataFrame) -> pd.DataFrame:
    """The decisions with each reading named as it stands now: a fuller export that came later names it anew.

    ``duplicates``: schemas.readings.Duplicates. Shape: the rows of ``decisions``; only subjects of kind match differ.
    """
    of_match = decisions["kind"] == "match"
    if duplicates.empty or not of_match.any():
        return decisions
    places = zip(*(duplicates[name] for name in ("evidence_sha256", "record_no", "column_no")), strict=True)
    copies = [f"{str(sha256)[:16]}-{record_no}-{column_no}" for sha256, record_no, column_no in places]
    stands = dict(zip(copies, duplicates["reading_id"], strict=True))
    named = [
        " ".join(dict.fromkeys(stands.get(name, name) for name in str(subject).split()))
        for subject in decisions.loc[of_match, "subject"]
    ]
    subjects = decisions["subject"].copy()
    subjects[of_match] = named
    return conform_table(Decisions, decisions.assign(subject=subjects))


def keep_decisions(book: Book, decisions: pd.DataFrame) -> None:
    """Append decisions to the journal; one that stands there word for word is not repeated.

    So a process that was killed in between can be run again. Raises InputError where a known id says something else,
    BookError where the book cannot be written.
    """
    rows = json.loads(check_table(Decisions, decisions).to_json(orient="records", date_format="iso", date_unit="us"))
    with book.locked():
        known = {entry.body["decision_id"]: entry.body for entry in book.journal.entries() if entry.kind == KIND}
        for row in rows:
            if known.get(row["decision_id"], row) != row:
                raise InputError(f"decision {row['decision_id']} stands in the book with another content")
        book.journal.append_all([(KIND, row) for row in rows if row["decision_id"] not in known])
