"""How far a meter's clock is off, measured with care; and, only when asked for, set right and measured again."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Final
from zoneinfo import ZoneInfo

from ingest.book import Book
from ingest.clock_exchange import ClockOffset, clock_offset
from ingest.links import Link, open_link, parse_link
from ingest.meter_session import MeterSession, Opener, Patience
from ingest.profile_choice import choose_profile
from ingest.profiles.device import DeviceProfile
from ingest.profiles.devices import sample_profiles
from ingest.sync import ask_clock
from ingest.transcript_clocks import clock_exchanges
from ingest.transcripts import hear
from ingest.transports.transport import LinkLost
from schemas.errors import LinkError

QUESTIONS: Final = 24
FOR_ONE_STEP_S: Final = 1.2


@dataclass(frozen=True, kw_only=True)
class ClockReport:
    """What was found: the offset before, and after setting where that was asked for; the transcripts' hashes."""

    meter_serial: str | None
    before: ClockOffset
    after: ClockOffset | None
    sha256s: tuple[str, ...]
    sentences: tuple[str, ...]


def check_clock(
    book: Book, link: str, *, profile: str | None = None, profiles: Mapping[str, DeviceProfile] | None = None,
    set_it: bool = False, patience: Patience | None = None, opener: Opener = open_link,
) -> ClockReport:  # fmt: skip
    """Measure the meter's clock; with ``set_it`` set it to this computer's local time and measure again.

    Raises LinkError where the meter has no clock that can be read, or does not let it be set. Each measurement is a
    transcript of its own, so that the offset that past records were made with stays on record.
    """
    known = dict(sample_profiles()) | dict(profiles or {})
    parsed = parse_link(link)
    chosen = choose_profile(parsed, profile, known)
    make = _Maker(book, parsed, chosen, known, patience or Patience(), opener)
    serial, before, kept = make.measure(_set if set_it else None)
    hashes, after, sentences = [kept], None, []
    if not before.agree:
        sentences.append("no one offset fits all answers: the clock of the meter or of this computer jumped meanwhile")
    if set_it:
        _, after, kept = make.measure(None)
        hashes.append(kept)
    return ClockReport(
        meter_serial=serial, before=before, after=after, sha256s=tuple(hashes), sentences=tuple(sentences)
    )  # fmt: skip


@dataclass(frozen=True)
class _Maker:
    """What both measurements share."""

    book: Book
    link: Link
    profile: DeviceProfile
    profiles: Mapping[str, DeviceProfile]
    patience: Patience
    opener: Opener

    def measure(
        self, then: Callable[[MeterSession, ZoneInfo], None] | None
    ) -> tuple[str | None, ClockOffset, str]:  # fmt: skip
        """One session: ask until the seconds have moved once, then do ``then``; serial, offset, transcript."""
        zone = ZoneInfo(self.profile.time.zone) if self.profile.time.zone else self.book.zone
        session = MeterSession(
            self.book, self.link, self.profile, heard=lambda event, asked_s: None, patience=self.patience,
            opener=self.opener,
        )  # fmt: skip
        fault: LinkError | None = None
        try:
            session.identify()
            for _ in range(QUESTIONS):
                ask_clock(session, 1)
                time.sleep(FOR_ONE_STEP_S / QUESTIONS)
            if then is not None:
                then(session, zone)
        except LinkError as error:
            fault = error
        finally:
            kept = session.keep()
        if fault is not None or kept is None:
            raise fault or LinkError("the meter sent nothing")
        with self.book.evidence.open(kept) as stream:
            exchanges = clock_exchanges(hear(stream, self.profiles), zone)
        if not exchanges:
            raise LinkError("this meter has no clock that can be read", where=self.link.text)
        self._journal(kept, session.serial)
        return session.serial, clock_offset(exchanges), kept

    def _journal(self, sha256: str, serial: str | None) -> None:
        with self.book.locked():
            self.book.journal.append("clock", {"sha256": sha256, "profile": self.profile.name, "meter_serial": serial})


def _set(session: MeterSession, zone: ZoneInfo) -> None:
    """Send the local time at the moment when its second begins."""
    now = datetime.now(UTC)
    target = now.replace(microsecond=0) + timedelta(seconds=1)
    time.sleep(max(0.0, (target - now).total_seconds()))
    try:
        done = session.run(session.meter.set_clock(target.astimezone(zone).replace(tzinfo=None)))
    except LinkLost as fault:
        raise LinkError(
            "the link was lost while the clock was being set", advice="check it: provebook clock LINK"
        ) from fault
    if not done:
        raise LinkError("this meter's clock cannot be set over the link", advice="set it at the meter")
