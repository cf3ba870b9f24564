"""All conversations of a book, read together: a record spoiled in one and whole in a later one is no loss."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

import pandas as pd

from ingest.book import Book
from ingest.extract import Extract
from ingest.transcript_clocks import clock_table
from ingest.transcript_profiles import newest_profiles
from ingest.transcripts import Heard, doubtful_records, hear, read_heard, read_transcript, unsettled_damage
from schemas.errors import InputError


@dataclass(frozen=True, kw_only=True)
class ReadConversation:
    """One transcript as read: its extract, and what the meter's clock said (schemas.meters.ClockReadings)."""

    sha256: str
    extract: Extract
    clock_readings: pd.DataFrame


@dataclass(frozen=True, kw_only=True)
class Memory:
    """What one conversation knows for certain of a meter's memory: content by position."""

    meter: tuple[str, str | None]
    opened_at: datetime
    stored: Mapping[int, str]


def read_conversations(book: Book, hashes: Iterable[str], zone: ZoneInfo) -> list[ReadConversation]:
    """The transcripts ``hashes`` of the book, in their order. Raises BookError where one is missing or changed.

    A refusal of a spoiled record is left out only where a later conversation with the same meter has it, and the two
    are seen to be of the same memory: what both have for certain is the same.
    """
    profiles = newest_profiles(book)
    memories: list[Memory] = []
    read: dict[str, ReadConversation] = {}
    wait: list[str] = []
    for sha256 in hashes:
        content = book.evidence.read(sha256)
        try:
            heard = hear(content, profiles)
        except InputError:
            extract = read_transcript(content, sha256=sha256, profiles=profiles, zone=zone)
            read[sha256] = ReadConversation(
                sha256=sha256, extract=extract, clock_readings=clock_table(None, sha256, zone)
            )
            continue
        memories.append(memory_of(heard))
        read[sha256] = _read(heard, sha256, zone, {})
        if unsettled_damage(heard, {}) or doubtful_records(heard, {}):
            wait.append(sha256)
    for sha256 in wait:
        heard = hear(book.evidence.read(sha256), profiles)
        read[sha256] = _read(heard, sha256, zone, later_contents(heard, memories))
    return list(read.values())


def memory_of(heard: Heard) -> Memory:
    """What is kept of a conversation to compare others with."""
    return Memory(
        meter=(heard.profile.name, heard.serial), opened_at=heard.head.opened_at, stored=heard.stored()
    )  # fmt: skip


def later_contents(heard: Heard, memories: Iterable[Memory]) -> dict[int, str]:
    """What later conversations have for certain of the same memory of the same meter."""
    mine = memory_of(heard)
    found: dict[int, str] = {}
    for other in memories:
        if (
            other.meter == mine.meter
            and mine.meter[1]
            and other.opened_at > mine.opened_at
            and _same(heard, mine, other)
        ):
            found |= other.stored
    return found


def _same(heard: Heard, mine: Memory, other: Memory) -> bool:
    """True where something is seen to be the same and nothing certain differs."""
    common = mine.stored.keys() & other.stored.keys()
    if any(mine.stored[position] != other.stored[position] for position in common):
        return False
    return bool(common) or any(
        record.position is not None and other.stored.get(record.position) == record.raw for record in heard.records
    ) or any(_begins(damage.raw, other.stored.values()) for damage in heard.damages)  # fmt: skip


def _begins(cut: str, contents: Iterable[str]) -> bool:
    """True where a record that was cut off is the beginning of exactly one that came whole."""
    return len(cut) > 3 and sum(1 for raw in contents if raw.startswith(cut) or cut.startswith(raw)) == 1


def _read(heard: Heard, sha256: str, zone: ZoneInfo, elsewhere: Mapping[int, str]) -> ReadConversation:
    return ReadConversation(
        sha256=sha256, extract=read_heard(heard, sha256=sha256, zone=zone, elsewhere=elsewhere),
        clock_readings=clock_table(heard, sha256, zone),
    )  # fmt: skip
