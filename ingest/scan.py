"""Serial ports and Bluetooth LE devices in reach, as links that can be used. Names are shown harmless."""

from __future__ import annotations

import asyncio
from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any, Final

from bleak import BleakScanner
from bleak.backends.scanner import BaseBleakScanner
from bleak.exc import BleakError
from serial.tools import list_ports

from ingest.foreign_text import show_foreign
from ingest.transports.bluetooth import connect_error
from schemas.errors import LinkError

SCAN_S: Final = 5.0
NAME_CHARACTERS: Final = 60


@dataclass(frozen=True, kw_only=True)
class Found:
    """One thing in reach: the ``link`` to use, what it calls itself, and more about it."""

    link: str
    name: str
    detail: str
    signal_dbm: int | None = None


def scan_ports(lister: Callable[[], Iterable[Any]] = list_ports.comports) -> list[Found]:
    """Serial ports, by name. Raises LinkError where the system cannot list them."""
    try:
        ports = sorted(lister(), key=lambda port: str(port.device))
    except OSError as error:
        raise LinkError("the serial ports cannot be listed", seen=show_foreign(str(error))) from error
    return [
        Found(
            link=f"serial:{show_foreign(str(port.device))}",
            name=show_foreign(str(port.description or ""), NAME_CHARACTERS),
            detail=" ".join(
                f"{label} {show_foreign(str(value), NAME_CHARACTERS)}"
                for label, value in (("maker", port.manufacturer), ("serial number", port.serial_number))
                if value
            ),
        )
        for port in ports
    ]


def scan_bluetooth(seconds: float = SCAN_S, *, backend: type[BaseBleakScanner] | None = None) -> list[Found]:
    """Bluetooth LE devices that advertise within ``seconds`` [s], the strongest first.

    Two devices of one name are told apart by their address, and marked. Raises LinkError where there is no Bluetooth.
    """
    try:
        seen = asyncio.run(_discover(seconds, backend))
    except (BleakError, OSError, EOFError, ImportError) as error:
        raise connect_error("", error) from error
    names = Counter(name for _, name, _, _ in seen if name)
    return [
        Found(
            link=f"ble:{show_foreign(address)}", name=name, signal_dbm=signal,
            detail="; ".join(
                part for part in (services, "another device has the same name" if names[name] > 1 else "") if part
            ),
        )
        for address, name, signal, services in sorted(seen, key=lambda item: (-item[2], item[0]))
    ]  # fmt: skip


async def _discover(
    seconds: float, backend: type[BaseBleakScanner] | None
) -> list[tuple[str, str, int, str]]:  # fmt: skip
    async with BleakScanner(backend=backend) as scanner:
        await asyncio.sleep(seconds)
        found = list(scanner.discovered_devices_and_advertisement_data.values())
    return [
        (
            str(device.address),
            show_foreign(told.local_name or device.name or "", NAME_CHARACTERS),
            int(told.rssi),
            " ".join(sorted(_short(uuid) for uuid in told.service_uuids)[:8]),
        )
        for device, told in found
    ]


def _short(uuid: str) -> str:
    lowered = show_foreign(str(uuid).lower(), 40)
    return lowered[4:8] if lowered.endswith("-0000-1000-8000-00805f9b34fb") else lowered
