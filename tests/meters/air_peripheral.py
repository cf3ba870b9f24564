"""A Bluetooth LE tester on the virtual controllers of the package bumble: real ATT, L2CAP and HCI packets.

The record access control point is written here from the GATT Specification Supplement, apart from the shipped demo.
"""

from __future__ import annotations

import asyncio
import struct
import threading
from dataclasses import dataclass, field
from datetime import datetime, timedelta

from bumble import hci
from bumble.att import ATT_Error, AttributeValue, ErrorCode
from bumble.controller import Controller
from bumble.core import UUID, AdvertisingData
from bumble.device import Device
from bumble.gatt import Characteristic, Descriptor, Service
from bumble.host import Host
from bumble.link import LocalLink
from bumble.transport.common import AsyncPipeSink

SERVICE = "a3c10001-7f52-4d1e-b6a9-51f0c2d4e801"
RECORDS = "a3c10002-7f52-4d1e-b6a9-51f0c2d4e801"
LIVE = "a3c10003-7f52-4d1e-b6a9-51f0c2d4e801"
STREAM_OUT = "a3c10010-7f52-4d1e-b6a9-51f0c2d4e801"
STREAM_IN = "a3c10011-7f52-4d1e-b6a9-51f0c2d4e801"
P = Characteristic.Properties


@dataclass(kw_only=True)
class AirFaults:
    """What goes wrong at the meter or on the way. Counts are of record notifications since the start."""

    disconnect_after: int | None = None
    silent_after: int | None = None
    lost: set[int] = field(default_factory=set)
    repeated: set[int] = field(default_factory=set)
    busy_writes: int = 0
    busy_responses: int = 0
    wants_pairing: bool = False
    says_count: int | None = None
    max_mtu: int = 247
    no_clock: bool = False
    label: bytes = b""


def record_bytes(number: int) -> bytes:
    """Number, time, test 1, value 230.0 V and a tenth more for each number, as SFLOAT."""
    moment = datetime(2031, 4, 2, 8, 0) + timedelta(seconds=20 * number)
    tenths = 1000 + number % 1000
    when = struct.pack("<H5B", moment.year, moment.month, moment.day, moment.hour, moment.minute, moment.second)
    return struct.pack("<H", number & 0xFFFF) + when + bytes([1]) + struct.pack("<H", 0xF000 | tenths)


