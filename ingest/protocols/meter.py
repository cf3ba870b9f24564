"""What every kind of meter can be asked, whatever it speaks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final, Protocol

from ingest.foreign_text import show_foreign
from ingest.profiles.device import DeviceProfile
from ingest.protocols.frames import Answer, Decoder, Script
from schemas.errors import LinkError

ASKED: Final = {
    "identify": "asked what it is", "count": "asked how many records it holds", "record": "asked for stored records",
    "clock": "asked for its clock", "set_clock": "told to set its clock", "erase": "told to delete its records",
}  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class Identity:
    """What a meter says it is; bounded and shown only through ingest.foreign_text."""

    serial: str | None = None
    model: str = ""
    notes: tuple[str, ...] = ()


class NoAnswer(LinkError):
    """The meter stayed silent, or said nothing that fits."""

    def __init__(self, asked: str) -> None:
        self.asked = asked
        super().__init__(
            f"the meter gave no answer ({ASKED.get(asked, asked)})",
            advice="wake the meter, check the cable or the distance, and check baud and line ends in its profile",
        )


class MeterRefused(LinkError):
    """The meter understood and said no."""

    def __init__(self, asked: str, said: str) -> None:
        self.asked = asked
        super().__init__(f"the meter refused ({ASKED.get(asked, asked)})", seen=show_foreign(said))


class Silence:
    """Counts questions that got no answer at all, one after the other: one may be lost, two are silence."""

    def __init__(self) -> None:
        self._unanswered = 0

    def note(self, answered: bool) -> None:
        """Raises NoAnswer at the second question in a row without any answer."""
        self._unanswered = 0 if answered else self._unanswered + 1
        if self._unanswered >= 2:
            raise NoAnswer("record")


class NotThere(LinkError):
    """The meter has no such characteristic, or does not let it be read."""


class Busy(LinkError):
    """The meter is still at another procedure."""


class Meter(Protocol):
    """The conversations of one kind of meter.

    ``numbered``: ``position`` where records are asked for by their place, ``sequence`` where by their own number.
    ``probes_beyond``: asking for a record after the last one does no harm and shows whether the count is true.
    """

    numbered: str
    probes_beyond: bool
    first_number: int
    frame_end: bytes

    @property
    def profile(self) -> DeviceProfile:
        """The profile that it was made from."""

    def decoder(self) -> Decoder:
        """A fresh decoder."""

    def identify(self) -> Script[Identity]:
        """Model and serial number."""

    def count(self, since: int | None = None) -> Script[int | None]:
        """How many records the meter says it holds; ``since``: from that number on, where asked by number."""

    def fetch(self, positions: Sequence[int]) -> Script[None]:
        """Ask for these records."""

    def clock(self) -> Script[Answer | None]:
        """What the meter's clock says."""

    def set_clock(self, local: datetime) -> Script[bool]:
        """Set the clock."""

    def erase(self) -> Script[bool]:
        """Delete all stored records."""

    def live(self) -> Script[None]:
        """Readings as they are made."""

    def stop_live(self) -> Script[None]:
        """Tell the meter that nobody listens any more."""


def runs(positions: Sequence[int], at_once: int) -> list[tuple[int, int]]:
    """Ascending ``positions`` as ranges without gaps, none longer than ``at_once``."""
    found: list[tuple[int, int]] = []
    for position in positions:
        if found and position == found[-1][1] + 1 and position - found[-1][0] < at_once:
            found[-1] = (found[-1][0], position)
        else:
            found.append((position, position))
    return found


def at_once(many: int, wrap: int | None) -> int:
    """How many records to ask for at once: never so many that two of them bear one number."""
    return min(many, wrap) if wrap else many
