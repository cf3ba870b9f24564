"""The whole book read again: every export and every conversation, overlap resolved, from derived tables or evidence."""

from __future__ import annotations

from collections import defaultdict, deque
from collections.abc import Collection, Iterator, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from typing import Final

import pandas as pd

from ingest.book import Book, find_zone
from ingest.conversations import read_conversations
from ingest.exports.batch import (
    Batch,
    FilesExtract,
    StoredExtract,
    Told,
    join_extracts,
    join_parts,
    join_stored_extracts,
)
from ingest.exports.containers import as_far_as_read
from ingest.exports.read import Claim
from ingest.exports.source import Source
from ingest.extracts import extract_key, find_extract
from ingest.office import read_office
from ingest.overlap import resolve_overlap
from ingest.profiles import load_profile, shipped_profiles
from ingest.profiles.csv import CsvProfile
from ingest.taken import Taken, decided, list_taken, told_by
from schemas.check import conform_table, empty_table
from schemas.errors import BookError
from schemas.meters import ClockReadings
from schemas.readings import FileCounts, Readings, Refusals

BATCH_RECORDS: Final = 200_000
WORKERS: Final = 2
"""Exports that are read at a time: more would only wait for each other, and each holds its bytes."""


@dataclass(frozen=True, kw_only=True)
class BookExtract:
    """All readings of a book, in an order that does not depend on the order of imports, and what was found beside them.

    Schemas: schemas.readings.Readings, Refusals, Duplicates, Conflicts, FileCounts; schemas.meters.ClockReadings.
    """

    readings: pd.DataFrame
    refusals: pd.DataFrame
    duplicates: pd.DataFrame
    conflicts: pd.DataFrame
    files: pd.DataFrame
    clock_readings: pd.DataFrame


def read_book(
    book: Book, *, only: Collection[str] | None = None, decisions: pd.DataFrame | None = None,
    meter_zones: Mapping[str, str] | None = None, book_zone: str | None = None, use_derived: bool = True,
) -> BookExtract:  # fmt: skip
    """All readings of the book, or of the evidence in ``only`` (SHA-256), each stored record once.

    ``decisions`` (schemas.matches.Decisions) give exports a zone or a date order. ``meter_zones`` are those of the
    book's meter register where not given. Without ``use_derived`` every export is read from its evidence again.

    Raises BookError where evidence or the text of a profile is missing or changed.
    """
    if meter_zones is None:
        meters = read_office(book).meters.dropna(subset=["zone"])
        meter_zones = dict(zip(meters["meter_serial"], meters["zone"], strict=True))
    told = told_by(decisions)
    taken = [decided(one, told) for one in list_taken(book, only=only)]
    zone = book_zone or book.zone.key
    parts = read_taken(book, taken, meter_zones, zone, use_derived=use_derived)
    transcripts, clocks, memories = read_transcripts(book, {one.sha256 for one in taken}, only, zone)
    joined = join_extracts([*parts, *transcripts]) if parts or transcripts else FilesExtract(
        readings=empty_table(Readings), refusals=empty_table(Refusals), files=empty_table(FileCounts)
    )  # fmt: skip
    resolved = resolve_overlap(joined.readings, memories)
    again = resolved.duplicates["evidence_sha256"].value_counts()
    files = joined.files.assign(duplicates=joined.files["evidence_sha256"].map(again).fillna(0).astype("int64"))
    refusals = joined.refusals.sort_values(["evidence_sha256", "record_no"], kind="stable", ignore_index=True)
    return BookExtract(
        readings=resolved.readings, refusals=refusals, duplicates=resolved.duplicates, conflicts=resolved.conflicts,
        files=files.sort_values("evidence_sha256", ignore_index=True),
        clock_readings=pd.concat(clocks, ignore_index=True) if clocks else empty_table(ClockReadings),
    )  # fmt: skip


def read_taken(
    book: Book, taken: Sequence[Taken], meter_zones: Mapping[str, str], book_zone: str, *, use_derived: bool
) -> list[FilesExtract]:
    """The tables of exports: kept ones where they still hold, the rest from evidence, in batches."""
    parts: list[FilesExtract] = []
    fresh: list[Taken] = []
    by_extract: dict[str | None, list[Taken]] = defaultdict(list)
    for one in taken:
        by_extract[one.extract].append(one)
    for key, group in by_extract.items():
        found = None
        if key is not None and use_derived and key == book_key(book, key, meter_zones, book_zone):
            found = find_extract(book.derived, key)
        if found is None:
            fresh += group
        else:
            joined = found[0] if len(found) == 1 else join_parts(found)
            parts.append(of_files(joined, {one.sha256 for one in group}))
    return parts + read_evidence(book, fresh, meter_zones, book_zone)


