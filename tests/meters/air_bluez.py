"""A stand-in for bluetoothd on a private message bus: bleak's own Linux backend talks to it as to the real one.

Objects and their properties are plain dictionaries; every operation goes through a bumble central to the virtual air.
"""

from __future__ import annotations

import asyncio
import contextlib
import subprocess
from pathlib import Path

from air_central import make_central, uuid_text
from bumble import hci
from bumble.att import ATT_Error
from bumble.core import ProtocolError
from bumble.device import Connection, Peer
from dbus_fast import Message, MessageType, Variant
from dbus_fast.aio import MessageBus

ADAPTER = "/org/bluez/hci0"
CONFIG = """<!DOCTYPE busconfig PUBLIC "-//freedesktop//DTD D-Bus Bus Configuration 1.0//EN"
 "http://www.freedesktop.org/standards/dbus/1.0/busconfig.dtd">
<busconfig><type>system</type><listen>unix:path={socket}</listen><auth>EXTERNAL</auth>
<policy context="default"><allow send_destination="*" eavesdrop="true"/><allow eavesdrop="true"/><allow own="*"/>
</policy></busconfig>
"""
BITS = {"read": 0x02, "write-without-response": 0x04, "write": 0x08, "notify": 0x10, "indicate": 0x20}


class PrivateBus:
    """A dbus-daemon of our own."""

    def __init__(self, folder: Path) -> None:
        self.address = f"unix:path={folder / 'bus'}"
        config = folder / "bus.conf"
        config.write_text(CONFIG.format(socket=folder / "bus"))
        self._process = subprocess.Popen(
            ["dbus-daemon", f"--config-file={config}", "--nofork", "--print-address"],
            stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True,
        )  # fmt: skip
        assert self._process.stdout.readline().startswith("unix:")

    def close(self) -> None:
        """End the daemon that was started here."""
        self._process.terminate()
        self._process.wait(timeout=10)
        self._process.stdout.close()


