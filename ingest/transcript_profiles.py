"""Which profile a conversation is read by: the newest text of its name that any conversation of the book was held with.

A profile that was wrong is corrected and the meter synced again; from then on the older conversations are read by the
corrected text too. It follows from the evidence alone, so the same book always gives the same readings.
"""

from __future__ import annotations

from ingest.book import Book
from ingest.profiles.device import DeviceProfile
from ingest.profiles.devices import parse_device_profile
from ingest.transcript_file import parse_head
from schemas.errors import InputError


def newest_profiles(book: Book) -> dict[str, DeviceProfile]:
    """Profile by name, as the newest transcript of that name has it; one that cannot be used is left out."""
    newest: dict[str, tuple[str, str]] = {}
    for sha256 in book.evidence.hashes():
        sidecar = book.evidence.sidecar(sha256)
        if sidecar.kind == "transcript" and sidecar.profile is not None:
            found = (sidecar.received_at, sha256)
            newest[sidecar.profile] = max(found, newest.get(sidecar.profile, found))
    profiles: dict[str, DeviceProfile] = {}
    for name, (_, sha256) in newest.items():
        try:
            with book.evidence.open(sha256) as stream:
                head = parse_head(stream.readline())
            profiles[name] = parse_device_profile(head.profile_toml, f"the profile in transcript {sha256[:16]}")
        except InputError:
            continue
    return profiles
