"""Datasets that a book has made: each noted in the journal, with what it was derived from.

An audit finds by the hash of ``datapackage.json`` how the book stood then, and derives the same dataset again although
exports and decisions have come since.
"""

from __future__ import annotations

import hashlib
from collections.abc import Collection
from dataclasses import dataclass
from typing import Final

from ingest.book import Book
from ingest.chain import Entry

KIND: Final = "dataset"


@dataclass(frozen=True, kw_only=True)
class Made:
    """One dataset: ``entries`` of the journal before it, the rule pack that judged, and the evidence it rests on
    (None: all of the book).
    """

    package_sha256: str
    entries: int
    rule_pack: str
    exports: frozenset[str] | None
    office: frozenset[str] | None


def note_dataset(
    book: Book,
    package: bytes,
    *,
    rule_pack: str,
    exports: Collection[str] | None = None,
    office: Collection[str] | None = None,
) -> None:
    """Enter a dataset (its ``datapackage.json``) into the journal; one that stands there already is left alone.

    Raises BookError where the book cannot be written.
    """
    sha256 = hashlib.sha256(package).hexdigest()
    body = {
        "datapackage_sha256": sha256,
        "rule_pack": rule_pack,
        "exports": None if exports is None else sorted(exports),
        "office": None if office is None else sorted(office),
    }
    stands = any(made.package_sha256 == sha256 for made in list_made(book))
    # Also with nothing to enter: a process that was killed after its entry left the head of the journal behind.
    book.journal.append_all([] if stands else [(KIND, body)])


def list_made(book: Book) -> list[Made]:
    """The datasets of a book, oldest first. Raises BookError where the journal is broken."""
    return [_made(entry) for entry in book.journal.entries() if entry.kind == KIND]


def find_made(book: Book, package: bytes) -> Made | None:
    """The dataset with exactly this ``datapackage.json``, or nothing where the book never made it."""
    sha256 = hashlib.sha256(package).hexdigest()
    return next((made for made in reversed(list_made(book)) if made.package_sha256 == sha256), None)


def _made(entry: Entry) -> Made:
    exports, office = entry.body.get("exports"), entry.body.get("office")
    return Made(
        package_sha256=str(entry.body["datapackage_sha256"]),
        entries=entry.entry,
        rule_pack=str(entry.body["rule_pack"]),
        exports=None if exports is None else frozenset(map(str, exports)),
        office=None if office is None else frozenset(map(str, office)),
    )
