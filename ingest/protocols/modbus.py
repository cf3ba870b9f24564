"""Conversations with a meter of Modbus registers, as generators."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from pymodbus.pdu.register_message import (
    ReadHoldingRegistersRequest,
    ReadInputRegistersRequest,
    WriteMultipleRegistersRequest,
    WriteSingleRegisterRequest,
)

from ingest.profiles.device_modbus import MOST_REGISTERS, TIME_FIELDS, Area, ModbusProfile
from ingest.protocols.frames import Answer, Damage, Decoder, Script, Send, Wait
from ingest.protocols.meter import Identity, MeterRefused, NoAnswer, Silence, runs
from ingest.protocols.modbus_decoder import ModbusDecoder, make_framer

TRIES = 3
BUSY = ("5", "6")


class ModbusMeter:
    """The conversations of ``kind = "modbus"``."""

    numbered = "position"
    probes_beyond = False

    def __init__(self, profile: ModbusProfile) -> None:
        self.profile = profile
        self.first_number = profile.modbus.first_number
        self.frame_end = b""
        self._silence = Silence()
        self._framer = make_framer(profile)

    def decoder(self) -> Decoder:
        """A fresh decoder."""
        return ModbusDecoder(self.profile)

    def identify(self) -> Script[Identity]:
        """Model and serial number, where the map has them."""
        area = self.profile.modbus.identity
        if area is None:
            return Identity(serial=self.profile.meter.serial)
        answer = yield from self._ask("identify", self._read(area))
        return Identity(serial=answer.values["serial"], model=answer.values.get("model", ""))

    def count(self, since: int | None = None) -> Script[int | None]:
        """How many records the meter says it holds."""
        area = self.profile.modbus.count
        if area is None:
            return None
        answer = yield from self._ask("count", self._read(area))
        return max(0, int(answer.values["count"]))

    def fetch(self, positions: Sequence[int]) -> Script[None]:
        """Ask for these records. Raises NoAnswer where nothing at all arrives."""
        area = self.profile.modbus.records
        if area is None:
            return
        if area.access == "window":
            for position in positions:
                yield from self._ask("done", self._write(area.select or 0, position))
                self._silence.note((yield from self._records(self._read(area))))
            return
        for first, last in runs(positions, MOST_REGISTERS // area.size):
            address = area.address + (first - self.first_number) * area.size
            self._silence.note((yield from self._records(self._read(area, address, (last - first + 1) * area.size))))

    def clock(self) -> Script[Answer | None]:
        """What the meter's clock says."""
        area = self.profile.modbus.clock
        return (yield from self._ask("clock", self._read(area))) if area else None

    def set_clock(self, local: datetime) -> Script[bool]:
        """Set the clock by writing its registers in the order of the clock area; False where the map has none."""
        address, area = self.profile.modbus.set_clock, self.profile.modbus.clock
        if address is None or area is None or any(field.type == "epoch" for field in area.fields):
            return False
        registers = [0] * area.size
        for field in area.fields:
            if field.name in TIME_FIELDS:
                registers[field.at] = int(getattr(local, field.name))
        request = WriteMultipleRegistersRequest(
            address=address, registers=registers, dev_id=self.profile.modbus.unit_id
        )  # fmt: skip
        yield from self._ask("done", self._framer.buildFrame(request))
        return True

    def erase(self) -> Script[bool]:
        """Delete all stored records; False where the map has no such register."""
        erase = self.profile.modbus.erase
        if erase is None:
            return False
        yield from self._ask("done", self._write(erase.address, erase.value))
        return True

    def live(self) -> Script[None]:
        """Read the live registers twice a second, for ever: the caller stops."""
        while self.profile.modbus.live:
            yield Send(data=self._read(self.profile.modbus.live))
            yield Wait(quiet_s=self.profile.quiet_s)
            yield from self._quiet(0.5)

    def stop_live(self) -> Script[None]:
        """A meter that is asked for each reading need not be stopped."""
        yield from self._quiet(0.3)

    def _read(self, area: Area, address: int | None = None, count: int | None = None) -> bytes:
        request = ReadHoldingRegistersRequest if area.table == "holding" else ReadInputRegistersRequest
        return self._frame(request(
            address=area.address if address is None else address, count=count or area.size,
            dev_id=self.profile.modbus.unit_id,
        ))  # fmt: skip

    def _write(self, address: int, value: int) -> bytes:
        return self._frame(
            WriteSingleRegisterRequest(address=address, registers=[value], dev_id=self.profile.modbus.unit_id)
        )

    def _frame(self, request: Any) -> bytes:
        return bytes(self._framer.buildFrame(request))

    def _ask(self, kind: str, data: bytes) -> Script[Answer]:
        for _ in range(TRIES):
            yield Send(data=data)
            event = yield Wait(quiet_s=self.profile.quiet_s)
            if isinstance(event, Answer) and event.kind == kind:
                return event
            if isinstance(event, Answer) and event.kind == "error" and event.values["code"] not in BUSY:
                raise MeterRefused("record" if kind == "done" else kind, event.values["text"])
            # A late answer must not be taken for the answer to the next question: wait until the line is quiet.
            yield from self._quiet(0.3)
        raise NoAnswer("record" if kind == "done" else kind)

    def _records(self, data: bytes) -> Script[bool]:
        """True where anything was answered."""
        yield Send(data=data)
        event = yield Wait(quiet_s=self.profile.quiet_s)
        if event is None or isinstance(event, Damage):
            yield from self._quiet(0.3)
        return event is not None

    def _quiet(self, quiet_s: float) -> Script[None]:
        for _ in range(100):
            if (yield Wait(quiet_s=quiet_s)) is None:
                return
