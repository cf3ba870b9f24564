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
from ingest.exports.batch import Batch, FilesExtract, Told, join_extracts
from ingest.exports.read import find_claim
from ingest.extracts import extract_key, write_extract
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
    """What an import did. ``files``: schemas.readings.FileCounts and ``new`` (the bytes were not in the book before), one
    row a file that could be read from disk; ``errors``: one for each file that could not.
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
    batch = Batch(meter_zones=meter_zones or {}, book_zone=book_zone or book.zone.key)
    waiting: list[Taken] = []
    kept = set(book.evidence.hashes())
    parts: list[FilesExtract] = []
    for number, (sha256, original_name) in enumerate(hashes.items()):
        content = book.evidence.read(sha256)
        claim = find_claim(content, known, profile)
        used = batch.add(Told(sha256=sha256, original_name=original_name, claim=claim, zone=zone,
                              date_order=date_order), content)  # fmt: skip
        if used.profile:
            keep_profile(book, used.profile, kept)
        waiting.append(
            Taken(sha256=sha256, original_name=original_name, profile=used.name, refused=used.refused,
                  profile_sha256=used.profile.sha256 if used.profile else None, profile_given=profile, zone=zone,
                  date_order=date_order)
        )  # fmt: skip
        if batch.records.count >= BATCH_RECORDS or number == len(hashes) - 1:
            parts.append(finish(book, batch, waiting))
            batch, waiting = Batch(meter_zones=batch.meter_zones, book_zone=batch.book_zone), []
        if progress:
            progress(number + 1)
    counts = join_extracts(parts).files if parts else empty_table(FileCounts)
    return ImportReport(files=counts.assign(new=[new[sha] for sha in counts["evidence_sha256"]]), errors=tuple(errors))


def finish(book: Book, batch: Batch, waiting: Sequence[Taken]) -> FilesExtract:
    """Make the tables of a batch, keep them in derived/, and write the journal entries of its files."""
    done = batch.finish()
    zones = (tuple(sorted(batch.meter_zones.items())), batch.book_zone)
    key = extract_key(waiting, zones)
    write_extract(book.derived, key, done)
    rows = done.files.to_dict("records")
    book.journal.append_all([
        (KIND, replace(taken, extract=key).entry(readings=int(row["readings"]), refusals=int(row["refusals"])))
        for taken, row in zip(waiting, rows, strict=True)
    ])  # fmt: skip
    return done


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
