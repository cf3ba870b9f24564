"""A demo meter that answers SCPI queries: bytes in, bytes out, no I/O of its own. Speaks the profile demo-scpi."""

from __future__ import annotations

import re
from collections import deque
from collections.abc import Callable, Sequence
from datetime import datetime, timedelta
from typing import Final

from ingest.demo.day import DemoRecord, demo_day, local_now

SERIAL: Final = "DS-2031-012"
CLOCK_WRONG_BY: Final = timedelta(seconds=-52)
OVER_RANGE: Final = "9.90E+37"


class ScpiDemoMeter:
    """Answers each complete command. ``now`` gives true local time; the meter's clock is 52 s slow."""

    def __init__(self, records: Sequence[DemoRecord] | None = None, *, now: Callable[[], datetime] = local_now) -> None:
        self.records = list(demo_day() if records is None else records)
        self._now = now
        self._wrong_by = CLOCK_WRONG_BY
        self._held = b""
        self._errors: deque[str] = deque()
        self._shown = 0

    def receive(self, data: bytes) -> bytes:
        """What the meter answers to these bytes."""
        *commands, self._held = (self._held + data).split(b"\n")
        return b"".join(self._line(command.decode("ascii", "replace").strip()) for command in commands)

    def tick(self) -> bytes:
        """A SCPI meter never speaks on its own."""
        return b""

    def _line(self, command: str) -> bytes:
        if not command:
            return b""
        answers = [self._answer(part.strip().lstrip(":")) for part in command.split(";")]
        said = [answer for answer in answers if answer is not None]
        return b";".join(said) + b"\n" if said else b""

    def _answer(self, command: str) -> bytes | None:
        word, _, rest = command.partition(" ")
        numbers = [int(part) for part in re.findall(r"[0-9]+", rest)]
        clock = self._now() + self._wrong_by
        if word == "*IDN?":
            return f"PROVEBOOK,DEMO SCPI,{SERIAL},1.0".encode()
        if word == "*OPC?":
            return b"1"
        if word == "SYST:ERR?":
            return (self._errors.popleft() if self._errors else '0,"No error"').encode()
        if word == "MEM:COUN?":
            return str(len(self.records)).encode()
        if word == "MEM:REC?" and len(numbers) == 2:
            return block("".join(record_text(record) for record in self.records[numbers[0] - 1 : numbers[1]]))
        if word == "READ?":
            self._shown += 1
            record = self.records[self._shown % len(self.records)]
            return ",".join(record_text(record).rstrip("\n").split(",")[3:6]).encode()
        if word == "SYST:DATE?":
            return f"{clock:%Y,%m,%d}".encode()
        if word == "SYST:TIME?":
            return f"{clock:%H,%M,%S}".encode()
        if word == "SYST:DATE" and len(numbers) == 3:
            self._wrong_by = clock.replace(year=numbers[0], month=numbers[1], day=numbers[2]) - self._now()
        elif word == "SYST:TIME" and len(numbers) == 3:
            changed = clock.replace(hour=numbers[0], minute=numbers[1], second=numbers[2], microsecond=0)
            self._wrong_by = changed - self._now()
        elif word == "MEM:DEL:ALL":
            self.records.clear()
        else:
            self._errors.append('-113,"Undefined header"')
        return None


def record_text(record: DemoRecord) -> str:
    """One record as this meter gives it: NR1, strings, NR3 and words."""
    word = record.value if not record.value.replace(".", "").isdigit() else f"{float(record.value):.3E}"
    value = OVER_RANGE if record.value == "OVER" else word
    label = record.label.replace('"', '""')
    moment = f'"{record.local:%Y-%m-%d}","{record.local:%H:%M:%S}"'
    return f'{record.number},{moment},{record.code},{value},{record.unit or "NONE"},"{label}"\n'


def block(text: str) -> bytes:
    """A definite-length block."""
    length = str(len(text))
    return f"#{len(length)}{length}{text}".encode()
