"""A demo meter of Bluetooth LE characteristics: values, and a record access control point. No radio of its own.

Speaks the profile demo-gatt. ``write`` answers with the notifications that follow, so that any kind of virtual
radio can carry them.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterator, Sequence
from datetime import datetime, timedelta
from decimal import Decimal
from typing import Final

from ingest.demo.day import DemoRecord, demo_day, local_now
from ingest.protocols.gatt_layouts import current_time_bytes

SERIAL: Final = "DG-2031-021"
SERVICE: Final = "7d2a0001-5b0e-4c3a-9f61-2b6d8e4c1a70"
RECORDS: Final = "7d2a0002-5b0e-4c3a-9f61-2b6d8e4c1a70"
LIVE: Final = "7d2a0003-5b0e-4c3a-9f61-2b6d8e4c1a70"
CONTROL_POINT: Final = "2a52"
CLOCK_WRONG_BY: Final = timedelta(seconds=-3661)
CODES: Final = {"VLN": 1, "VLE": 2, "VNE": 3, "LOOP": 4, "CONT": 5, "INS500": 6, "METAL": 7, "PROOF": 8}
VOLT_TENTHS: Final = bytes([0x06, 0xFF, 0x28, 0x27, 0x01, 0x00, 0x00])
"""Presentation format of the live voltage: uint16, ten to the minus one, volt."""

Notification = tuple[str, bytes]


class GattDemoMeter:
    """``now`` gives true local time; the meter's clock is an hour, a minute and a second slow."""

    def __init__(self, records: Sequence[DemoRecord] | None = None, *, now: Callable[[], datetime] = local_now) -> None:
        self.records = list(demo_day() if records is None else records)
        self._now = now
        self._wrong_by = CLOCK_WRONG_BY

    def read(self, characteristic: str) -> bytes | None:
        """The value of a characteristic; None where it has none."""
        fixed = {"2a29": b"PROVEBOOK", "2a24": b"DEMO GATT", "2a25": SERIAL.encode(), "2a19": bytes([87])}
        if characteristic == "2a2b":
            return current_time_bytes(self._now() + self._wrong_by)
        return fixed.get(characteristic)

    def write(self, characteristic: str, data: bytes) -> Iterator[Notification]:
        """What is notified after this write, in order."""
        if characteristic == "2a2b" and len(data) == 10:
            year, month, day, hour, minute, second = struct.unpack("<H5B", data[:7])
            self._wrong_by = datetime(year, month, day, hour, minute, second) - self._now()
        if characteristic == CONTROL_POINT and len(data) >= 2:
            yield from self._control(data)

    def live(self) -> Notification:
        """One present reading: 238.4 V."""
        return LIVE, struct.pack("<H", 2384)

    def _control(self, data: bytes) -> Iterator[Notification]:
        operation, chosen = data[0], self._chosen(data)
        if operation == 3:
            yield CONTROL_POINT, bytes([6, 0, 3, 1])
        elif chosen is None:
            yield CONTROL_POINT, bytes([6, 0, operation, 3])
        elif operation == 4:
            yield CONTROL_POINT, bytes([5, 0]) + struct.pack("<H", len(chosen))
        elif operation == 1:
            for record in chosen:
                yield RECORDS, record_bytes(record)
            yield CONTROL_POINT, bytes([6, 0, 1, 1 if chosen else 6])
        elif operation == 2:
            self.records = [record for record in self.records if record not in chosen]
            yield CONTROL_POINT, bytes([6, 0, 2, 1 if chosen else 6])
        else:
            yield CONTROL_POINT, bytes([6, 0, operation, 2])

    def _chosen(self, data: bytes) -> list[DemoRecord] | None:
        if data[1] in (0, 1):
            return self.records
        if data[1] == 3 and len(data) == 5 and data[2] == 1:
            first = int.from_bytes(data[3:5], "little")
            return [record for record in self.records if record.number & 0xFFFF >= first]
        return None


def record_bytes(record: DemoRecord) -> bytes:
    """One record on air: number, time, test, value as a medical float, label."""
    moment = record.local
    when = struct.pack("<H5B", moment.year, moment.month, moment.day, moment.hour, moment.minute, moment.second)
    head = struct.pack("<H", record.number & 0xFFFF) + when + bytes([CODES[record.code]])
    return head + medical_float(record.value) + record.label.encode()[:20]


def medical_float(text: str) -> bytes:
    """The 32-bit medical float of a value in text; +infinity for over-range, 1 or 0 for an indication."""
    if text == "OVER":
        return struct.pack("<I", 0x007FFFFE)
    number = Decimal(text) if text[:1].isdigit() else Decimal(int(text == "YES"))
    _, digits, exponent = number.as_tuple()
    mantissa = int("".join(map(str, digits)))
    return struct.pack("<I", (int(exponent) & 0xFF) << 24 | mantissa)
