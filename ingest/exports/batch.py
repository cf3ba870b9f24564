"""Many exports read together: tables are made and checked once for a batch, counts are kept by file."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import pandas as pd

from ingest.exports.assemble import FileFacts, assemble
from ingest.exports.read import Claim, collect
from ingest.exports.records import Records
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
class FilesExtract:
    """Readings, refusals, and one row of counts a file (schemas.readings.FileCounts)."""

    readings: pd.DataFrame
    refusals: pd.DataFrame
    files: pd.DataFrame


@dataclass
class Batch:
    """Files whose records wait to become tables. ``meter_zones`` and ``book_zone`` give zones where files are silent."""

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

    def finish(self) -> FilesExtract:
        """The tables of the batch, checked."""
        facts = [self._facts(told, claim) for told, claim in zip(self.told, self.claims, strict=True)]
        done = assemble(self.records, facts)
        places = range(len(facts))
        counts = pd.DataFrame(
            {
                "evidence_sha256": [told.sha256 for told in self.told],
                "original_name": [told.original_name for told in self.told],
                "profile": pd.Series([claim.name for claim in self.claims], dtype="str"),
                "readings": pd.Series(done.reading_file).value_counts().reindex(places, fill_value=0).to_numpy(),
                "refusals": pd.Series(done.refusal_file).value_counts().reindex(places, fill_value=0).to_numpy(),
                "duplicates": 0,
            }
        )
        counts["records"] = counts["readings"] + counts["refusals"]
        return FilesExtract(
            readings=done.readings, refusals=done.refusals, files=conform_table(FileCounts, counts)
        )  # fmt: skip

    def _facts(self, told: Told, claim: Claim) -> FileFacts:
        profile = claim.profile
        zones = Zones(
            profile=profile.zone if profile else None, meters=tuple(sorted(self.meter_zones.items())),
            operator=told.zone, book=self.book_zone,
        )  # fmt: skip
        return FileFacts(
            sha256=told.sha256, zones=zones, date_order=told.date_order or (profile.date_order if profile else None)
        )


def join_extracts(parts: Sequence[FilesExtract]) -> FilesExtract:
    """The tables of several batches as one, in their order."""
    return FilesExtract(
        readings=pd.concat([part.readings for part in parts], ignore_index=True),
        refusals=pd.concat([part.refusals for part in parts], ignore_index=True),
        files=pd.concat([part.files for part in parts], ignore_index=True),
    )
