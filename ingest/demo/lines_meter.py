"""A demo meter that speaks lines of text: bytes in, bytes out, no I/O of its own. Speaks the profile demo-lines."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence
from datetime import datetime, timedelta
from typing import Final

from ingest.demo.day import DemoRecord, demo_day, local_now
from ingest.protocols.checksums import CHECKSUMS

SERIAL: Final = "DL-2031-007"
CLOCK_WRONG_BY: Final = timedelta(seconds=37)


class LinesDemoMeter:
    """Answers each complete command line. ``now`` gives true local time; the meter's clock is 37 s fast."""

    def __init__(self, records: Sequence[DemoRecord] | None = None, *, now: Callable[[], datetime] = local_now) -> None:
        self.records = list(demo_day() if records is None else records)
        self.live = False
        self._now = now
        self._wrong_by = CLOCK_WRONG_BY
        self._held = b""
        self._next = itertools.count()

    def receive(self, data: bytes) -> bytes:
        """What the meter answers to these bytes."""
        *commands, self._held = (self._held + data).split(b"\r\n")
        return b"".join(self._answer(command.decode("ascii", "replace")) for command in commands)

    def tick(self) -> bytes:
        """What the meter says on its own: one reading, while somebody listens."""
        if not self.live or not self.records:
            return b""
        return line(record_text(self.records[next(self._next) % len(self.records)]))

    def _answer(self, command: str) -> bytes:
        word, _, rest = command.partition(" ")
        if word == "WHO":
            return line(f"WHO;DEMO LINES;{SERIAL}")
        if word == "HOLDS":
            return line(f"HOLDS;{len(self.records)}")
        if word == "LIST":
            first, last = (int(part) for part in rest.split())
            return b"".join(line(record_text(record)) for record in self.records[first - 1 : last]) + line("LIST END")
        if word == "NOW" and rest:
            self._wrong_by = datetime.strptime(rest, "%d/%m/%Y %H:%M:%S") - self._now()
            return line("NOW SET")
        if word == "NOW":
            return line(f"NOW;{self._now() + self._wrong_by:%d/%m/%Y %H:%M:%S}")
        if command == "FORGET ALL":
            self.records.clear()
            return line("FORGOTTEN")
        if word == "TELL":
            self.live = rest == "ON"
            return b""
        return line("NO;what?")


def record_text(record: DemoRecord) -> str:
    """One record as this meter prints it, without checksum."""
    moment = f"{record.local:%d/%m/%Y;%H:%M:%S}"
    return f"R;{record.number};{moment};{record.code};{record.value};{record.unit};{record.label}"


def line(text: str) -> bytes:
    """A line with its checksum and end."""
    return f"{text}*{CHECKSUMS['crc16'](text.encode())}\r\n".encode()
