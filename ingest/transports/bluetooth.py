"""Bluetooth LE through bleak: an event loop in a thread of its own, every operation with our own time-out."""

from __future__ import annotations

import asyncio
import contextlib
import queue
import sys
import threading
from collections.abc import Coroutine
from typing import Any, Final, TypeVar

from bleak import BleakClient
from bleak.backends.client import BaseBleakClient
from bleak.exc import (
    BleakBluetoothNotAvailableError,
    BleakCharacteristicNotFoundError,
    BleakDBusError,
    BleakDeviceNotFoundError,
    BleakError,
    BleakGATTProtocolError,
)
from bleak.uuids import normalize_uuid_str

from ingest.foreign_text import show_foreign
from ingest.protocols.frames import DESCRIPTOR, NOTIFY, READ, SUBSCRIBE, WRITE, Send
from ingest.protocols.meter import Busy, NotThere
from ingest.transports.transport import LinkLost, Packet
from schemas.errors import LinkError

CONNECT_TIMEOUT_S: Final = 30.0
OPERATION_TIMEOUT_S: Final = 15.0
QUEUED_PACKETS: Final = 100_000
PRESENTATION_FORMAT: Final = normalize_uuid_str("2904")
IN_PROGRESS: Final = 0xFE
NEEDS_SECURITY: Final = (0x05, 0x08, 0x0C, 0x0F)
NOT_READABLE: Final = (0x02, 0x06, 0x0A)

Result = TypeVar("Result")


class BluetoothLink:
    """A connected peripheral. ``backend``: another bleak backend than the one of this system."""

    def __init__(self, address: str, *, pair: bool = False, backend: type[BaseBleakClient] | None = None) -> None:
        self._packets: queue.Queue[Packet | None] = queue.Queue(maxsize=QUEUED_PACKETS)
        self._gone = threading.Event()
        self._subscribed: set[str] = set()
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._loop.run_forever, name="bluetooth", daemon=True)
        self._thread.start()
        try:
            self._client = self._await(self._connect(address, pair, backend), CONNECT_TIMEOUT_S + 5)
        except BaseException as error:
            self._stop_loop()
            if isinstance(error, Exception):
                raise connect_error(address, error) from error
            raise

    async def _connect(self, address: str, pair: bool, backend: type[BaseBleakClient] | None) -> BleakClient:
        client = BleakClient(
            address, disconnected_callback=lambda _: self._lose(), timeout=CONNECT_TIMEOUT_S, pair=pair, backend=backend
        )
        await client.connect()
        return client

    def perform(self, send: Send) -> None:
        """One operation; what it gives is received afterwards as a packet.

        Raises LinkLost where the link is gone, NotThere, Busy or LinkError where the meter refuses.
        """
        if self._gone.is_set():
            raise lost()
        try:
            self._await(self._perform(send), OPERATION_TIMEOUT_S)
        except (BleakError, TimeoutError, OSError, EOFError) as error:
            if self._gone.is_set() or "not connected" in str(error).lower():
                raise lost() from error
            raise operation_error(send, error) from error

    async def _perform(self, send: Send) -> None:
        uuid = normalize_uuid_str(send.channel)
        if send.operation == WRITE:
            await self._client.write_gatt_char(uuid, send.data, response=True)
        elif send.operation == READ:
            self._put(Packet(bytes(await self._client.read_gatt_char(uuid)), READ, send.channel))
        elif send.operation == SUBSCRIBE and uuid not in self._subscribed:
            await self._client.start_notify(uuid, lambda _, data: self._put(Packet(bytes(data), NOTIFY, send.channel)))
            self._subscribed.add(uuid)
        elif send.operation == DESCRIPTOR:
            found = self._client.services.get_characteristic(uuid)
            descriptor = found and found.get_descriptor(PRESENTATION_FORMAT)
            if not descriptor:
                raise BleakCharacteristicNotFoundError(send.channel)
            data = await self._client.read_gatt_descriptor(descriptor)
            self._put(Packet(bytes(data), DESCRIPTOR, send.channel))

    def receive(self, timeout_s: float) -> Packet | None:
        """The next answer or notification; those that came before a loss are still given."""
        try:
            packet = self._packets.get(timeout=max(timeout_s, 0.0001))
        except queue.Empty:
            packet = None
            if not self._gone.is_set():
                return None
        if packet is None:
            raise lost()
        return packet

    def close(self) -> None:
        """Disconnect and stop the event loop."""
        if self._loop.is_closed():
            return
        with contextlib.suppress(Exception):
            self._await(self._client.disconnect(), OPERATION_TIMEOUT_S)
        self._stop_loop()

    def _await(self, work: Coroutine[Any, Any, Result], timeout_s: float) -> Result:
        future = asyncio.run_coroutine_threadsafe(asyncio.wait_for(work, timeout_s), self._loop)
        try:
            return future.result()
        except BaseException:
            future.cancel()
            raise

    def _put(self, packet: Packet) -> None:
        with contextlib.suppress(queue.Full):
            self._packets.put_nowait(packet)

    def _lose(self) -> None:
        self._gone.set()
        with contextlib.suppress(queue.Full):
            self._packets.put_nowait(None)

    def _stop_loop(self) -> None:
        if self._loop.is_closed():
            return
        with contextlib.suppress(Exception):
            asyncio.run_coroutine_threadsafe(cancel_others(), self._loop).result(OPERATION_TIMEOUT_S)
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(timeout=5)
        if not self._thread.is_alive():
            self._loop.close()


