"""A bleak backend over a bumble central in the same virtual air: what bleak asks for crosses a real stack."""

from __future__ import annotations

import asyncio

from air_peripheral import Air
from bleak.backends.characteristic import BleakGATTCharacteristic
from bleak.backends.client import BaseBleakClient
from bleak.backends.descriptor import BleakGATTDescriptor
from bleak.backends.device import BLEDevice
from bleak.backends.scanner import AdvertisementData, BaseBleakScanner
from bleak.backends.service import BleakGATTService, BleakGATTServiceCollection
from bleak.exc import BleakDeviceNotFoundError, BleakGATTProtocolError
from bleak.uuids import normalize_uuid_str
from bumble import hci
from bumble.att import ATT_Error
from bumble.controller import Controller
from bumble.core import ProtocolError
from bumble.device import Connection, Device, Peer
from bumble.host import Host
from bumble.transport.common import AsyncPipeSink

NAMES = {
    0x02: "read", 0x04: "write-without-response", 0x08: "write", 0x10: "notify", 0x20: "indicate",
}  # fmt: skip
CONNECT_S = 3.0


def uuid_text(uuid):
    return normalize_uuid_str(uuid.to_hex_str("-") if len(uuid.uuid_bytes) > 2 else uuid.to_hex_str())


async def make_central(air, name):
    controller = Controller(name, link=air.link)
    host = Host(controller, AsyncPipeSink(controller))
    central = Device(name=name, address=hci.Address("F0:F1:F2:F3:F4:F5"), host=host)
    await central.power_on()
    return central


def air_backend(air: Air, mtu: int = 247):
    """The backend class whose connections go through ``air``."""

    class AirClient(BaseBleakClient):
        def __init__(self, address_or_ble_device, **kwargs):
            kept = {name: kwargs[name] for name in ("disconnected_callback", "timeout")}
            super().__init__(address_or_ble_device, **kept)
            self._connected = False
            self._proxies = {}

        @property
        def name(self):
            return "air"

        @property
        def mtu_size(self):
            return self._connection.att_mtu

        @property
        def is_connected(self):
            return self._connected

        async def _in_air(self, work):
            try:
                return await asyncio.wrap_future(asyncio.run_coroutine_threadsafe(work, air.loop))
            except (ATT_Error, ProtocolError) as error:
                raise BleakGATTProtocolError(error.error_code) from error

        async def connect(self, pair, **kwargs):
            self._bleak_loop = asyncio.get_running_loop()
            try:
                self.services = await self._in_air(self._connect())
            except TimeoutError as error:
                raise BleakDeviceNotFoundError(self.address, "not found") from error
            self._connected = True

        async def _connect(self):
            self._central = await make_central(air, "central")
            self._connection = await asyncio.wait_for(self._central.connect(hci.Address(self.address)), CONNECT_S)
            self._connection.on(Connection.EVENT_DISCONNECTION, self._gone)
            peer = Peer(self._connection)
            await peer.request_mtu(mtu)
            await peer.discover_all()
            found = BleakGATTServiceCollection()
            for service in peer.services:
                mine = BleakGATTService(service, service.handle, uuid_text(service.uuid))
                found.add_service(mine)
                for one in service.characteristics:
                    properties = [name for bit, name in NAMES.items() if one.properties & bit]
                    held = BleakGATTCharacteristic(one, one.handle, uuid_text(one.uuid), properties, lambda: 20, mine)
                    found.add_characteristic(held)
                    for descriptor in one.descriptors:
                        kind = uuid_text(descriptor.type)
                        found.add_descriptor(BleakGATTDescriptor(descriptor, descriptor.handle, kind, held))
            return found

        def _gone(self, reason):
            self._connected = False
            callback = self._disconnected_callback
            if callback is not None:
                self._bleak_loop.call_soon_threadsafe(callback)

        async def disconnect(self):
            if self._connected:
                await self._in_air(self._connection.disconnect())
            self._connected = False

        async def pair(self, *args, **kwargs):
            raise NotImplementedError

        async def unpair(self):
            raise NotImplementedError

        async def read_gatt_char(self, characteristic, **kwargs):
            return bytearray(await self._in_air(characteristic.obj.read_value()))

        async def read_gatt_descriptor(self, descriptor, **kwargs):
            return bytearray(await self._in_air(descriptor.obj.read_value()))

        async def write_gatt_char(self, characteristic, data, response):
            await self._in_air(characteristic.obj.write_value(bytes(data), with_response=response))

        async def write_gatt_descriptor(self, descriptor, data):
            raise NotImplementedError

        async def start_notify(self, characteristic, callback, **kwargs):
            def heard(value):
                self._bleak_loop.call_soon_threadsafe(callback, bytearray(value))

            await self._in_air(characteristic.obj.subscribe(heard))

        async def stop_notify(self, characteristic):
            await self._in_air(characteristic.obj.unsubscribe())

    return AirClient


def air_scanner(air: Air):
    """The scanner class that hears what advertises in ``air``."""

    class AirScanner(BaseBleakScanner):
        def __init__(self, detection_callback, service_uuids, scanning_mode, **kwargs):
            super().__init__(detection_callback, service_uuids)

        async def _in_air(self, work):
            return await asyncio.wrap_future(asyncio.run_coroutine_threadsafe(work, air.loop))

        async def start(self):
            self._bleak_loop = asyncio.get_running_loop()
            self.seen_devices = {}
            await self._in_air(self._start())

        async def _start(self):
            self._central = await make_central(air, "scanner")
            self._central.on("advertisement", self._heard)
            await self._central.start_scanning(filter_duplicates=False)

        def _heard(self, heard):
            name = heard.data.get(9)
            address = str(heard.address).split("/")[0]
            told = AdvertisementData(name, {}, {}, [], None, heard.rssi, ())
            device = BLEDevice(address, name, None)
            self._bleak_loop.call_soon_threadsafe(self.seen_devices.__setitem__, address, (device, told))

        async def stop(self):
            await self._in_air(self._central.stop_scanning())

    return AirScanner
