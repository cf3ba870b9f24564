"""Many exports read together: tables are made and checked once for a batch, counts are kept by file."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import BinaryIO

import numpy as np
import pandas as pd

from ingest.exports.assemble import Assembled, FileFacts, assemble
from ingest.exports.read import Claim, collect
from ingest.exports.records import Records
from ingest.exports.source import Source
from ingest.exports.stored import StoredReadings, join_readings
from ingest.exports.stream import NotPlain, open_large, read_large
from ingest.exports.zones import Zones
from schemas.check import conform_table
from schemas.readings import FileCounts


@dataclass(frozen=True, kw_only=True)
class Told:
    """What is known of one export before it is read."""

    sha256: str
    original_name: str
    claim: Claim
    zone: str | None = None
    date_order: str | None = None


@dataclass(frozen=True, kw_only=True)
class StoredExtract:
    """Readings as they are stored, refusals, and one row of counts a file."""

    readings: StoredReadings
    refusals: pd.DataFrame
    files: pd.DataFrame

    def tables(self) -> FilesExtract:
        """The same with the readings as a table, checked."""
        return FilesExtract(readings=self.readings.frame(), refusals=self.refusals, files=self.files)


@dataclass(frozen=True, kw_only=True)
class FilesExtract:
    """Readings, refusals, and one row of counts a file (schemas.readings.FileCounts)."""

    readings: pd.DataFrame
    refusals: pd.DataFrame
    files: pd.DataFrame


@dataclass
class Batch:
    """Files whose records wait to become tables. ``meter_zones`` and ``book_zone`` count where files are silent."""

    meter_zones: Mapping[str, str]
    book_zone: str | None
    told: list[Told] = field(default_factory=list)
    claims: list[Claim] = field(default_factory=list)
    records: Records = field(default_factory=Records)

    def add(self, told: Told, content: bytes) -> Claim:
        """Read the cells of one file; the claim in force after its layout was seen."""
        claim = collect(content, told.original_name, self.records, len(self.told), told.claim)
        self.told.append(told)
        self.claims.append(claim)
        return claim

    def finish(self) -> StoredExtract:
        """What the batch holds; its readings are not yet checked."""
        facts = [self.facts(told, claim) for told, claim in zip(self.told, self.claims, strict=True)]
        done = with_counts(assemble(self.records, facts), self.told, self.claims)
        return replace(done, files=conform_table(FileCounts, done.files))

    def facts(self, told: Told, claim: Claim) -> FileFacts:
        """What is known of a file before its cells are understood."""
        profile = claim.profile
        zones = Zones(
            profile=profile.zone if profile else None, meters=tuple(sorted(self.meter_zones.items())),
            operator=told.zone, book=self.book_zone,
        )  # fmt: skip
        return FileFacts(
            sha256=told.sha256, zones=zones, date_order=told.date_order or (profile.date_order if profile else None)
        )

    def read_large(
        self, told: Told, content: bytes | BinaryIO, write: Callable[[int, StoredExtract], None],
        meanwhile: Callable[[], None] = lambda: None,
    ) -> int | None:  # fmt: skip
        """Read one large text in parts; how many were handed to ``write``. None where it has to be read as a whole.

        ``meanwhile`` is called while the first parts are read, perhaps again.
        """
        if told.claim.refused:
            return None
        large = open_large(Source.of(content), told.claim.profile)
        if large is None:
            return None
        facts = self.facts(told, told.claim)
        try:
            return read_large(
                large, facts, lambda at, part: write(at, with_counts(part, [told], [told.claim])), meanwhile
            )
        except NotPlain:
            return None


def with_counts(done: Assembled, told: Sequence[Told], claims: Sequence[Claim]) -> StoredExtract:
    """A batch with one row of counts a file, not yet checked: parts of a file are added up first."""
    places = range(len(told))
    counts = pd.DataFrame(
        {
            "evidence_sha256": [one.sha256 for one in told],
            "original_name": [one.original_name for one in told],
            "profile": pd.Series([claim.name for claim in claims], dtype="str"),
            "readings": np.bincount(done.reading_file, minlength=len(places)),
            "refusals": np.bincount(done.refusal_file, minlength=len(places)),
            "duplicates": 0,
        }
    )
    counts["records"] = counts["readings"] + counts["refusals"]
    return StoredExtract(readings=done.readings, refusals=done.refusals, files=counts)


def join_parts(parts: Sequence[FilesExtract]) -> FilesExtract:
    """The parts of one large file as one, their counts added up."""
    joined = join_extracts(parts)
    files = add_counts([part.files for part in parts])
    return FilesExtract(readings=joined.readings, refusals=joined.refusals, files=files)


def add_counts(parts: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """The counts of the parts of one file as one row (schemas.readings.FileCounts)."""
    added = {name: [sum(int(part[name].iloc[0]) for part in parts)] for name in ("readings", "refusals", "records")}
    return conform_table(FileCounts, parts[0].assign(**added))


def join_stored_extracts(parts: Sequence[StoredExtract]) -> FilesExtract:
    """What was read in many parts as tables, made and checked at once; the counts of one file are added up.

    Shape: as ``join_extracts``. Raises TableError.
    """
    counts = pd.concat([part.files for part in parts], ignore_index=True)
    numbers = counts.groupby("evidence_sha256", sort=False)[["readings", "refusals", "records"]].sum()
    files = counts.drop_duplicates("evidence_sha256").set_index("evidence_sha256").assign(**numbers).reset_index()
    return FilesExtract(
        readings=join_readings([part.readings for part in parts]),
        refusals=pd.concat([part.refusals for part in parts], ignore_index=True),
        files=conform_table(FileCounts, files),
    )


def join_extracts(parts: Sequence[FilesExtract]) -> FilesExtract:
    """The tables of several batches as one, in their order."""
    return FilesExtract(
        readings=pd.concat([part.readings for part in parts], ignore_index=True),
        refusals=pd.concat([part.refusals for part in parts], ignore_index=True),
        files=pd.concat([part.files for part in parts], ignore_index=True),
    )
