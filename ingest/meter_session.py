"""One session with a meter: the open link, the transcript on disk, reopening after a loss, keeping the evidence."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable, Generator, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Final, TypeVar

from filelock import FileLock, Timeout

from ingest.book import Book
from ingest.conversation import Conversation
from ingest.foreign_text import file_name_part, show_foreign
from ingest.links import Link, open_link
from ingest.profiles.device import DeviceProfile
from ingest.profiles.devices import make_meter
from ingest.protocols.frames import Damage, Event, Script
from ingest.protocols.meter import Identity, MeterRefused, NoAnswer
from ingest.protocols.record_rows import clean_serial
from ingest.transcript_file import TranscriptWriter, parse_head
from ingest.transports.transport import LinkLost, Transport
from schemas.errors import InputError, LinkError

Result = TypeVar("Result")
Opener = Callable[[Link, DeviceProfile], Transport]
FOLDER: Final = "conversations"
SUFFIX: Final = ".transcript"


@dataclass(frozen=True, kw_only=True)
class Patience:
    """How often a lost link is opened again, and how long to wait before each time [s]."""

    reopen_times: int = 3
    wait_s: float = 1.0


class MeterSession:
    """A link that is open, or opened again. ``heard`` gets every event with the time of the question before it."""

    def __init__(
        self, book: Book, link: Link, profile: DeviceProfile, *, heard: Callable[[Event, float], None],
        patience: Patience, opener: Opener = open_link,
    ) -> None:  # fmt: skip
        self.link, self.profile, self.meter = link, profile, make_meter(profile)
        self._heard, self._patience, self._opener, self._book = heard, patience, opener, book
        self._damages = 0
        self.losses = 0
        self.identity: Identity | None = None
        self._transport: Transport | None = opener(link, profile)
        try:
            book.create()
            self._open_transcript()
        except BaseException:
            self._transport.close()
            raise

    @property
    def serial(self) -> str | None:
        """The serial number that the meter gave, or the profile."""
        said = clean_serial(self.identity.serial or "") if self.identity else None
        return said or self.profile.meter.serial

    def identify(self) -> None:
        """Ask the meter what it is; opened again where the link is lost meanwhile.

        Raises LinkError where the meter is silent, or speaks another language than its profile.
        """
        while self.identity is None:
            try:
                self.identity = self.run(self.meter.identify())
            except LinkLost as fault:
                self.reopen(fault)
            except NoAnswer as fault:
                raise (not_the_profile() if self._damages else fault) from fault
            except MeterRefused as fault:
                raise LinkError(fault.what, seen=fault.seen, advice="the profile may be for another meter") from fault

    def _hear(self, event: Event, asked_s: float) -> None:
        self._damages += isinstance(event, Damage)
        self._heard(event, asked_s)

    def _open_transcript(self) -> None:
        name = f"{datetime.now(UTC):%Y%m%dT%H%M%S%fZ}-{file_name_part(self.link.text)}{SUFFIX}"
        path = self._book.root / FOLDER / name
        path.parent.mkdir(exist_ok=True)
        self._lock = FileLock(f"{path}.lock")
        self._lock.acquire()
        self.transcript = TranscriptWriter(
            path, link=self.link.text, profile=self.profile.name, profile_toml=self.profile.toml
        )  # fmt: skip
        self._converse()

    def _converse(self) -> None:
        assert self._transport is not None
        self._conversation = Conversation(
            transport=self._transport, transcript=self.transcript, meter=self.meter, heard=self._hear
        )  # fmt: skip

    def run(self, script: Script[Result]) -> Result:
        """The result of one conversation. Raises LinkLost where the link broke, LinkError where the meter fails."""
        return self._conversation.run(script)

    def walk(self, script: Script[Result]) -> Generator[None, None, Result]:
        """The same step by step."""
        return self._conversation.walk(script)

    def reopen(self, fault: LinkError) -> None:
        """Open the link again after ``fault``. Raises it where that has been tried often enough, or fails.

        Raises LinkError where another meter is now at the other end.
        """
        self._conversation.note(f"link lost: {fault.what}")
        if self._transport is not None:
            self._transport.close()
            self._transport = None
        while self.losses < self._patience.reopen_times:
            self.losses += 1
            time.sleep(self._patience.wait_s)
            with contextlib.suppress(LinkError):
                self._transport = self._opener(self.link, self.profile)
                self._converse()
                break
        if self._transport is None:
            raise fault
        if self.identity is not None:
            self._check_same(self.identity)

    def _check_same(self, before: Identity) -> None:
        now = self.run(self.meter.identify())
        if now.serial != before.serial:
            raise LinkError(
                "another meter is now on this link",
                seen=f"before {show_foreign(str(before.serial))}, now {show_foreign(str(now.serial))}",
            )

    def note(self, text: str) -> None:
        """Write a remark of ours into the transcript."""
        self._conversation.note(text)

    def close(self) -> None:
        """Close link and transcript; the file stays for ``keep_transcript``."""
        if self._transport is not None:
            self._transport.close()
            self._transport = None
        self.transcript.close()

    def renew(self) -> str | None:
        """Keep the transcript so far as evidence and go on in a new one, over the same link."""
        self.transcript.close()
        kept = self._keep_file()
        self._open_transcript()
        self.identity = None
        self.identify()
        return kept

    def keep(self) -> str | None:
        """Close, and keep the transcript as evidence: its hash. None where nothing was received."""
        self.close()
        return self._keep_file()

    def _keep_file(self) -> str | None:
        try:
            return keep_transcript(self._book, self.transcript.path)
        finally:
            self._lock.release()
            Path(self._lock.lock_file).unlink(missing_ok=True)


def not_the_profile() -> LinkError:
    """The sentence for bytes that make no sense: another speed, or another meter."""
    return LinkError(
        "what arrives is not what the profile describes",
        advice="check baud, parity and line end in the profile, and that it is the profile of this meter",
    )


def keep_transcript(book: Book, path: Path) -> str | None:
    """Move a finished transcript into the evidence store. None, and no file left, where nothing was received."""
    with path.open("rb") as stream:
        first = stream.readline()
        received = any(b',"in":"' in line or b',"in_hex":"' in line for line in stream)
    if not received:
        path.unlink()
        return None
    head = parse_head(first)
    with book.locked():
        kept = book.evidence.keep(
            path, original_name=path.name, kind="transcript", received_at=head.opened_at, profile=head.profile
        )
    path.unlink()
    return kept.sidecar.sha256


def recover_transcripts(book: Book) -> Iterator[str]:
    """Transcripts that a killed process left behind, now evidence. Those still being written are left alone."""
    folder = book.root / FOLDER
    if not folder.is_dir():
        return
    for path in sorted(folder.glob(f"*{SUFFIX}")):
        lock = FileLock(f"{path}.lock")
        try:
            lock.acquire(timeout=0)
        except Timeout:
            continue
        try:
            kept = keep_transcript(book, path) if path.exists() else None
        except InputError:  # killed while the very first line was written: nothing was received
            path.unlink()
            kept = None
        finally:
            lock.release()
            Path(lock.lock_file).unlink(missing_ok=True)
        if kept:
            yield kept
