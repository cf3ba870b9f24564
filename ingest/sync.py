"""Stored records of a meter into the book: transcript first, then readings from the transcript.

The way of a sync: leftovers of a killed run become evidence; the link is opened; the meter says what it is, what its
clock says and how many records it holds; what the book already holds is checked by overlap; the rest is asked for,
record by record or in blocks, again after noise and again after a lost link; the transcript is kept as evidence.
Whatever ends it, what was received is in the book.
"""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from ingest.book import Book
from ingest.clock_exchange import ClockOffset, clock_offset
from ingest.contents import Marks
from ingest.download import Download, Progress, download_positions
from ingest.download_sequence import download_sequence
from ingest.extract import ReadingRow, RefusalRow
from ingest.known_records import known_records
from ingest.links import open_link, parse_link
from ingest.meter_session import MeterSession, Opener, Patience, recover_transcripts
from ingest.profile_choice import choose_profile
from ingest.profiles.device import DeviceProfile
from ingest.profiles.devices import sample_profiles
from ingest.protocols.frames import Event
from ingest.protocols.meter import NoAnswer
from ingest.transcript_clocks import clock_exchanges
from ingest.transcripts import hear, heard_rows
from ingest.transports.transport import LinkLost
from schemas.errors import LinkError

CLOCK_QUESTIONS: Final = 3


@dataclass(frozen=True, kw_only=True)
class SyncReport:
    """The end of a sync. ``sha256`` names the transcript; null where nothing was received. ``records_on_meter`` is
    what the meter said; ``records_known`` were in the book before and agree. ``complete``: every record that the meter
    holds is now in the book. ``fault``: what ended it early.
    """

    sha256: str | None
    profile: str
    meter_serial: str | None
    records_on_meter: int | None
    records_known: int
    readings: int
    refusals: int
    clock: ClockOffset | None
    complete: bool
    fault: LinkError | None
    sentences: tuple[str, ...]
    seconds: float


def no_progress(done: int, total: int | None) -> None:
    """Show nothing."""


def sync_meter(
    book: Book, link: str, *, profile: str | None = None, profiles: Mapping[str, DeviceProfile] | None = None,
    progress: Progress = no_progress, patience: Patience | None = None, opener: Opener = open_link,
) -> SyncReport:  # fmt: skip
    """Take the stored records of the meter on ``link`` into ``book``.

    ``profiles``: the user's own by name; the shipped samples are known too. Raises InputError for a link or profile
    that cannot be used, LinkError where the link could not be opened at all; every later trouble is in the report.
    """
    known_profiles = dict(sample_profiles()) | dict(profiles or {})
    parsed = parse_link(link)
    chosen = choose_profile(parsed, profile, known_profiles)
    sync = _Sync(book, known_profiles, progress)
    sync.recover()
    session = MeterSession(
        book, parsed, chosen, heard=sync.hear, patience=patience or Patience(), opener=opener
    )  # fmt: skip
    return sync.run(session)


class _Sync:
    """One sync: its state from the first question to the report."""

    def __init__(self, book: Book, profiles: Mapping[str, DeviceProfile], progress: Progress) -> None:
        self._book, self._profiles, self._progress = book, profiles, progress
        self._count: int | None = None
        self._known = Marks()
        self._download: Download | None = None
        self._sentences: list[str] = []

    def hear(self, event: Event, asked_s: float) -> None:
        """Every event of the conversation."""
        if self._download is not None:
            self._download.hear(event)

    def recover(self) -> None:
        """Take in transcripts that a killed run left behind."""
        for sha256 in recover_transcripts(self._book):
            with self._book.evidence.open(sha256) as stream:
                heard = hear(stream, self._profiles)
            journal_sync(self._book, sha256, heard.profile.name, heard.serial, complete=False, recovered=True)
            self._sentences.append("the transcript of an earlier run that was cut off is now in the book")

    def run(self, session: MeterSession) -> SyncReport:
        """Converse, keep the transcript, report."""
        started, fault, whole = time.monotonic(), None, False
        try:
            whole = self._converse(session)
        except LinkError as error:
            fault = error
        except KeyboardInterrupt:
            fault = LinkError("stopped by you", advice="run the same command again: it goes on where it stopped")
        except BaseException:
            session.keep()
            raise
        kept = session.keep()
        if kept is None:
            raise fault or LinkError("the meter sent nothing")
        return self._report(session, kept, whole=whole, fault=fault, seconds=time.monotonic() - started)

    def _converse(self, session: MeterSession) -> bool:
        session.identify()
        ask_clock(session, CLOCK_QUESTIONS)
        self._count = ask_count(session)
        self._known = known_records(self._book, session.profile, session.serial, self._profiles)
        self._download = Download(session=session, progress=self._progress)
        download = download_positions if session.meter.numbered == "position" else download_sequence
        try:
            download(self._download, self._count, self._known)
        finally:
            self._sentences += self._download.sentences
        return not self._download.missing and not self._download.short

    def _report(
        self,
        session: MeterSession,
        sha256: str,
        *,
        whole: bool,
        fault: LinkError | None,
        seconds: float,
    ) -> SyncReport:
        with self._book.evidence.open(sha256) as stream:
            heard = hear(stream, self._profiles)
            rows = heard_rows(heard, stream, sha256=sha256, zone=self._book.zone)
            counts = Counter(type(row) for row in rows)
        exchanges = clock_exchanges(heard, self._book.zone)
        other_memory = bool(self._download and self._download.other_memory)
        journal_sync(
            self._book, sha256, session.profile.name, session.serial, complete=whole, other_memory=other_memory,
            on_meter=self._count, link=session.link.text,
        )  # fmt: skip
        return SyncReport(
            sha256=sha256, profile=session.profile.name, meter_serial=session.serial, records_on_meter=self._count,
            records_known=len(self._known), readings=counts[ReadingRow], refusals=counts[RefusalRow],
            clock=clock_offset(exchanges) if exchanges else None, complete=whole, fault=fault,
            sentences=tuple(self._sentences), seconds=seconds,
        )  # fmt: skip


def ask_clock(session: MeterSession, questions: int) -> None:
    """Ask a few times what the meter's clock says; the answers are in the transcript. Opened again where lost."""
    for _ in range(questions):
        try:
            if session.run(session.meter.clock()) is None:
                return
        except (LinkLost, NoAnswer) as fault:
            session.reopen(fault)


def ask_count(session: MeterSession) -> int | None:
    """How many records the meter says it holds; opened again where the link is lost."""
    while True:
        try:
            return session.run(session.meter.count())
        except (LinkLost, NoAnswer) as fault:
            session.reopen(fault)


def journal_sync(book: Book, sha256: str, profile: str, serial: str | None, **more: object) -> None:
    """One journal entry for a transcript that holds stored records."""
    with book.locked():
        book.journal.append("sync", {"sha256": sha256, "profile": profile, "meter_serial": serial} | more)
