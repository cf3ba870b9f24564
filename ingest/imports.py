"""Exports into the book: bytes kept first, then read, then written into the journal."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import Future
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import BinaryIO, Final

import pandas as pd

from ingest.book import Book
from ingest.book_extract import BookExtract, read_book
from ingest.evidence import BATCH_BYTES, BATCH_FILES, NewEvidence
from ingest.exports import stream
from ingest.exports.batch import Batch, StoredExtract, Told, add_counts
from ingest.exports.containers import FIRST_BYTES, as_far_as_read, is_packed
from ingest.exports.read import Claim, find_claim
from ingest.exports.source import Source
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
LONG_BYTES: Final = 16 << 20
"""Plain files from this size on are never held as a whole [bytes]."""
LINES_BYTES: Final = 512 << 10
"""In so many bytes stand the first hundred lines, by which a profile claims a file."""
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
    reader = Importer(book, known, Words(profile=profile, zone=zone, date_order=date_order),
                      Batch(meter_zones=meter_zones or {}, book_zone=book_zone or book.zone.key))  # fmt: skip
    errors: list[ProvebookError] = []
    for group in in_groups(files, errors):
        try:
            reader.take_group(group, progress or (lambda _done: None))
        except InputError as error:  # a long file that could not be read to its end
            errors.append(error)
    reader.finish()
    counts = pd.concat(reader.counts, ignore_index=True) if reader.counts else empty_table(FileCounts)
    new = [reader.new[sha256] for sha256 in counts["evidence_sha256"]]
    return ImportReport(files=counts.assign(new=new), errors=tuple(errors))


@dataclass(frozen=True, kw_only=True)
class Words:
    """What the operator told for all files of an import."""

    profile: str | None
    zone: str | None
    date_order: str | None


class Importer:
    """Keeps exports, reads them in batches, keeps their tables in ``derived/``, and journals each of them.

    ``new``: each hash taken, and whether its bytes were not in the book before; ``counts``: a row of counts each.
    """

    def __init__(self, book: Book, profiles: Sequence[CsvProfile], words: Words, batch: Batch) -> None:
        self.counts: list[pd.DataFrame] = []
        self.new: dict[str, bool] = {}
        self._book, self._profiles, self._words, self._batch = book, profiles, words, batch
        self._waiting: list[Taken] = []
        self._used: dict[str, CsvProfile] = {}
        self._kept = set(book.evidence.hashes())

    def take_group(self, group: Sequence[NewEvidence], progress: Progress) -> None:
        """Keep exports as evidence, then read them. Bytes that were taken before are not taken again.

        Raises InputError where a long file cannot be read to its end.
        """
        if isinstance(group[0].content, Path):
            self._take_long(group[0])
            progress(len(self.new))
            return
        for item, kept in zip(group, self._book.evidence.keep_all(group), strict=True):
            sha256 = kept.sidecar.sha256
            if sha256 not in self.new and isinstance(item.content, bytes):
                self.new[sha256] = kept.new
                self._take(item.content, sha256, kept.sidecar.original_name)
                progress(len(self.new))

    def _take(self, content: bytes, sha256: str, original_name: str) -> None:
        """Read one export that is kept already, with others of its batch, or by itself where it is large."""
        told = self._told(content, sha256, original_name)
        if len(content) >= stream.LARGE_BYTES and self._take_large(told, content, kept=lambda: None):
            return
        used = self._batch.add(told, content)
        self._waiting.append(self._taken(told, used))
        if self._batch.records.count >= BATCH_RECORDS:
            self.finish()

    def _take_long(self, item: NewEvidence) -> None:
        """Read one export while the disk keeps it; what is made of it is stored when the export is."""
        with self._book.evidence.receiving(item) as received:
            if received.sha256 in self.new:
                return
            self.new[received.sha256] = received.new
            source, name = Source.of(received.stream), item.original_name
            if not received.new:
                name = self._book.evidence.sidecar(received.sha256).original_name
            told = self._told(source.read(0, LINES_BYTES), received.sha256, name)
            if self._take_large(told, received.stream, kept=received.store):
                return
            received.store()
            self._take(as_far_as_read(source), received.sha256, name)

    def _told(self, beginning: bytes, sha256: str, original_name: str) -> Told:
        claim = find_claim(beginning, self._profiles, self._words.profile)
        return Told(sha256=sha256, original_name=original_name, claim=claim, zone=self._words.zone,
                    date_order=self._words.date_order)  # fmt: skip

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

    def _take_large(self, told: Told, content: bytes | BinaryIO, kept: Callable[[], None]) -> bool:
        """Read one large export in parts, and store them when ``kept`` has returned; False where that cannot be."""
        taken = self._taken(told, told.claim)
        parts = Parts(self._book.derived, extract_key([taken], self._zones))
        counts: dict[int, pd.DataFrame] = {}
        stored: Future[None] = Future()

        def keep() -> None:
            if not stored.done():
                try:
                    kept()
                except BaseException as error:
                    stored.set_exception(error)
                    raise
                stored.set_result(None)

        def write(at: int, part: StoredExtract) -> None:
            parts.write(at, part, after=stored)
            counts[at] = part.files

        count = self._batch.read_large(told, content, write, meanwhile=keep)
        if count is None:
            return False
        parts.end(count)
        self._journal([taken], add_counts([counts[at] for at in range(count)]), parts.key)
        return True

    def _taken(self, told: Told, claim: Claim) -> Taken:
        if claim.profile:
            self._used[claim.profile.sha256] = claim.profile
        return Taken(
            sha256=told.sha256, original_name=told.original_name, profile=claim.name, refused=claim.refused,
            profile_sha256=claim.profile.sha256 if claim.profile else None, profile_given=self._words.profile,
            zone=told.zone, date_order=told.date_order,
        )  # fmt: skip

    @property
    def _zones(self) -> object:
        return (tuple(sorted(self._batch.meter_zones.items())), self._batch.book_zone)

    def _journal(self, taken: Sequence[Taken], counts: pd.DataFrame, key: str) -> None:
        for profile in self._used.values():
            keep_profile(self._book, profile, self._kept)
        self._used.clear()
        self.counts.append(counts)
        self._book.journal.append_all([
            (KIND, replace(one, extract=key).entry(readings=int(row["readings"]), refusals=int(row["refusals"])))
            for one, row in zip(taken, counts.to_dict("records"), strict=True)
        ])  # fmt: skip


def in_groups(files: Sequence[tuple[Path, str]], errors: list[ProvebookError]) -> Iterator[list[NewEvidence]]:
    """Files to be kept together, their bytes in hand; a long plain one by itself, as the file that it is.

    What cannot be read is added to ``errors``.
    """
    group: list[NewEvidence] = []
    size = 0
    for path, original_name in files:
        try:
            content = read_or_leave(path)
            item = NewEvidence(content=content, original_name=original_name, kind="export",
                               received_at=file_received_at(path))  # fmt: skip
        except OSError as error:
            errors.append(
                InputError("the file cannot be read", where=str(path), seen=str(error.strerror or error),
                           advice="check that you may read it; everything else was taken in")
            )  # fmt: skip
            continue
        if isinstance(content, Path):
            if group:
                yield group
            group, size = [], 0
            yield [item]
            continue
        group.append(item)
        size += len(content)
        if len(group) >= BATCH_FILES or size >= BATCH_BYTES:
            yield group
            group, size = [], 0
    if group:
        yield group


def read_or_leave(path: Path) -> bytes | Path:
    """The bytes of a file; its path where they are many and may be read piece by piece. Raises OSError."""
    with path.open("rb") as file:
        beginning = file.read(FIRST_BYTES)
        if os.fstat(file.fileno()).st_size >= LONG_BYTES and not is_packed(beginning):
            return path
        return beginning + file.read()


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