class BluezStandIn:
    """org.bluez, as much of it as a central needs."""

    def __init__(self, air) -> None:
        self._air = air
        self.objects = {ADAPTER: {"org.bluez.Adapter1": {
            "Address": Variant("s", "00:00:00:00:00:01"), "Name": Variant("s", "air"), "Powered": Variant("b", True),
            "Discovering": Variant("b", False), "Roles": Variant("as", ["central", "peripheral"]),
        }}}  # fmt: skip
        self._attributes = {}
        self._connections = {}
        self._tasks = set()

    async def start(self, address: str) -> None:
        """Own the name org.bluez on the bus."""
        self._bus = await MessageBus(bus_address=address).connect()
        await self._bus.request_name("org.bluez")
        self._bus.add_message_handler(self._handle)

    def stop(self) -> None:
        """Leave the bus."""
        self._bus.disconnect()

    def _handle(self, message: Message):
        if message.message_type is not MessageType.METHOD_CALL or message.destination not in (
            "org.bluez",
            self._bus.unique_name,
        ):
            return None
        if message.interface == "org.freedesktop.DBus.ObjectManager":
            return Message.new_method_return(message, "a{oa{sa{sv}}}", [self.objects])
        if not (message.interface or "").startswith("org.bluez."):
            return None
        task = asyncio.ensure_future(self._answer(message))
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)
        return True

    async def _answer(self, message: Message) -> None:
        work = getattr(self, f"_{message.interface.rsplit('.')[-1]}_{message.member}", None)
        try:
            signature, body = await work(message)
            reply = Message.new_method_return(message, signature, body)
        except (ATT_Error, ProtocolError) as error:
            text = f"Operation failed with ATT error: 0x{error.error_code:02x}"
            reply = Message.new_error(message, "org.bluez.Error.Failed", text)
        except TimeoutError:
            reply = Message.new_error(message, "org.bluez.Error.Failed", "le-connection-timed-out")
        except Exception as error:
            reply = Message.new_error(message, "org.bluez.Error.Failed", str(error) or type(error).__name__)
        with contextlib.suppress(Exception):
            await self._bus.send(reply)

    def _add(self, path: str, interface: str, properties: dict) -> None:
        self.objects[path] = {interface: properties}
        self._signal(
            "InterfacesAdded", "/", "org.freedesktop.DBus.ObjectManager", "oa{sa{sv}}", [path, self.objects[path]]
        )

    def _change(self, path: str, interface: str, **changed) -> None:
        self.objects.get(path, {}).get(interface, {}).update(changed)
        self._signal("PropertiesChanged", path, "org.freedesktop.DBus.Properties", "sa{sv}as", [interface, changed, []])

    def _signal(self, member, path, interface, signature, body) -> None:
        self._bus.send(Message.new_signal(path, interface, member, signature, body))

    async def _Adapter1_SetDiscoveryFilter(self, message):  # noqa: N802
        return "", []

    async def _Adapter1_StartDiscovery(self, message):  # noqa: N802
        self._scanner = await make_central(self._air, "bluez scanner")
        self._scanner.on("advertisement", self._heard)
        await self._scanner.start_scanning(filter_duplicates=False)
        return "", []

    async def _Adapter1_StopDiscovery(self, message):  # noqa: N802
        await self._scanner.stop_scanning()
        return "", []

    def _heard(self, heard) -> None:
        address = str(heard.address).split("/")[0]
        path = f"{ADAPTER}/dev_{address.replace(':', '_')}"
        if path in self.objects:
            self._change(path, "org.bluez.Device1", RSSI=Variant("n", heard.rssi))
            return
        name = heard.data.get(9) or ""
        self._add(path, "org.bluez.Device1", {
            "Address": Variant("s", address), "AddressType": Variant("s", "random"), "Name": Variant("s", name),
            "Alias": Variant("s", name), "Paired": Variant("b", False), "Bonded": Variant("b", False),
            "Trusted": Variant("b", False), "Blocked": Variant("b", False), "LegacyPairing": Variant("b", False),
            "Connected": Variant("b", False), "ServicesResolved": Variant("b", False), "Adapter": Variant("o", ADAPTER),
            "UUIDs": Variant("as", []), "RSSI": Variant("n", heard.rssi),
        })  # fmt: skip

    async def _Device1_Connect(self, message):  # noqa: N802
        path = message.path
        address = self.objects[path]["org.bluez.Device1"]["Address"].value
        central = await make_central(self._air, "bluez central")
        connection = await asyncio.wait_for(central.connect(hci.Address(address)), 3)
        self._connections[path] = connection
        connection.on(Connection.EVENT_DISCONNECTION, lambda reason: self._gone(path))
        self._change(path, "org.bluez.Device1", Connected=Variant("b", True))
        peer = Peer(connection)
        await peer.request_mtu(247)
        await peer.discover_all()
        for service in peer.services:
            self._add_service(path, service)
        self._change(path, "org.bluez.Device1", ServicesResolved=Variant("b", True))
        return "", []

    def _add_service(self, device, service) -> None:
        place = f"{device}/service{service.handle:04x}"
        self._add(place, "org.bluez.GattService1", {
            "UUID": Variant("s", uuid_text(service.uuid)), "Device": Variant("o", device),
            "Primary": Variant("b", True),
        })  # fmt: skip
        for one in service.characteristics:
            path = f"{place}/char{one.handle:04x}"
            self._attributes[path] = one
            self._add(path, "org.bluez.GattCharacteristic1", {
                "UUID": Variant("s", uuid_text(one.uuid)), "Service": Variant("o", place),
                "Value": Variant("ay", b""), "Notifying": Variant("b", False), "MTU": Variant("q", 247),
                "Flags": Variant("as", [name for name, bit in BITS.items() if one.properties & bit]),
            })  # fmt: skip
            for descriptor in one.descriptors:
                there = f"{path}/desc{descriptor.handle:04x}"
                self._attributes[there] = descriptor
                self._add(there, "org.bluez.GattDescriptor1", {
                    "UUID": Variant("s", uuid_text(descriptor.type)), "Characteristic": Variant("o", path),
                    "Value": Variant("ay", b""),
                })  # fmt: skip

    def _gone(self, path) -> None:
        self._connections.pop(path, None)
        self._change(path, "org.bluez.Device1", ServicesResolved=Variant("b", False))
        for place in sorted((one for one in self.objects if one.startswith(f"{path}/")), reverse=True):
            interfaces = list(self.objects.pop(place))
            self._attributes.pop(place, None)
            self._signal("InterfacesRemoved", "/", "org.freedesktop.DBus.ObjectManager", "oas", [place, interfaces])
        self._change(path, "org.bluez.Device1", Connected=Variant("b", False))

    async def _Device1_Disconnect(self, message):  # noqa: N802
        connection = self._connections.get(message.path)
        if connection is not None:
            await connection.disconnect()
        return "", []

    async def _GattCharacteristic1_ReadValue(self, message):  # noqa: N802
        return "ay", [bytes(await self._attributes[message.path].read_value())]

    async def _GattDescriptor1_ReadValue(self, message):  # noqa: N802
        return "ay", [bytes(await self._attributes[message.path].read_value())]

    async def _GattCharacteristic1_WriteValue(self, message):  # noqa: N802
        await self._attributes[message.path].write_value(bytes(message.body[0]), with_response=True)
        return "", []

    async def _GattCharacteristic1_StartNotify(self, message):  # noqa: N802
        path = message.path

        def heard(value):
            self._change(path, "org.bluez.GattCharacteristic1", Value=Variant("ay", bytes(value)))

        await self._attributes[path].subscribe(heard)
        self._change(path, "org.bluez.GattCharacteristic1", Notifying=Variant("b", True))
        return "", []

    async def _GattCharacteristic1_StopNotify(self, message):  # noqa: N802
        await self._attributes[message.path].unsubscribe()
        return "", []