def book_key(book: Book, key: str, meter_zones: Mapping[str, str], book_zone: str) -> str:
    """The key that the exports of derived tables ``key`` have today: another one if anything told has changed."""
    journalled = [
        entry.body for entry in book.journal.entries() if entry.kind == "import" and entry.body["extract"] == key
    ]
    taken = [
        Taken(sha256=body["sha256"], original_name=body["original_name"], profile=body["profile"],
              profile_sha256=body["profile_sha256"], refused=body["refused"], zone=body["zone_given"],
              date_order=body["date_order_given"])
        for body in journalled
    ]  # fmt: skip
    return extract_key(taken, (tuple(sorted(meter_zones.items())), book_zone))


def of_files(extract: FilesExtract, wanted: Collection[str]) -> FilesExtract:
    """The rows of the files in ``wanted``."""
    if set(extract.files["evidence_sha256"]) <= set(wanted):
        return extract
    tables = [
        table[table["evidence_sha256"].isin(wanted)].reset_index(drop=True)
        for table in (extract.readings, extract.refusals, extract.files)
    ]
    return FilesExtract(readings=tables[0], refusals=tables[1], files=tables[2])


def read_evidence(
    book: Book, taken: Sequence[Taken], meter_zones: Mapping[str, str], book_zone: str
) -> list[FilesExtract]:
    """The tables of exports, read from their bytes with the profile that the journal names."""
    parts: list[StoredExtract] = []
    batch = Batch(meter_zones=meter_zones, book_zone=book_zone)
    for told, content, large in read_ahead(book, taken, batch):
        if large is not None:
            parts += large
            continue
        batch.add(told, content)
        if batch.records.count >= BATCH_RECORDS:
            parts.append(batch.finish())
            batch = Batch(meter_zones=meter_zones, book_zone=book_zone)
    parts += [batch.finish()] if batch.told else []
    return [join_stored_extracts(parts)] if parts else []


def read_ahead(
    book: Book, taken: Sequence[Taken], batch: Batch
) -> Iterator[tuple[Told, bytes, list[StoredExtract] | None]]:
    """Each export in its turn with its bytes; a large one with what was read of it, two at a time."""

    def read(one: Taken) -> tuple[Told, bytes, list[StoredExtract] | None]:
        told = Told(sha256=one.sha256, original_name=one.original_name, claim=recorded_claim(book, one), zone=one.zone,
                    date_order=one.date_order)  # fmt: skip
        large: dict[int, StoredExtract] = {}
        with book.evidence.open(one.sha256) as stream:
            count = batch.read_large(told, stream, large.__setitem__)
            if count is None:
                return told, as_far_as_read(Source.of(stream)), None
        return told, b"", [large[at] for at in range(count)]

    waiting: deque[Future[tuple[Told, bytes, list[StoredExtract] | None]]] = deque()
    with ThreadPoolExecutor(WORKERS, thread_name_prefix="exports") as pool:
        for one in taken:
            waiting.append(pool.submit(read, one))
            if len(waiting) > WORKERS:
                yield waiting.popleft().result()
        while waiting:
            yield waiting.popleft().result()


def recorded_claim(book: Book, taken: Taken) -> Claim:
    """Who read the export when it was imported. Raises BookError where the profile's text is gone."""
    if taken.refused:
        return Claim(refused=taken.refused)
    if taken.profile_sha256 is None:
        return Claim()
    for one in shipped_profiles():
        if isinstance(one, CsvProfile) and one.sha256 == taken.profile_sha256:
            return Claim(profile=one)
    found = load_profile(book.evidence.read(taken.profile_sha256).decode(), f"profile {taken.profile}")
    if not isinstance(found, CsvProfile):
        raise BookError(f"the profile that read {taken.original_name} is not one of exports", seen=str(taken.profile))
    return Claim(profile=found)


def read_transcripts(
    book: Book, exports: Collection[str], only: Collection[str] | None, zone: str
) -> tuple[list[FilesExtract], list[pd.DataFrame], dict[str, str]]:
    """The tables of all conversations with meters, what their clocks said, and which memory each read."""
    sidecars = {
        sha256: sidecar
        for sha256 in book.evidence.hashes()
        if sha256 not in exports and (only is None or sha256 in only)
        and (sidecar := book.evidence.sidecar(sha256)).kind == "transcript"
    }  # fmt: skip
    parts, clocks, memories = [], [], {}
    for one in read_conversations(book, sidecars, find_zone(zone)):
        extract = one.extract
        counts = pd.DataFrame({
            "evidence_sha256": [one.sha256], "original_name": [sidecars[one.sha256].original_name],
            "profile": pd.Series([extract.profile], dtype="str"), "records": [extract.records],
            "readings": [len(extract.readings)], "refusals": [len(extract.refusals)], "duplicates": [0],
        })  # fmt: skip
        parts.append(
            FilesExtract(readings=extract.readings, refusals=extract.refusals, files=conform_table(FileCounts, counts))
        )
        clocks.append(one.clock_readings)
        memories[one.sha256] = one.memory
    return parts, clocks, memories
