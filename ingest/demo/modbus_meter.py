"""A demo meter of Modbus registers: bytes in, bytes out, no I/O of its own. Speaks the profile demo-modbus (RTU)."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime, timedelta
from decimal import Decimal
from typing import Any, Final

from pymodbus.framer import FramerRTU
from pymodbus.pdu import DecodePDU, ExceptionResponse
from pymodbus.pdu.register_message import (
    ReadInputRegistersResponse,
    WriteMultipleRegistersResponse,
    WriteSingleRegisterResponse,
)

from ingest.demo.day import DemoRecord, demo_day, local_now

SERIAL: Final = "DM-2031-003"
CLOCK_WRONG_BY: Final = timedelta(seconds=5)
UNIT_ID: Final = 1
IDENTITY_AT, COUNT_AT, CLOCK_AT, LIVE_AT, RECORD_AT = 0, 16, 20, 40, 100
SELECT_AT, SET_CLOCK_AT, ERASE_AT = 10, 20, 11
ERASE_WORD: Final = 0xE5A5
RECORD_REGISTERS: Final = 19
OVER: Final = 0x7FFFFFFF
CODES: Final = {"VLN": 1, "VLE": 2, "VNE": 3, "LOOP": 4, "CONT": 5, "INS500": 6, "METAL": 7, "PROOF": 8}
STEPS: Final = {"VLN": "0.1", "VLE": "0.1", "VNE": "0.1", "LOOP": "0.01", "CONT": "0.01", "INS500": "0.01"}


class ModbusDemoMeter:
    """Answers each request to unit 1. ``now`` gives true local time; the meter's clock is 5 s fast."""

    def __init__(self, records: Sequence[DemoRecord] | None = None, *, now: Callable[[], datetime] = local_now) -> None:
        self.records = list(demo_day() if records is None else records)
        self._now = now
        self._wrong_by = CLOCK_WRONG_BY
        self._framer: Any = FramerRTU(DecodePDU(True))
        self._held = b""
        self._selected = 0

    def receive(self, data: bytes) -> bytes:
        """What the meter answers to these bytes; the half of a request is kept until the rest comes."""
        self._held += data
        used, request = self._framer.handleFrame(self._held, 0, 0)
        if not used:
            return b""
        self._held = b""
        if request is None or request.dev_id != UNIT_ID:
            return b""
        answer = self._answer(request)
        answer.dev_id = UNIT_ID
        return bytes(self._framer.buildFrame(answer))

    def tick(self) -> bytes:
        """A Modbus meter never speaks on its own."""
        return b""

    def _answer(self, request: Any) -> Any:
        code, address = request.function_code, request.address
        if code == 4:
            registers = self._input_registers(address, request.count)
            return ExceptionResponse(4, 2) if registers is None else ReadInputRegistersResponse(registers=registers)
        if code == 6 and address == SELECT_AT:
            self._selected = request.registers[0]
        elif code == 6 and address == ERASE_AT and request.registers[0] == ERASE_WORD:
            self.records.clear()
        elif code == 16 and address == SET_CLOCK_AT and len(request.registers) == 6:
            self._wrong_by = datetime(*request.registers) - self._now()
            return WriteMultipleRegistersResponse(address=address, count=6)
        else:
            return ExceptionResponse(code, 2)
        return WriteSingleRegisterResponse(address=address, registers=request.registers)

    def _input_registers(self, address: int, count: int) -> list[int] | None:
        if (address, count) == (IDENTITY_AT, 16):
            return text_registers("DEMO MODBUS", 8) + text_registers(SERIAL, 8)
        if (address, count) == (COUNT_AT, 1):
            return [len(self.records)]
        if (address, count) == (CLOCK_AT, 6):
            return time_registers(self._now() + self._wrong_by)
        if (address, count) == (RECORD_AT, RECORD_REGISTERS) and 0 < self._selected <= len(self.records):
            return record_registers(self.records[self._selected - 1])
        if (address, count) == (LIVE_AT, 2):
            return [0, 2384]
        return None


def record_registers(record: DemoRecord) -> list[int]:
    """One record as this meter keeps it: number, time, test, value in steps of its test, label."""
    if record.value == "OVER":
        number = OVER
    elif record.code in STEPS:
        number = int(Decimal(record.value) / Decimal(STEPS[record.code]))
    else:
        number = int(record.value == "YES")
    words = [number >> 16, number & 0xFFFF]
    return [
        record.number,
        *time_registers(record.local),
        CODES[record.code],
        *words,
        0,
        *text_registers(record.label, 8),
    ]


def time_registers(moment: datetime) -> list[int]:
    """Year, month, day, hour, minute, second."""
    return [moment.year, moment.month, moment.day, moment.hour, moment.minute, moment.second]


def text_registers(text: str, registers: int) -> list[int]:
    """ASCII, two characters a register, filled up with NUL."""
    data = text.encode("ascii")[: registers * 2].ljust(registers * 2, b"\0")
    return [int.from_bytes(data[at : at + 2], "big") for at in range(0, len(data), 2)]
