"""Delete the records on a meter: only after the book has verified its own copy, and only when asked twice."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from ingest.book import Book
from ingest.contents import Marks
from ingest.download import Download, overlap_agrees
from ingest.known_records import known_records
from ingest.links import open_link, parse_link
from ingest.meter_session import MeterSession, Opener, Patience
from ingest.profile_choice import choose_profile
from ingest.profiles.device import DeviceProfile
from ingest.profiles.devices import sample_profiles
from ingest.sync import ask_count
from ingest.transports.transport import LinkLost
from schemas.errors import LinkError

Confirm = Callable[[str], bool]


@dataclass(frozen=True, kw_only=True)
class EraseReport:
    """The end: whether the meter's memory was deleted, how many records it held, and why not where not."""

    erased: bool
    records: int
    sha256: str | None
    sentence: str


def erase_meter(
    book: Book, link: str, *, confirm: Confirm, profile: str | None = None,
    profiles: Mapping[str, DeviceProfile] | None = None, patience: Patience | None = None, opener: Opener = open_link,
) -> EraseReport:  # fmt: skip
    """Delete all records on the meter if the book holds every one of them and ``confirm`` says yes twice.

    The book's copy is read from disk again (its hash with it) and compared with the meter before anyone is asked.
    Raises LinkError where the link fails; nothing is deleted unless every check before passed.
    """
    known_profiles = dict(sample_profiles()) | dict(profiles or {})
    parsed = parse_link(link)
    chosen = choose_profile(parsed, profile, known_profiles)
    download: Download | None = None
    session = MeterSession(
        book, parsed, chosen, patience=patience or Patience(), opener=opener,
        heard=lambda event, asked_s: download.hear(event) if download else None,
    )  # fmt: skip
    kept = None
    try:
        session.identify()
        count = ask_count(session) or 0
        known = known_records(book, chosen, session.serial, known_profiles)
        download = Download(session=session, progress=lambda done, total: None)
        why_not = _why_not(session, download, known, count)
        if not why_not and not _asked_twice(confirm, session.serial, count):
            why_not = "not confirmed twice: nothing was deleted"
        if not why_not:
            why_not = _erase(session)
    finally:
        kept = session.keep()
    with book.locked():
        body = {"sha256": kept, "profile": chosen.name, "meter_serial": session.serial, "records": count}
        book.journal.append("erase refused" if why_not else "erase", body | {"why": why_not})
    sentence = why_not or f"{count} records were deleted from the meter; the book holds them"
    return EraseReport(erased=not why_not, records=count, sha256=kept, sentence=sentence)


def _why_not(session: MeterSession, download: Download, known: Marks, count: int) -> str:
    """Why the records may not be deleted; empty where the book is known to hold all of them."""
    if session.serial is None:
        return "the meter does not say its serial number, so the book's copy cannot be compared"
    if count == 0:
        return "the meter says that it holds no records"
    if len(known) != count:
        return f"the meter holds {count} records, the book {len(known)} of them: sync first"
    if session.meter.numbered == "position":
        first = session.meter.first_number
        agrees = set(known) == set(range(first, first + count)) and overlap_agrees(download, known)
    else:
        download.ask([])
        agrees = download.contents() == count and all(download.certain(at) == known[at] for at in known)
    return "" if agrees else "what the meter holds is not what the book holds: sync first"


def _asked_twice(confirm: Confirm, serial: str | None, count: int) -> bool:
    return confirm(f"delete all {count} records on meter {serial}?") and confirm(
        "they cannot be had back from the meter. Delete them now?"
    )


def _erase(session: MeterSession) -> str:
    """Delete; the reason where it did not work."""
    try:
        if not session.run(session.meter.erase()):
            return "this meter's records cannot be deleted over the link: delete them at the meter"
        left = session.run(session.meter.count())
    except LinkLost as fault:
        raise LinkError(
            "the link was lost while the records were being deleted", advice="sync again to see what the meter holds"
        ) from fault
    return "" if not left else f"the meter says that it still holds {left} records"
