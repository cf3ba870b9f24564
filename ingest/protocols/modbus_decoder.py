"""Modbus answers into events. Framing and checksums are pymodbus's; what stands in the registers is the profile's."""

from __future__ import annotations

from typing import Any

from pymodbus.framer import FramerAscii, FramerRTU
from pymodbus.pdu import DecodePDU

from ingest.foreign_text import show_foreign
from ingest.profiles.device_modbus import Area, ModbusProfile
from ingest.protocols.frames import NO_RECORDS, Answer, Damage, Event, Frame, Record
from ingest.protocols.line_decoder import asked_position
from ingest.protocols.register_values import read_area

LONGEST_ADU = 600
READS = {"holding": 3, "input": 4}


def make_framer(profile: ModbusProfile, *, server: bool = False) -> Any:
    """pymodbus's framer for the framing of the profile."""
    framer = FramerRTU if profile.modbus.framing == "rtu" else FramerAscii
    return framer(DecodePDU(server))


class ModbusDecoder:
    """The decoder of ``kind = "modbus"``: each answer belongs to the request before it."""

    def __init__(self, profile: ModbusProfile) -> None:
        self._map = profile.modbus
        self._requests = make_framer(profile, server=True)
        self._answers = make_framer(profile)
        self._asked: Any = None
        self._selected: int | None = None
        self._held = b""
        self._began = 0
        self._at_s = 0.0

    def feed(self, frame: Frame) -> list[Event]:
        """The events that this frame completes."""
        if frame.direction == "out":
            events = self.finish()
            self._asked = decode_adu(self._requests, frame.data)[1]
            records = self._map.records
            if records and self._function == 6 and self._asked.address == records.select:
                self._selected = self._asked.registers[0]
            return events
        if not self._held:
            self._began = frame.number
        self._held += frame.data
        self._at_s = frame.at_s
        return self._take()

    def finish(self) -> list[Event]:
        """Half an answer is damage."""
        rest, self._held = self._held, b""
        return [self._damage(rest, "cut off", "the answer is not whole")] if rest else []

    @property
    def _function(self) -> int:
        return 0 if self._asked is None else int(self._asked.function_code)

    def _take(self) -> list[Event]:
        used, answer = decode_adu(self._answers, self._held)
        if not used and answer is None:
            return self.finish() if len(self._held) > LONGEST_ADU else []
        raw, self._held = self._held, b""
        if answer is None:
            return [self._damage(raw, "bad checksum", "the checksum of the answer does not fit its bytes")]
        return self._events(raw, answer)

    def _events(self, raw: bytes, answer: Any) -> list[Event]:
        if answer.dev_id != self._map.unit_id:
            return [self._damage(raw, "unreadable", f"unit {answer.dev_id} answered in place of {self._map.unit_id}")]
        if answer.function_code == self._function | 0x80:
            code = int(answer.exception_code)
            values = {"code": str(code), "text": EXCEPTIONS.get(code, f"exception {code}")}
            return [Answer(frame=self._began, at_s=self._at_s, kind="error", values=values)]
        if answer.function_code != self._function:
            return [self._damage(raw, "unreadable", "this is the answer to another question")]
        if self._function in (6, 16):
            return [Answer(frame=self._began, at_s=self._at_s, kind="done")]
        if len(answer.registers) != self._asked.count:
            return [self._damage(raw, "unreadable", "the answer has another number of registers than was asked for")]
        records = self._asked_records()
        if records is not None:
            return self._records(raw, answer.registers, *records)
        return [self._named(raw, answer.registers)]

    def _is_read_of(self, area: Area | None) -> bool:
        return bool(area) and area is not None and self._function == READS[area.table]

    def _asks_live(self) -> bool:
        live = self._map.live
        return live is not None and self._is_read_of(live) and self._asked.address == live.address

    def _asked_records(self) -> tuple[int, int] | None:
        """First position and number of the records that were asked for; None for anything else."""
        area = self._map.records
        if area is None or not self._is_read_of(area) or self._asked.count % area.size:
            return None
        many, after = self._asked.count // area.size, self._asked.address - area.address
        if area.access == "window":
            return (self._selected, 1) if self._selected is not None and after == 0 and many == 1 else None
        if after < 0 or after % area.size:
            return None
        return self._map.first_number + after // area.size, many

    def _named(self, raw: bytes, registers: list[int]) -> Event:
        for kind in ("identity", "count", "clock", "live"):
            area: Area | None = getattr(self._map, kind)
            if area and self._is_read_of(area) and (area.address, area.size) == (self._asked.address, len(registers)):
                cells = read_area(area, registers, low_word_first=self._map.low_word_first)
                if kind == "live":
                    return Record(frame=self._began, at_s=self._at_s, raw=raw.hex(" "), cells=cells, stored=False)
                values = {name: cell.text for name, cell in cells.items()}
                if kind == "clock":
                    values["local"] = f"{values.get('datetime', '')}.000000"
                return Answer(
                    frame=self._began, at_s=self._at_s, kind="identify" if kind == "identity" else kind, values=values
                )
        return self._damage(raw, "unreadable", "this is no answer to anything in the profile")

    def _records(self, raw: bytes, registers: list[int], first: int, many: int) -> list[Event]:
        area = self._map.records
        assert area is not None
        events: list[Event] = []
        for place in range(many):
            own = registers[place * area.size : (place + 1) * area.size]
            cells = read_area(area, own, low_word_first=self._map.low_word_first)
            at = asked_position(cells["record"].text, first + place, first + place, self._map.numbers_wrap_at)
            shown = " ".join(f"{register:04X}" for register in own)
            if at is None:
                message = (
                    f"where record {first + place} was asked for, the registers hold number {cells['record'].text}"
                )
                events.append(
                    Damage(
                        frame=self._began, at_s=self._at_s, raw=shown, reason="unreadable", message=message,
                        asked=(first + place, first + place),
                    )
                )  # fmt: skip
                continue
            events.append(Record(frame=self._began, at_s=self._at_s, raw=shown, cells=cells, position=at))
        return events

    def _damage(self, raw: bytes, reason: str, message: str) -> Damage:
        asked = self._asked_records() if self._asked is not None and self._function in (3, 4) else None
        return Damage(
            frame=self._began, at_s=self._at_s, raw=show_foreign(raw.hex(" ")), reason=reason, message=message,
            asked=(asked[0], asked[0] + asked[1] - 1) if asked else None if self._asks_live() else NO_RECORDS,
        )  # fmt: skip


def decode_adu(framer: Any, data: bytes) -> tuple[int, Any]:
    """How many bytes a frame took and what it says. Whatever pymodbus makes of nonsense is nonsense, not a fault."""
    try:
        used, message = framer.handleFrame(data, 0, 0)
    except Exception:  # a library that meets random bytes: struct, index, value and its own errors were all seen
        return len(data), None
    return used, message


EXCEPTIONS = {
    1: "illegal function", 2: "illegal data address", 3: "illegal data value", 4: "device failure", 5: "acknowledge",
    6: "device busy", 8: "memory parity error",
}  # fmt: skip
"""Exception codes of the Modbus application protocol (V1.1b3, section 7; from memory)."""