async def cancel_others() -> None:
    """Cancel every other task of this loop: bleak leaves some waiting, and they would complain when the loop ends."""
    others = [task for task in asyncio.all_tasks() if task is not asyncio.current_task()]
    for task in others:
        task.cancel()
    await asyncio.gather(*others, return_exceptions=True)


def lost() -> LinkLost:
    """The sentence for a link that broke."""
    return LinkLost(
        "the meter is out of reach",
        advice="bring it nearer, wake it, and run the same command: it goes on where it stopped",
    )


def operation_error(send: Send, error: Exception) -> LinkError:
    """What a refused operation means."""
    code = error.code if isinstance(error, BleakGATTProtocolError) else None
    text = show_foreign(str(error))
    if isinstance(error, BleakCharacteristicNotFoundError):
        return NotThere(
            f"the meter has no characteristic {send.channel}", advice="the profile may be for another meter"
        )
    if code == IN_PROGRESS or "InProgress" in text:
        return Busy(f"the meter is busy (characteristic {send.channel})")
    if code in NEEDS_SECURITY or "NotAuthorized" in text or "Authentication" in text:
        return LinkError("the meter wants to be paired first", seen=text, advice=PAIRING[_system()])
    if code in NOT_READABLE or "NotPermitted" in text or "NotSupported" in text:
        return NotThere(f"the meter does not allow this on characteristic {send.channel}", seen=text)
    if isinstance(error, TimeoutError):
        return LinkLost(
            f"the meter did not answer within {OPERATION_TIMEOUT_S:g} s (characteristic {send.channel})",
            advice="bring it nearer and try again; a meter that wants pairing may also stay silent",
        )
    return LinkError(f"the meter refused an operation on characteristic {send.channel}", seen=text)


def connect_error(address: str, error: Exception) -> LinkError:
    """Why there is no connection, and what to do."""
    where, text = show_foreign(address), show_foreign(str(error) or type(error).__name__)
    if isinstance(error, BleakBluetoothNotAvailableError | FileNotFoundError | ImportError) or (
        isinstance(error, BleakDBusError) and "ServiceUnknown" in text
    ):
        return LinkError("there is no Bluetooth here to use", where=where, seen=text, advice=NO_BLUETOOTH[_system()])
    if isinstance(error, BleakDeviceNotFoundError | TimeoutError):
        return LinkError(
            "no such meter in reach", where=where, seen=text,
            advice="switch it on, bring it nearer, close other programs that talk to it, then: provebook scan",
        )  # fmt: skip
    if "Authentication" in text or "NotAuthorized" in text:
        return LinkError("the meter wants to be paired first", where=where, seen=text, advice=PAIRING[_system()])
    return LinkError("the meter cannot be connected", where=where, seen=text, advice="switch it off and on, try again")


def _system() -> str:
    return {"darwin": "macOS", "win32": "Windows"}.get(sys.platform, "Linux")


PAIRING: Final = {
    "Linux": "bluetoothctl, then: agent on, pair ADDRESS, trust ADDRESS",
    "macOS": "try again and answer the pairing question of the system",
    "Windows": "Settings, Bluetooth & devices, Add device",
}
NO_BLUETOOTH: Final = {
    "Linux": "start the service (sudo systemctl start bluetooth) and switch the adapter on (bluetoothctl power on)",
    "macOS": "switch Bluetooth on, and allow the terminal under Privacy & Security, Bluetooth",
    "Windows": "switch Bluetooth on under Settings, Bluetooth & devices",
}
