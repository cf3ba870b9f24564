"""What the journal says about each export of a book: which profile read it, and what people told about it."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace
from typing import Any, Final

import pandas as pd

from ingest.book import Book

KIND: Final = "import"
READER_VERSION: Final = 1
"""Counts up whenever the same bytes would be read differently."""


@dataclass(frozen=True, kw_only=True)
class Taken:
    """One export as it is read: its evidence, the profile that reads it, and what was told about it.

    ``profile`` is the name of a profile, ``built-in``, or None where nothing could read the file; ``refused`` then says
    why. ``profile_sha256`` is the hash of the text of a user's profile, which is evidence itself. ``extract`` names the
    derived tables in which its readings stand.
    """

    sha256: str
    original_name: str
    profile: str | None = None
    profile_sha256: str | None = None
    profile_given: str | None = None
    refused: str | None = None
    zone: str | None = None
    date_order: str | None = None
    extract: str | None = None

    def entry(self, *, readings: int, refusals: int) -> dict[str, Any]:
        """The journal entry of this import."""
        return {
            "sha256": self.sha256,
            "original_name": self.original_name,
            "profile": self.profile,
            "profile_sha256": self.profile_sha256,
            "profile_given": self.profile_given,
            "refused": self.refused,
            "zone_given": self.zone,
            "date_order_given": self.date_order,
            "records": readings + refusals,
            "readings": readings,
            "refusals": refusals,
            "reader_version": READER_VERSION,
            "extract": self.extract,
        }


def list_taken(book: Book, *, only: Collection[str] | None = None) -> list[Taken]:
    """Every export of the book by hash. A later import of the same bytes counts more, but takes back no word told."""
    found: dict[str, Taken] = {}
    for entry in book.journal.entries():
        body = entry.body
        if entry.kind != KIND or (only is not None and body["sha256"] not in only):
            continue
        before = found.get(body["sha256"], Taken(sha256=body["sha256"], original_name=body["original_name"]))
        found[body["sha256"]] = Taken(
            sha256=body["sha256"],
            original_name=before.original_name,
            profile=body["profile"],
            profile_sha256=body["profile_sha256"],
            profile_given=body["profile_given"],
            refused=body["refused"],
            zone=body["zone_given"] or before.zone,
            date_order=body["date_order_given"] or before.date_order,
            extract=body["extract"],
        )
    return [found[sha256] for sha256 in sorted(found)]


def decided(taken: Taken, told: Mapping[str, tuple[str | None, str | None]]) -> Taken:
    """``taken`` with the zone and date order that a decision gave; then its derived tables no longer hold."""
    zone, date_order = told.get(taken.sha256, (None, None))
    changed = replace(taken, zone=zone or taken.zone, date_order=date_order or taken.date_order)
    return taken if changed == taken else replace(changed, extract=None)


def told_by(decisions: pd.DataFrame | None) -> dict[str, tuple[str | None, str | None]]:
    """SHA-256 of an export to the zone and date order that decisions give it; undone decisions do not count."""
    if decisions is None or decisions.empty:
        return {}
    undone = set(decisions.loc[decisions["kind"] == "undo", "subject"])
    told: dict[str, tuple[str | None, str | None]] = {}
    for row in decisions[decisions["kind"].isin(["zone", "dates"])].to_dict("records"):
        if row["decision_id"] in undone:
            continue
        zone, date_order = told.get(row["subject"], (None, None))
        if row["kind"] == "zone":
            zone = row["answer"]
        else:
            date_order = row["answer"]
        told[row["subject"]] = (zone, date_order)
    return told
