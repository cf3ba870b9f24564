"""Live readings of a meter, each as it arrives; the transcript of it all becomes evidence at the end."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from types import TracebackType
from typing import Final, Self
from zoneinfo import ZoneInfo

from ingest.book import Book
from ingest.extract import ReadingRow, RefusalRow
from ingest.links import open_link, parse_link
from ingest.meter_session import MeterSession, Opener, Patience
from ingest.profile_choice import choose_profile
from ingest.profiles.device import DeviceProfile
from ingest.profiles.devices import sample_profiles
from ingest.protocols.frames import Damage, Event, Record
from ingest.protocols.record_rows import RowMaker
from ingest.sync import ask_clock
from ingest.transcripts import read_transcript
from ingest.transports.transport import LinkLost
from schemas.errors import LinkError

NOT_YET_KNOWN: Final = "0" * 64
LONGEST_TRANSCRIPT_BYTES: Final = 8_000_000
CLOCK_QUESTIONS: Final = 3


@dataclass(frozen=True, kw_only=True)
class LiveItem:
    """One reading or one refusal, and when its last byte arrived (UTC).

    The hash in ``row`` is all zeros: the transcript that will be its evidence is still being written. Read again
    from the book afterwards, it is the same row with the hash in place.
    """

    row: ReadingRow | RefusalRow
    received_at: datetime


@dataclass(frozen=True, kw_only=True)
class WatchReport:
    """The end of a watch: the transcripts' hashes (none where nothing was received) and what they hold.

    A long watch has several transcripts, each about 8 MB, so that none grows beyond what can be read at once.
    """

    sha256s: tuple[str, ...]
    readings: int
    refusals: int
    fault: LinkError | None


class Watch:
    """Iterate for live readings; leave the ``with`` to keep the evidence. ``report`` is there afterwards.

    Iteration yields None about twice a second while nothing arrives, so that a caller can look at a clock or a key.
    """

    def __init__(
        self, book: Book, link: str, *, profile: str | None = None,
        profiles: Mapping[str, DeviceProfile] | None = None, patience: Patience | None = None,
        opener: Opener = open_link,
    ) -> None:  # fmt: skip
        self._book = book
        self._profiles = dict(sample_profiles()) | dict(profiles or {})
        parsed = parse_link(link)
        chosen = choose_profile(parsed, profile, self._profiles)
        self._waiting: deque[LiveItem] = deque()
        self._maker: RowMaker | None = None
        self._columns: dict[int, int] = {}
        self._fault: LinkError | None = None
        self._hashes: list[str] = []
        self._counts = [0, 0]
        self.report: WatchReport | None = None
        self._session = MeterSession(
            book, parsed, chosen, heard=self._hear, patience=patience or Patience(), opener=opener
        )  # fmt: skip

    @property
    def profile(self) -> DeviceProfile:
        """The profile that the meter is read by."""
        return self._session.profile

    @property
    def serial(self) -> str | None:
        """The meter's serial number, once iteration has begun."""
        return self._session.serial

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if isinstance(error, LinkError):
            self._fault = error
        self.close()

    def __iter__(self) -> Iterator[LiveItem | None]:
        """Live items until the caller stops. Raises LinkError where the link is lost for good."""
        session = self._session
        session.identify()
        ask_clock(session, CLOCK_QUESTIONS)
        own = session.profile.time.zone
        self._maker = RowMaker(
            profile=session.profile, sha256=NOT_YET_KNOWN, serial=session.serial,
            zone=ZoneInfo(own) if own else self._book.zone,
        )  # fmt: skip
        while True:
            try:
                for _ in session.walk(session.meter.live()):
                    yield from self._drain()
                    yield None
                    if session.transcript.bytes >= LONGEST_TRANSCRIPT_BYTES:
                        self._take(session.renew())
                        break
                else:
                    raise LinkError("this meter gives no live readings", advice="read its memory: provebook sync LINK")
            except LinkLost as fault:
                session.reopen(fault)

    def fail(self, fault: LinkError) -> None:
        """Say what ended the watch, for the report."""
        self._fault = fault

    def close(self) -> WatchReport:
        """Stop the meter, keep the transcript as evidence, and say what it holds."""
        if self.report is not None:
            return self.report
        try:
            if self._maker is not None:
                self._session.run(self._session.meter.stop_live())
        except LinkError as error:
            self._fault = self._fault or error
        self._take(self._session.keep())
        readings, refusals = self._counts
        self.report = WatchReport(
            sha256s=tuple(self._hashes), readings=readings, refusals=refusals, fault=self._fault
        )  # fmt: skip
        return self.report

    def _take(self, sha256: str | None) -> None:
        """Note a finished transcript in the journal, and count what it holds."""
        if sha256 is None:
            return
        extract = read_transcript(
            self._book.evidence.read(sha256), sha256=sha256, profiles=self._profiles, zone=self._book.zone
        )
        counts = {"readings": len(extract.readings), "refusals": len(extract.refusals)}
        body = {"sha256": sha256, "profile": self.profile.name, "meter_serial": self.serial}
        with self._book.locked():
            self._book.journal.append("watch", body | counts)
        self._hashes.append(sha256)
        self._counts = [self._counts[0] + counts["readings"], self._counts[1] + counts["refusals"]]

    def _drain(self) -> Iterator[LiveItem]:
        while self._waiting:
            yield self._waiting.popleft()

    def _hear(self, event: Event, asked_s: float) -> None:
        received_at = datetime.now(UTC)
        if isinstance(event, Damage):
            row = RefusalRow(
                evidence_sha256=NOT_YET_KNOWN, record_no=event.frame, raw_text=event.raw, reason=event.reason,
                message=event.message,
            )  # fmt: skip
            self._waiting.append(LiveItem(row=row, received_at=received_at))
        if isinstance(event, Record) and not event.stored and self._maker is not None:
            column = self._columns.get(event.frame, 0) + 1
            rows = self._maker.rows(event, column, received_at)
            self._columns = {event.frame: column + len(rows) - 1}
            self._waiting.extend(LiveItem(row=row, received_at=received_at) for row in rows)
