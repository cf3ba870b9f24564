"""A bleak backend without a radio: connects to a demo meter in this process. bleak itself runs as ever."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from typing import Any

from bleak.args import SizedBuffer
from bleak.assigned_numbers import CharacteristicPropertyName
from bleak.backends.characteristic import BleakGATTCharacteristic
from bleak.backends.client import BaseBleakClient
from bleak.backends.descriptor import BleakGATTDescriptor
from bleak.backends.service import BleakGATTService, BleakGATTServiceCollection
from bleak.exc import BleakGATTProtocolError
from bleak.uuids import normalize_uuid_str

from ingest.demo.gatt_meter import CONTROL_POINT, LIVE, RECORDS, SERVICE, VOLT_TENTHS, GattDemoMeter

LIVE_EVERY_S = 0.5
READ_NOT_PERMITTED = 2

CHARACTERISTICS: list[tuple[str, list[CharacteristicPropertyName]]] = [
    ("2a29", ["read"]), ("2a24", ["read"]), ("2a25", ["read"]), ("2a19", ["read"]), ("2a2b", ["read", "write"]),
    (RECORDS, ["notify"]), (CONTROL_POINT, ["write", "indicate"]), (LIVE, ["notify"]),
]  # fmt: skip


def demo_backend(meter: GattDemoMeter) -> type[BaseBleakClient]:
    """The backend class whose every connection reaches ``meter``."""

    class DemoRadio(BaseBleakClient):
        """A connection to the demo meter."""

        def __init__(self, address_or_ble_device: Any, **kwargs: Any) -> None:
            kept = {name: kwargs[name] for name in ("disconnected_callback", "timeout")}
            super().__init__(address_or_ble_device, **kept)
            self._connected = False
            self._callbacks: dict[str, Callable[[bytearray], None]] = {}
            self._live: asyncio.Task[None] | None = None

        @property
        def name(self) -> str:
            """The advertised name."""
            return "demo meter"

        @property
        def mtu_size(self) -> int:
            """Long enough for every value."""
            return 247

        @property
        def is_connected(self) -> bool:
            """True from connect to disconnect."""
            return self._connected

        async def connect(self, pair: bool, **kwargs: Any) -> None:
            """Offer the characteristics."""
            self.services = _services()
            self._connected = True

        async def disconnect(self) -> None:
            """Let go."""
            self._connected = False
            if self._live:
                self._live.cancel()

        async def pair(self, *args: Any, **kwargs: Any) -> None:
            """Nothing to pair with."""

        async def unpair(self) -> None:
            """Nothing to forget."""

        async def read_gatt_char(self, characteristic: BleakGATTCharacteristic, **kwargs: Any) -> bytearray:
            """The value, or the protocol's own error."""
            value = meter.read(characteristic.obj)
            if value is None:
                raise BleakGATTProtocolError(READ_NOT_PERMITTED)
            return bytearray(value)

        async def read_gatt_descriptor(self, descriptor: BleakGATTDescriptor, **kwargs: Any) -> bytearray:
            """The presentation format of the live voltage."""
            return bytearray(VOLT_TENTHS)

        async def write_gatt_char(
            self, characteristic: BleakGATTCharacteristic, data: SizedBuffer, response: bool
        ) -> None:
            """Write, then notify what follows from it, giving way between the notifications."""
            following = meter.write(characteristic.obj, bytes(data))
            asyncio.get_running_loop().create_task(self._notify_all(following))

        async def _notify_all(self, following: Any) -> None:
            for at, (uuid, value) in enumerate(following):
                if at % 16 == 15:
                    await asyncio.sleep(0)
                if uuid in self._callbacks and self._connected:
                    self._callbacks[uuid](bytearray(value))

        async def write_gatt_descriptor(self, descriptor: BleakGATTDescriptor, data: SizedBuffer) -> None:
            """No descriptor can be written."""
            raise BleakGATTProtocolError(3)

        async def start_notify(
            self, characteristic: BleakGATTCharacteristic, callback: Callable[[bytearray], None], **kwargs: Any
        ) -> None:
            """Call ``callback`` from now on."""
            self._callbacks[characteristic.obj] = callback
            if characteristic.obj == LIVE:
                self._live = asyncio.get_running_loop().create_task(self._speak())

        async def stop_notify(self, characteristic: BleakGATTCharacteristic) -> None:
            """Stop calling."""
            self._callbacks.pop(characteristic.obj, None)

        async def _speak(self) -> None:
            while True:
                await asyncio.sleep(LIVE_EVERY_S)
                await self._notify_all([meter.live()])

    return DemoRadio


def _services() -> BleakGATTServiceCollection:
    found = BleakGATTServiceCollection()
    service = BleakGATTService(None, 1, SERVICE)
    found.add_service(service)
    for place, (uuid, properties) in enumerate(CHARACTERISTICS):
        handle = 2 + place * 3
        found.add_characteristic(
            BleakGATTCharacteristic(uuid, handle, normalize_uuid_str(uuid), properties, lambda: 244, service)
        )
        if uuid == LIVE:
            owner = found.characteristics[handle]
            found.add_descriptor(BleakGATTDescriptor(None, handle + 1, normalize_uuid_str("2904"), owner))
    return found
