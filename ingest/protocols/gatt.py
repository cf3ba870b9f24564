"""Conversations with a Bluetooth LE meter, as generators: Device Information, Current Time, record access."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from ingest.profiles.device_gatt import GattProfile, GattRecords
from ingest.protocols.frames import (
    DESCRIPTOR,
    READ,
    SUBSCRIBE,
    WRITE,
    Answer,
    Decoder,
    Script,
    Send,
    Wait,
)
from ingest.protocols.gatt_decoder import GattDecoder
from ingest.protocols.gatt_layouts import current_time_bytes
from ingest.protocols.meter import Busy, Identity, MeterRefused, NoAnswer, NotThere

REPORT, DELETE, ABORT, COUNT = 1, 2, 3, 4
NULL, ALL, FROM, RANGE = 0, 1, 3, 4
SUCCESS, NONE_FOUND, BUSY = "1", "6", "10"
TRIES = 5
BUSY_WAIT_S = 0.4
RESPONSES = {
    "2": "operation not supported", "3": "invalid operator", "4": "operator not supported", "5": "invalid operand",
    "7": "abort failed", "8": "procedure not completed", "9": "operand not supported", "10": "busy",
}  # fmt: skip
"""Response codes of the record access control point (GATT Specification Supplement)."""


class GattMeter:
    """The conversations of ``kind = "gatt"``. Records are asked for by their own number."""

    numbered = "sequence"
    probes_beyond = False

    def __init__(self, profile: GattProfile) -> None:
        self.profile = profile
        self.first_number = 0
        self.frame_end = b""

    def decoder(self) -> Decoder:
        """A fresh decoder."""
        return GattDecoder(self.profile)

    def identify(self) -> Script[Identity]:
        """Serial number and model; also listens to the record access control point from now on."""
        gatt = self.profile.gatt
        serial = yield from self._read(gatt.serial, "identify", "serial")
        model = yield from self._read(gatt.model, "model", "model")
        battery = yield from self._read(gatt.battery, "battery", "percent")
        if gatt.records:
            yield from self._describe(gatt.records.characteristic, gatt.records.fields)
            for characteristic in (gatt.records.characteristic, gatt.records.control_point):
                yield Send(operation=SUBSCRIBE, channel=characteristic)
        notes = (f"battery {battery} %",) if battery else ()
        return Identity(serial=serial or self.profile.meter.serial, model=model or "", notes=notes)

    def count(self, since: int | None = None) -> Script[int | None]:
        """How many records the meter says it holds, or holds from the number ``since`` on."""
        records = self.profile.gatt.records
        if records is None:
            return 0
        answer = yield from self._control(records, bytes([COUNT]) + _chosen(records, since), "count")
        return int(answer.values["count"]) if answer.kind == "count" else 0

    def fetch(self, positions: Sequence[int]) -> Script[None]:
        """All records, or with one number in ``positions`` those from that number on."""
        records = self.profile.gatt.records
        if records is None:
            return
        chosen = _chosen(records, positions[0] if positions else None)
        yield from self._control(records, bytes([REPORT]) + chosen, "done")

    def clock(self) -> Script[Answer | None]:
        """What the meter's clock says."""
        if not self.profile.gatt.clock:
            return None
        try:
            yield Send(operation=READ, channel=self.profile.gatt.clock)
        except NotThere:
            return None
        event = yield Wait(quiet_s=self.profile.quiet_s)
        return event if isinstance(event, Answer) and event.kind == "clock" else None

    def set_clock(self, local: datetime) -> Script[bool]:
        """Set the clock; False where the meter does not take it."""
        if not self.profile.gatt.clock or not self.profile.gatt.clock_writable:
            return False
        yield Send(operation=WRITE, channel=self.profile.gatt.clock, data=current_time_bytes(local))
        return True

    def erase(self) -> Script[bool]:
        """Delete all stored records."""
        records = self.profile.gatt.records
        if records is None:
            return False
        yield from self._control(records, bytes([DELETE, ALL]), "done")
        return True

    def live(self) -> Script[None]:
        """Readings as they are made, for ever: the caller stops."""
        live = self.profile.gatt.live
        if live is None:
            return
        yield from self._describe(live.characteristic, live.fields)
        if live.by == "notify":
            yield Send(operation=SUBSCRIBE, channel=live.characteristic)
        while True:
            if live.by == "read":
                yield Send(operation=READ, channel=live.characteristic)
            yield Wait(quiet_s=0.5, limit_s=0.5)

    def stop_live(self) -> Script[None]:
        """Ask a running report to stop; closing the link ends the notifications."""
        records = self.profile.gatt.records
        if records is not None:
            yield Send(operation=WRITE, channel=records.control_point, data=bytes([ABORT, NULL]))
            yield Wait(quiet_s=0.5)

    def _describe(self, characteristic: str, fields: Sequence[object]) -> Script[None]:
        if any(getattr(field, "type", "") == "presented" for field in fields):
            yield Send(operation=DESCRIPTOR, channel=characteristic)

    def _read(self, characteristic: str, kind: str, name: str) -> Script[str | None]:
        """A text that the meter may or may not have."""
        if not characteristic:
            return None
        try:
            yield Send(operation=READ, channel=characteristic)
        except NotThere:
            return None
        event = yield Wait(quiet_s=self.profile.quiet_s)
        return event.values.get(name) if isinstance(event, Answer) and event.kind == kind else None

    def _control(self, records: GattRecords, request: bytes, kind: str) -> Script[Answer]:
        """One procedure of the control point, tried again while the meter is busy."""
        for _ in range(TRIES):
            try:
                yield Send(operation=WRITE, channel=records.control_point, data=request)
            except Busy:
                yield Wait(quiet_s=BUSY_WAIT_S)
                continue
            answer = yield from self._response(kind)
            if answer is None:
                yield Send(operation=WRITE, channel=records.control_point, data=bytes([ABORT, NULL]))
                yield Wait(quiet_s=BUSY_WAIT_S)
                break
            code = answer.values.get("code", SUCCESS)
            if code in (SUCCESS, NONE_FOUND):
                return answer
            if code != BUSY:
                raise MeterRefused("record", RESPONSES.get(code, f"response code {code}"))
            yield Wait(quiet_s=BUSY_WAIT_S)
        raise NoAnswer("count" if kind == "count" else "record")

    def _response(self, kind: str) -> Script[Answer | None]:
        while (event := (yield Wait(quiet_s=self.profile.quiet_s))) is not None:
            if isinstance(event, Answer) and event.kind in (kind, "done"):
                return event
        return None


def _chosen(records: GattRecords, since: int | None) -> bytes:
    """Operator and operand: all records, or those of a number not below ``since``."""
    if since is None:
        return bytes([ALL])
    return bytes([FROM, records.filter]) + since.to_bytes(records.number, "little")
