"""All conversations of a book, read together: a record spoiled in one and whole in a later one is no loss."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from typing import BinaryIO, Final
from zoneinfo import ZoneInfo

import pandas as pd

from ingest.book import Book
from ingest.contents import Marks, content_mark
from ingest.extract import Extract
from ingest.profiles.device import DeviceProfile
from ingest.transcript_clocks import clock_table
from ingest.transcript_profiles import newest_profiles
from ingest.transcripts import Heard, hear, in_doubt, no_transcript, read_heard, settled_records
from schemas.errors import InputError

TELLING: Final = 12
"""So many characters of a record that was cut off are enough to know it again."""


@dataclass(frozen=True, kw_only=True)
class ReadConversation:
    """One transcript as read: its extract, and what the meter's clock said (schemas.meters.ClockReadings).

    ``memory`` is the same for conversations that are known to have read the same memory of the same meter.
    """

    sha256: str
    memory: str
    extract: Extract
    clock_readings: pd.DataFrame


@dataclass(frozen=True, kw_only=True)
class Memory:
    """What one conversation knows for certain of a meter's memory: the mark of the content by position, and where the
    meter said that it has none.
    """

    sha256: str
    meter: tuple[str, str | None]
    opened_at: datetime
    stored: Marks
    empty: Marks


def read_conversations(book: Book, hashes: Collection[str], zone: ZoneInfo) -> list[ReadConversation]:
    """The transcripts ``hashes`` of the book, in their order. Raises BookError where one is missing or changed.

    A refusal of a spoiled record is left out only where a later conversation with the same meter has it, and the two
    are seen to be of the same memory: what both have for certain is the same.
    """
    profiles = newest_profiles(book)
    memories: list[Memory] = []
    read: dict[str, ReadConversation] = {}
    wait: list[str] = []
    for sha256 in hashes:
        with book.evidence.open(sha256) as stream:
            try:
                heard = hear(stream, profiles)
            except InputError as error:
                extract = no_transcript(stream, error, sha256)
                read[sha256] = ReadConversation(
                    sha256=sha256, memory=sha256, extract=extract, clock_readings=clock_table(None, sha256, zone)
                )
                continue
            memories.append(memory_of(heard, sha256))
            if in_doubt(heard):
                wait.append(sha256)
            else:
                read[sha256] = _read(heard, stream, sha256, zone, Marks())
    for sha256 in wait:
        with book.evidence.open(sha256) as stream:
            heard = hear(stream, profiles)
            read[sha256] = _read(heard, stream, sha256, zone, _later_contents(book, heard, sha256, memories, profiles))
    named = name_memories(memories)
    return [replace(read[sha256], memory=named.get(sha256, sha256)) for sha256 in hashes]


def name_memories(memories: Iterable[Memory]) -> dict[str, str]:
    """Conversation to the first conversation with the same memory (SHA-256).

    A meter's memory is the same as before where something is in both and nothing differs; a meter that does not say its
    serial number has another one each time.
    """
    named: dict[str, str] = {}
    latest: dict[tuple[str, str | None], tuple[str, Marks]] = {}
    for one in sorted(memories, key=lambda memory: (memory.opened_at, memory.sha256)):
        name, held = latest.get(one.meter, (one.sha256, Marks()))
        common = [position for position in one.stored if position in held]
        if not one.meter[1] or not common or any(one.stored[position] != held[position] for position in common):
            name, held = one.sha256, Marks()
        held.update(one.stored)
        latest[one.meter] = (name, held)
        named[one.sha256] = name
    return named


def memory_of(heard: Heard, sha256: str) -> Memory:
    """What is kept of a conversation to compare others with."""
    return Memory(
        sha256=sha256, meter=(heard.profile.name, heard.serial), opened_at=heard.head.opened_at, stored=heard.stored(),
        empty=heard.empty,
    )  # fmt: skip


def _later_contents(
    book: Book, heard: Heard, sha256: str, memories: Iterable[Memory], profiles: Mapping[str, DeviceProfile]
) -> Marks:
    """What later conversations have for certain of the same memory of the same meter; where it is empty, a 1."""
    mine = memory_of(heard, sha256)
    found = Marks()
    for other in memories:
        if other.meter != mine.meter or not mine.meter[1] or other.opened_at <= mine.opened_at:
            continue
        if any(
            position in other.stored and other.stored[position] != mine.stored[position] for position in mine.stored
        ):
            continue
        if _meets(heard, other.stored) or _goes_on(book, heard, other, profiles):
            found.update(other.empty)
            found.update(other.stored)
    return found


def _meets(heard: Heard, stored: Marks) -> bool:
    """True where some record, even one in doubt, is the same in both."""
    return any(
        stored[position] == mark
        for position in heard.copies
        if position in stored
        for mark, _ in heard.copies.of(position)
    )


def _goes_on(book: Book, heard: Heard, other: Memory, profiles: Mapping[str, DeviceProfile]) -> bool:
    """True where what was cut off holds a record of the other, or the beginning of exactly one."""
    cuts = [_plain(damage.raw) for damage in heard.damages if len(damage.raw) > 3]
    if not cuts:
        return False
    begun = [0] * len(cuts)
    with book.evidence.open(other.sha256) as stream:
        again = hear(stream, profiles)
        for record, sound in settled_records(again, stream):
            if sound and record.position is not None and other.stored[record.position] == content_mark(record.raw):
                raw = _plain(record.raw)
                for place, cut in enumerate(cuts):
                    if len(raw) >= TELLING and raw in cut:
                        return True
                    begun[place] += _ends_in(cut, raw)
    return 1 in begun


def _plain(raw: str) -> str:
    """As damage and records are compared: bytes in hex are grouped otherwise in one than in the other."""
    return raw.replace(" ", "").lower()


def _ends_in(cut: str, raw: str) -> bool:
    """True where ``cut`` is a beginning of ``raw``, or ends in a telling one (behind the frame of a block, say)."""
    if raw.startswith(cut):
        return True
    return any(cut.endswith(raw[:length]) for length in range(TELLING, min(len(cut), len(raw)) + 1))


def _read(heard: Heard, stream: BinaryIO, sha256: str, zone: ZoneInfo, elsewhere: Marks) -> ReadConversation:
    return ReadConversation(
        sha256=sha256, memory=sha256, extract=read_heard(heard, stream, sha256=sha256, zone=zone, elsewhere=elsewhere),
        clock_readings=clock_table(heard, sha256, zone),
    )  # fmt: skip
