"""What the book already holds of a meter's memory, by position, from the transcripts it was synced by."""

from __future__ import annotations

from collections.abc import Mapping

from ingest.book import Book
from ingest.contents import Marks
from ingest.profiles.device import DeviceProfile
from ingest.transcripts import hear
from schemas.errors import InputError


def known_records(
    book: Book, profile: DeviceProfile, serial: str | None, profiles: Mapping[str, DeviceProfile]
) -> Marks:
    """The mark of each position's content, the newest sync first, back to where the memory was another one.

    Only transcripts of this profile and serial number count; a meter that does not say its serial number has none.
    """
    known = Marks()
    if not book.exists or serial is None:
        return known
    for entry in reversed(book.journal.entries()):
        body = entry.body
        if body.get("meter_serial") != serial or body.get("profile") != profile.name:
            continue
        if entry.kind == "erase":
            break
        if entry.kind == "sync":
            try:
                with book.evidence.open(body["sha256"]) as stream:
                    older = hear(stream, profiles).stored()
                older.update(known)
                known = older
            except InputError:
                continue
            if body.get("other_memory"):
                break
    return known
