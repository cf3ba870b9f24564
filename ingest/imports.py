"""Exports into the book: bytes kept first, then read, then written into the journal."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

import pandas as pd

from ingest.book import Book
from ingest.book_extract import BookExtract, read_book
from ingest.evidence import NewEvidence
from ingest.exports.batch import Batch, StoredExtract, Told, add_counts
from ingest.exports.read import Claim, find_claim
from ingest.extracts import Parts, extract_key
from ingest.moments import file_received_at
from ingest.profiles import Profile, load_profiles, shipped_profiles
from ingest.profiles.csv import CsvProfile
from ingest.taken import KIND, Taken
from schemas.check import empty_table
from schemas.errors import InputError, ProvebookError
from schemas.readings import FileCounts

__all__ = ["BookExtract", "ImportReport", "import_exports", "read_book"]

BATCH_RECORDS: Final = 200_000
Progress = Callable[[int], None]


@dataclass(frozen=True, kw_only=True)
class ImportReport:
    """What an import did. ``files``: schemas.readings.FileCounts and ``new`` (the bytes were not in the book before),
    one row a file that could be read from disk; ``errors``: one for each file that could not.
    """

    files: pd.DataFrame
    errors: tuple[ProvebookError, ...] = ()


def import_exports(
    book: Book, files: Sequence[tuple[Path, str]], *, profiles: Sequence[Profile] | None = None,
    profile: str | None = None, zone: str | None = None, date_order: str | None = None,
    meter_zones: Mapping[str, str] | None = None, book_zone: str | None = None, progress: Progress | None = None,
) -> ImportReport:  # fmt: skip
    """Take ``files`` (path, original name) into the book and read them; ``progress`` is told how many are done.

    One unreadable file never stops the others. Raises InputError where ``profile`` is not known, BookError where the
    book cannot be written.
    """
    known = [one for one in (load_profiles([book.profiles])[0] if profiles is None else profiles)
             if isinstance(one, CsvProfile)]  # fmt: skip
    find_claim(b"", known, profile)
    book.keep_profiles()
    hashes, new, errors = keep_files(book, files)
    reader = Importer(book, known, Words(profile=profile, zone=zone, date_order=date_order),
                      Batch(meter_zones=meter_zones or {}, book_zone=book_zone or book.zone.key))  # fmt: skip
    for number, (sha256, original_name) in enumerate(hashes.items()):
        reader.take(sha256, original_name)
        if progress:
            progress(number + 1)
    reader.finish()
    counts = pd.concat(reader.counts, ignore_index=True) if reader.counts else empty_table(FileCounts)
    return ImportReport(files=counts.assign(new=[new[sha] for sha in counts["evidence_sha256"]]), errors=tuple(errors))


@dataclass(frozen=True, kw_only=True)
class Words:
    """What the operator told for all files of an import."""

    profile: str | None
    zone: str | None
    date_order: str | None


class Importer:
    """Reads kept exports in batches, keeps their tables in ``derived/``, and journals each of them."""

    def __init__(self, book: Book, profiles: Sequence[CsvProfile], words: Words, batch: Batch) -> None:
        self.counts: list[pd.DataFrame] = []
        self._book, self._profiles, self._words, self._batch = book, profiles, words, batch
        self._waiting: list[Taken] = []
        self._kept = set(book.evidence.hashes())

    def take(self, sha256: str, original_name: str) -> None:
        """Read one export: with others of its batch, or by itself where it is large."""
        content = self._book.evidence.read(sha256)
        claim = find_claim(content, self._profiles, self._words.profile)
        told = Told(sha256=sha256, original_name=original_name, claim=claim, zone=self._words.zone,
                    date_order=self._words.date_order)  # fmt: skip
        if self._take_large(told, content):
            return
        used = self._batch.add(told, content)
        self._waiting.append(self._taken(told, used))
        if self._batch.records.count >= BATCH_RECORDS:
            self.finish()

    def finish(self) -> None:
        """Make the tables of the exports that wait, keep them, and journal them."""
        if not self._waiting:
            return
        done = self._batch.finish()
        key = extract_key(self._waiting, self._zones)
        parts = Parts(self._book.derived, key)
        parts.write(0, done)
        parts.end(1)
        self._journal(self._waiting, done.files, key)
        self._batch = Batch(meter_zones=self._batch.meter_zones, book_zone=self._batch.book_zone)
        self._waiting = []

    def _take_large(self, told: Told, content: bytes) -> bool:
        taken = self._taken(told, told.claim)
        key = extract_key([taken], self._zones)
        parts = Parts(self._book.derived, key)
        counts: dict[int, pd.DataFrame] = {}

        def write(at: int, part: StoredExtract) -> None:
            parts.write(at, part)
            counts[at] = part.files

        count = self._batch.read_large(told, content, write)
        if count is None:
            return False
        parts.end(count)
        self._journal([taken], add_counts([counts[at] for at in range(count)]), key)
        return True

    def _taken(self, told: Told, claim: Claim) -> Taken:
        if claim.profile:
            keep_profile(self._book, claim.profile, self._kept)
        return Taken(
            sha256=told.sha256, original_name=told.original_name, profile=claim.name, refused=claim.refused,
            profile_sha256=claim.profile.sha256 if claim.profile else None, profile_given=self._words.profile,
            zone=told.zone, date_order=told.date_order,
        )  # fmt: skip

    @property
    def _zones(self) -> object:
        return (tuple(sorted(self._batch.meter_zones.items())), self._batch.book_zone)

    def _journal(self, taken: Sequence[Taken], counts: pd.DataFrame, key: str) -> None:
        self.counts.append(counts)
        self._book.journal.append_all([
            (KIND, replace(one, extract=key).entry(readings=int(row["readings"]), refusals=int(row["refusals"])))
            for one, row in zip(taken, counts.to_dict("records"), strict=True)
        ])  # fmt: skip


def keep_files(
    book: Book, files: Sequence[tuple[Path, str]]
) -> tuple[dict[str, str], dict[str, bool], list[ProvebookError]]:
    """Keep the bytes of ``files``: hash to original name (each hash once), hash to new or not, and what failed."""
    errors: list[ProvebookError] = []

    def contents() -> Iterator[NewEvidence]:
        for path, original_name in files:
            try:
                yield NewEvidence(content=path.read_bytes(), original_name=original_name, kind="export",
                                  received_at=file_received_at(path))  # fmt: skip
            except OSError as error:
                errors.append(
                    InputError("the file cannot be read", where=str(path), seen=str(error.strerror or error),
                               advice="check that you may read it; everything else was taken in")
                )  # fmt: skip

    hashes: dict[str, str] = {}
    new: dict[str, bool] = {}
    for kept in book.evidence.keep_all(contents()):
        hashes.setdefault(kept.sidecar.sha256, kept.sidecar.original_name)
        new.setdefault(kept.sidecar.sha256, kept.new)
    return hashes, new, errors


def keep_profile(book: Book, profile: CsvProfile, kept: set[str]) -> None:
    """Keep the text of a profile that did not come with the program: an old reading can be read again with its own."""
    shipped = {one.sha256 for one in shipped_profiles() if isinstance(one, CsvProfile)}
    if profile.sha256 in shipped or profile.sha256 in kept:
        return
    kept.add(profile.sha256)
    received_at = file_received_at(profile.path) if profile.path else datetime.now(UTC)
    book.evidence.keep(
        profile.text.encode(), original_name=f"{profile.name}.toml", kind="profile", received_at=received_at
    )
