"""What passes between a meter and this program, and what a conversation asks for next. Nothing here does any I/O.

A conversation is a generator: it yields ``Send`` (an operation to perform) or ``Wait`` (the next event, or None when
nothing comes), and returns its result. A decoder is fed every frame of both directions in order and gives events:
live from the wire, later from the transcript, always by the same code. That is why a replay equals what was seen.
"""

from __future__ import annotations

from collections.abc import Generator, Mapping
from dataclasses import dataclass, field
from typing import Final, Literal, NamedTuple, Protocol, TypeVar

Direction = Literal["out", "in"]

BYTES: Final = "data"
READ: Final = "read"
WRITE: Final = "write"
NOTIFY: Final = "notify"
SUBSCRIBE: Final = "subscribe"
DESCRIPTOR: Final = "descriptor"
OPERATIONS: Final = (BYTES, READ, WRITE, NOTIFY, SUBSCRIBE, DESCRIPTOR)


NO_RECORDS: Final = (0, -1)
"""What ``Damage.asked`` is where no record was being asked for, so that none can be lost."""


class Frame(NamedTuple):
    """One frame of a transcript: its ``number`` (also its line), when [s since the transcript began], which way,
    the bytes, and for Bluetooth the operation and the characteristic.
    """

    number: int
    at_s: float
    direction: Direction
    data: bytes
    operation: str = BYTES
    channel: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class Send:
    """Perform one operation: bytes on a line, or read, write, subscribe on a characteristic."""

    data: bytes = b""
    operation: str = BYTES
    channel: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class Wait:
    """Wait for the next event: None after ``quiet_s`` [s] without a byte, or ``limit_s`` [s] in all."""

    quiet_s: float
    limit_s: float = 60.0


class Cell(NamedTuple):
    """One field of a record: ``raw`` as received, ``text`` as decoded, and what it stands for if not a value."""

    raw: str
    text: str
    special: Literal["", "over", "under", "none"] = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class Record:
    """One record that a meter sent whole: stored (with its ``position`` in the memory) or live (without)."""

    frame: int
    at_s: float
    raw: str
    cells: Mapping[str, Cell]
    position: int | None = None
    stored: bool = True


@dataclass(frozen=True, kw_only=True, slots=True)
class Damage:
    """Something that arrived and is no whole record or answer. ``asked``: the records that were being asked for,
    ``NO_RECORDS``, or null where any live reading may be lost.
    """

    frame: int
    at_s: float
    raw: str
    reason: str
    message: str
    asked: tuple[int, int] | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class Answer:
    """Any other answer of a meter: its ``kind`` (identity, count, clock, end, done, error, ...) and its values."""

    frame: int
    at_s: float
    kind: str
    values: Mapping[str, str] = field(default_factory=dict)


Event = Record | Damage | Answer
Result = TypeVar("Result")
Script = Generator[Send | Wait, "Event | None", Result]


class Decoder(Protocol):
    """Frames in, events out. Pure: the same frames always give the same events."""

    def feed(self, frame: Frame) -> list[Event]:
        """The events that this frame completes."""

    def finish(self) -> list[Event]:
        """What is left when the conversation breaks off."""
