"""Exports into the book: bytes kept first, then read, then written into the journal; and the whole book read again."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

import pandas as pd

from ingest.book import Book
from ingest.evidence import file_received_at
from ingest.exports.assemble import FileFacts, assemble
from ingest.exports.read import Collected, collect
from ingest.exports.records import Records
from ingest.exports.times import Zones
from ingest.overlap import resolve_overlap
from ingest.profiles import Profile, load_profiles
from schemas.check import conform_table, empty_table
from schemas.readings import FileCounts, Readings, Refusals

READER_VERSION: Final = 1
"""Counts up whenever the same bytes would be read differently."""
BATCH_RECORDS: Final = 200_000
Progress = Callable[[int], None]


@dataclass(frozen=True, kw_only=True)
class ImportReport:
    """What an import did. ``files``: schemas.readings.FileCounts and ``new`` (the bytes were not in the book before), one
    row a file that could be read from disk; ``errors``: one sentence for each file that could not.
    """

    files: pd.DataFrame
    errors: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class BookExtract:
    """All readings of a book, in an order that does not depend on the order of imports, and what was found beside them."""

    readings: pd.DataFrame
    refusals: pd.DataFrame
    duplicates: pd.DataFrame
    conflicts: pd.DataFrame
    files: pd.DataFrame


@dataclass(frozen=True, kw_only=True)
class Taken:
    """One export as it is read: where its bytes are, and what was told about it."""

    sha256: str
    original_name: str
    profile: str | None = None
    zone: str | None = None
    date_order: str | None = None


@dataclass
class Batch:
    """Files read together, so that the tables are made and checked once."""

    taken: list[Taken] = field(default_factory=list)
    told: list[Collected] = field(default_factory=list)
    records: Records = field(default_factory=Records)


def import_exports(
    book: Book, files: Sequence[tuple[Path, str]], *, profiles: Sequence[Profile] | None = None, profile: str | None = None,
    zone: str | None = None, date_order: str | None = None, meter_zones: Mapping[str, str] | None = None,
    book_zone: str | None = None, progress: Progress | None = None,
) -> ImportReport:  # fmt: skip
    """Take ``files`` (path, original name) into the book and read them.

    One unreadable file never stops the others. ``progress`` is told how many files are done.
    """
    known = load_profiles(book.profiles) if profiles is None else profiles
    taken, contents, new, errors = [], {}, {}, []
    for path, original_name in files:
        try:
            content, received_at = path.read_bytes(), file_received_at(path)
        except OSError as error:
            errors.append(f"{path}: the file cannot be read: {error.strerror or error}")
            continue
        kept = book.evidence.keep(content, original_name=original_name, kind="export", received_at=received_at)
        sha256 = kept.sidecar.sha256
        if sha256 not in contents:
            taken.append(
                Taken(sha256=sha256, original_name=original_name, profile=profile, zone=zone, date_order=date_order)
            )
            contents[sha256], new[sha256] = content, kept.new
    extract = read_taken(
        taken, lambda one: contents[one.sha256], known, meter_zones or {}, book_zone or book.zone.key, progress
    )
    hashes = {one.name: one.sha256 for one in known}
    report = extract.files
    entries = [
        ("import", _entry(one, row, hashes)) for one, row in zip(taken, report.to_dict("records"), strict=True)
    ]  # fmt: skip
    if entries:
        book.journal.append_all(entries)
    report = report.assign(new=[new[sha256] for sha256 in report["evidence_sha256"]])
    return ImportReport(files=report, errors=tuple(errors))


def _entry(taken: Taken, row: Mapping[Any, Any], profiles: Mapping[str, str]) -> dict[str, Any]:
    profile = None if pd.isna(row["profile"]) else str(row["profile"])
    return {
        "sha256": taken.sha256,
        "original_name": taken.original_name,
        "profile": profile,
        "profile_sha256": profiles.get(profile or ""),
        "profile_given": taken.profile,
        "zone_given": taken.zone,
        "date_order_given": taken.date_order,
        "records": int(row["records"]),
        "readings": int(row["readings"]),
        "refusals": int(row["refusals"]),
        "reader_version": READER_VERSION,
    }


def read_book(
    book: Book, *, profiles: Sequence[Profile] | None = None, told: Mapping[str, tuple[str | None, str | None]] | None = None,
    meter_zones: Mapping[str, str] | None = None, book_zone: str | None = None,
) -> BookExtract:  # fmt: skip
    """All readings of the book, overlap between exports resolved.

    ``told`` maps the SHA-256 of an export to the zone and the date order that a decision gave it.
    """
    known = load_profiles(book.profiles) if profiles is None else profiles
    taken = imported(book, told or {})
    extract = read_taken(
        taken, lambda one: book.evidence.read(one.sha256), known, meter_zones or {}, book_zone or book.zone.key, None
    )
    resolved = resolve_overlap(extract.readings)
    again = resolved.duplicates["evidence_sha256"].value_counts()
    files = extract.files.assign(duplicates=extract.files["evidence_sha256"].map(again).fillna(0).astype("int64"))
    return BookExtract(
        readings=resolved.readings, refusals=extract.refusals, duplicates=resolved.duplicates,
        conflicts=resolved.conflicts, files=files,
    )  # fmt: skip


def imported(book: Book, told: Mapping[str, tuple[str | None, str | None]]) -> list[Taken]:
    """Every export of the book by hash, with the last word given about it: a later import or decision counts more."""
    found: dict[str, Taken] = {}
    for entry in book.journal.entries():
        if entry.kind != "import":
            continue
        body, sha256 = entry.body, entry.body["sha256"]
        before = found.get(sha256)
        found[sha256] = Taken(
            sha256=sha256,
            original_name=before.original_name if before else body["original_name"],
            profile=body["profile_given"] or (before.profile if before else None),
            zone=body["zone_given"] or (before.zone if before else None),
            date_order=body["date_order_given"] or (before.date_order if before else None),
        )
    return [_decided(found[sha256], *told.get(sha256, (None, None))) for sha256 in sorted(found)]


def _decided(taken: Taken, zone: str | None, date_order: str | None) -> Taken:
    return Taken(
        sha256=taken.sha256, original_name=taken.original_name, profile=taken.profile, zone=zone or taken.zone,
        date_order=date_order or taken.date_order,
    )  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class FilesExtract:
    """Readings and refusals of many exports, and one row of counts for each."""

    readings: pd.DataFrame
    refusals: pd.DataFrame
    files: pd.DataFrame


def read_taken(
    taken: Sequence[Taken], content: Callable[[Taken], bytes], profiles: Sequence[Profile], meter_zones: Mapping[str, str],
    book_zone: str, progress: Progress | None,
) -> FilesExtract:  # fmt: skip
    """Read exports in batches: tables are made and checked for many files at once."""
    parts: list[tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]] = []
    batch = Batch()
    for number, one in enumerate(taken):
        found = collect(content(one), one.original_name, batch.records, len(batch.taken), profiles, one.profile)
        batch.taken.append(one)
        batch.told.append(found)
        if len(batch.records) >= BATCH_RECORDS:
            parts.append(finish_batch(batch, meter_zones, book_zone))
            batch = Batch()
        if progress:
            progress(number + 1)
    if batch.taken:
        parts.append(finish_batch(batch, meter_zones, book_zone))
    if not parts:
        return FilesExtract(
            readings=empty_table(Readings), refusals=empty_table(Refusals), files=empty_table(FileCounts)
        )  # fmt: skip
    tables = [pd.concat([part[at] for part in parts], ignore_index=True) for at in range(3)]
    return FilesExtract(readings=tables[0], refusals=tables[1], files=tables[2])


def finish_batch(
    batch: Batch, meter_zones: Mapping[str, str], book_zone: str
) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """Readings, refusals and counts of the files of a batch."""
    facts = [
        FileFacts(
            sha256=one.sha256,
            zones=Zones(
                profile=told.zone, meters=tuple(sorted(meter_zones.items())), operator=one.zone, book=book_zone
            ),
            date_order=one.date_order or told.date_order,
        )
        for one, told in zip(batch.taken, batch.told, strict=True)
    ]
    done = assemble(batch.records, facts)
    counts = pd.DataFrame(
        {
            "evidence_sha256": [one.sha256 for one in batch.taken],
            "original_name": [one.original_name for one in batch.taken],
            "profile": [told.profile for told in batch.told],
            "readings": pd.Series(done.reading_file).value_counts().reindex(range(len(facts)), fill_value=0).to_numpy(),
            "refusals": pd.Series(done.refusal_file).value_counts().reindex(range(len(facts)), fill_value=0).to_numpy(),
            "duplicates": 0,
        }
    )
    counts["records"] = counts["readings"] + counts["refusals"]
    return done.readings, done.refusals, conform_table(FileCounts, counts)