class AirMeter:
    """The peripheral's state and its characteristics; ``numbers`` are the records that it holds."""

    def __init__(self, numbers: list[int], faults: AirFaults | None = None, address: str = "C4:F2:17:00:00:01") -> None:
        self.numbers = numbers
        self.faults = faults or AirFaults()
        self.address = address
        self.sent = 0
        self.writes: list[bytes] = []
        self._task: asyncio.Task[None] | None = None

    async def start(self, link: LocalLink) -> None:
        """Power on and advertise."""
        controller = Controller("meter", link=link)
        host = Host(controller, AsyncPipeSink(controller))
        self.device = Device(name="air tester", address=hci.Address(self.address), host=host)
        self.device.add_service(self._service())
        self.device.gatt_server.max_mtu = self.faults.max_mtu
        await self.device.power_on()
        data = AdvertisingData([(AdvertisingData.COMPLETE_LOCAL_NAME, b"air tester")])
        await self.device.start_advertising(
            auto_restart=True, advertising_data=bytes(data), advertising_interval_min=20, advertising_interval_max=30
        )

    def _service(self) -> Service:
        def fixed(uuid: str, value: bytes) -> Characteristic:
            return Characteristic(UUID(uuid), P.READ, Characteristic.READABLE, value)

        self.records = Characteristic(RECORDS, P.NOTIFY, Characteristic.READABLE, b"")
        self.control = Characteristic(
            UUID("2a52"), P.WRITE | P.INDICATE, Characteristic.WRITEABLE, AttributeValue(write=self._written)
        )
        presentation = Descriptor(UUID("2904"), Descriptor.READABLE, bytes.fromhex("06FE2A27010000"))
        self.live = Characteristic(
            LIVE, P.READ | P.NOTIFY, Characteristic.READABLE, struct.pack("<H", 35), [presentation]
        )
        readable = [fixed("2a24", b"AT-1"), fixed("2a19", bytes([55])), self.records, self.control, self.live]
        serial = AttributeValue(read=self._serial)
        readable.append(Characteristic(UUID("2a25"), P.READ, Characteristic.READABLE, serial))
        if not self.faults.no_clock:
            readable.append(fixed("2a2b", bytes.fromhex("EF070402090000030001")))
        return Service(SERVICE, readable)

    def _serial(self, connection: object) -> bytes:
        if self.faults.wants_pairing:
            raise ATT_Error(ErrorCode.INSUFFICIENT_AUTHENTICATION)
        return b"AIR-0042"

    def _written(self, connection: object, value: bytes) -> None:
        self.writes.append(bytes(value))
        if self.faults.busy_writes > 0:
            self.faults.busy_writes -= 1
            raise ATT_Error(ErrorCode(0xFE))
        if value[:1] == b"\x03" and self._task:
            self._task.cancel()
        self._task = asyncio.ensure_future(self._procedure(connection, bytes(value)))

    async def _procedure(self, connection: object, value: bytes) -> None:
        operation, operator = value[0], value[1]
        if self.faults.busy_responses > 0:
            self.faults.busy_responses -= 1
            await self._indicate(connection, bytes([6, 0, operation, 0x0A]))
            return
        chosen = self.numbers
        if operator == 3:
            first = int.from_bytes(value[3:5], "little")
            chosen = [number for number in chosen if number & 0xFFFF >= first]
        if operation == 4:
            said = len(chosen) if self.faults.says_count is None else self.faults.says_count
            await self._indicate(connection, struct.pack("<BBH", 5, 0, said))
            return
        if operation == 3:
            await self._indicate(connection, bytes([6, 0, 3, 1]))
            return
        if operation == 2:
            self.numbers = []
        elif operation == 1 and not await self._report(connection, chosen):
            return
        await self._indicate(connection, bytes([6, 0, operation, 1 if chosen else 6]))

    async def _report(self, connection: object, chosen: list[int]) -> bool:
        for number in chosen:
            if self.faults.silent_after is not None and self.sent >= self.faults.silent_after:
                return False
            if self.faults.disconnect_after is not None and self.sent >= self.faults.disconnect_after:
                self.faults.disconnect_after = None
                await connection.disconnect()
                return False
            times = 0 if self.sent in self.faults.lost else 2 if self.sent in self.faults.repeated else 1
            self.sent += 1
            for _ in range(times):
                await self.device.notify_subscriber(connection, self.records, record_bytes(number) + self.faults.label)
            if self.sent % 50 == 0:
                await asyncio.sleep(0)
        return True

    async def _indicate(self, connection: object, value: bytes) -> None:
        await self.device.indicate_subscriber(connection, self.control, value)


class AirStreamMeter(AirMeter):
    """A meter whose lines of text come over a notifying characteristic, ``chunk`` bytes at a time."""

    def __init__(self, answer, chunk: int = 20, address: str = "C4:F2:17:00:00:05") -> None:
        super().__init__([], address=address)
        self._answer = answer
        self._chunk = chunk

    def _service(self) -> Service:
        self.outgoing = Characteristic(STREAM_OUT, P.NOTIFY, Characteristic.READABLE, b"")
        incoming = Characteristic(STREAM_IN, P.WRITE, Characteristic.WRITEABLE, AttributeValue(write=self._heard))
        return Service(SERVICE, [self.outgoing, incoming])

    def _heard(self, connection: object, value: bytes) -> None:
        self._task = asyncio.ensure_future(self._say(connection, self._answer(bytes(value))))

    async def _say(self, connection: object, data: bytes) -> None:
        for at in range(0, len(data), self._chunk):
            await self.device.notify_subscriber(connection, self.outgoing, data[at : at + self._chunk])


class Air:
    """An event loop in a thread, in which virtual radios are."""

    def __init__(self) -> None:
        self.loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self.loop.run_forever, daemon=True)
        self._thread.start()
        self.link = LocalLink()

    def do(self, work: object) -> object:
        """Run a coroutine in the air and wait for it."""
        return asyncio.run_coroutine_threadsafe(work, self.loop).result(20)

    def close(self) -> None:
        """Stop the loop."""
        self.loop.call_soon_threadsafe(self.loop.stop)
        self._thread.join(timeout=5)
        self.loop.close()
