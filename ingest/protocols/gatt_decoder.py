"""Values and notifications of a Bluetooth LE meter into events. Fed with every frame of both directions."""

from __future__ import annotations

import struct
from collections.abc import Mapping

from ingest.foreign_text import show_foreign
from ingest.profiles.device_gatt import GattField, GattProfile
from ingest.protocols.frames import (
    DESCRIPTOR,
    NOTIFY,
    READ,
    SUBSCRIBE,
    Answer,
    Cell,
    Damage,
    Event,
    Frame,
    Record,
)
from ingest.protocols.gatt_layouts import Presentation, TooShort, parse_current_time, parse_presentation, read_fields

COUNT_RESPONSE, RESPONSE = 5, 6
LONGEST_VALUE = 512


class GattDecoder:
    """The decoder of ``kind = "gatt"``. It keeps what the presentation descriptors said, and nothing else."""

    def __init__(self, profile: GattProfile) -> None:
        self._gatt = profile.gatt
        self._presentations: dict[str, Presentation | None] = {}

    def feed(self, frame: Frame) -> list[Event]:
        """The event that this frame is, if it is one."""
        if frame.direction == "out":
            return []
        if len(frame.data) > LONGEST_VALUE:
            return [self._damage(frame, "unreadable", f"a value of {len(frame.data)} bytes is longer than any may be")]
        if frame.operation == DESCRIPTOR:
            self._presentations[frame.channel] = parse_presentation(frame.data)
            return [self._answer(frame, "presentation")]
        if frame.operation == SUBSCRIBE:
            return [self._answer(frame, "subscribed")]
        records, live = self._gatt.records, self._gatt.live
        if records and frame.operation == NOTIFY and frame.channel == records.control_point:
            return [self._control_point(frame)]
        if records and frame.operation == NOTIFY and frame.channel == records.characteristic:
            return [self._record(frame, records.fields, stored=True)]
        if live and frame.channel == live.characteristic and frame.operation in (NOTIFY, READ):
            return [self._record(frame, live.fields, stored=False)]
        return [self._read(frame)] if frame.operation == READ else []

    def finish(self) -> list[Event]:
        """A value is whole or was never there."""
        return []

    def _read(self, frame: Frame) -> Event:
        if frame.channel == self._gatt.clock:
            found = parse_current_time(frame.data)
            return self._answer(frame, "clock", {"local": found[0], "resolution_s": found[1]} if found else {})
        text = frame.data.rstrip(b"\0").decode("utf-8", "backslashreplace")
        if frame.channel == self._gatt.serial:
            return self._answer(frame, "identify", {"serial": text})
        if frame.channel == self._gatt.model:
            return self._answer(frame, "model", {"model": text})
        if frame.channel == self._gatt.battery and len(frame.data) == 1:
            return self._answer(frame, "battery", {"percent": str(frame.data[0])})
        return self._answer(frame, "read")

    def _control_point(self, frame: Frame) -> Event:
        data = frame.data
        if len(data) >= 3 and data[0] == COUNT_RESPONSE:
            return self._answer(frame, "count", {"count": str(int.from_bytes(data[2:6], "little"))})
        if len(data) == 4 and data[0] == RESPONSE:
            return self._answer(frame, "done", {"asked": str(data[2]), "code": str(data[3])})
        return self._damage(frame, "unreadable", "the control point answered something that is no response")

    def _record(self, frame: Frame, fields: list[GattField], *, stored: bool) -> Event:
        try:
            cells = read_fields(frame.data, fields, self._presentations.get(frame.channel))
        except TooShort as error:
            message = f"cut off: {error}; the link may carry no longer notifications"
            return self._damage(frame, "cut off", message, self._number(frame.data, fields) if stored else None)
        except (ValueError, ArithmeticError, struct.error, OverflowError, OSError) as error:
            return self._damage(frame, "unreadable", show_foreign(str(error)))
        raw = frame.data.hex(" ")
        if not stored:
            return Record(frame=frame.number, at_s=frame.at_s, raw=raw, cells=cells, stored=False)
        return Record(frame=frame.number, at_s=frame.at_s, raw=raw, cells=cells, position=_position(cells), stored=True)

    def _number(self, data: bytes, fields: list[GattField]) -> tuple[int, int] | None:
        """The number of a record that was cut off, where it is among the bytes that came."""
        until = next(at for at, field in enumerate(fields) if field.name == "record") + 1
        try:
            number = _position(read_fields(data, fields[:until]))
        except ValueError:
            return None
        return (number, number)

    def _answer(self, frame: Frame, kind: str, values: Mapping[str, str] | None = None) -> Answer:
        return Answer(frame=frame.number, at_s=frame.at_s, kind=kind, values=values or {})

    def _damage(self, frame: Frame, reason: str, message: str, asked: tuple[int, int] | None = None) -> Damage:
        return Damage(
            frame=frame.number, at_s=frame.at_s, raw=show_foreign(frame.data.hex(" ")), reason=reason, message=message,
            asked=asked,
        )  # fmt: skip


def _position(cells: Mapping[str, Cell]) -> int:
    text = cells["record"].text
    if not text.isdigit():
        raise ValueError("the number of the record is no whole number")
    return int(text)
