"""LINK into an open transport: ``serial:PATH``, ``ble:ADDRESS``, ``demo:KIND`` or a pyserial URL."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

from bleak.backends.client import BaseBleakClient

from ingest.demo.links import open_demo
from ingest.foreign_text import show_foreign
from ingest.profiles.device import DeviceProfile
from ingest.profiles.device_gatt import GattProfile
from ingest.profiles.device_lines import LinesProfile, SerialSection
from ingest.transports.bluetooth import BluetoothLink
from ingest.transports.bluetooth_stream import BluetoothStream
from ingest.transports.serial_line import open_serial
from ingest.transports.transport import Transport
from schemas.errors import InputError

URLS: Final = ("socket", "rfc2217", "loop", "hwgrep", "spy", "alt")


@dataclass(frozen=True, kw_only=True)
class Link:
    """A link as written: its ``text``, its way, and the rest (port, URL, address, or kind of demo meter)."""

    text: str
    way: Literal["serial", "ble", "demo"]
    rest: str


def parse_link(text: str) -> Link:
    """The link that ``text`` names. Raises InputError with examples."""
    way, colon, rest = text.strip().partition(":")
    if colon and rest and way == "serial":
        return Link(text=text, way="serial", rest=rest)
    if colon and rest and way == "ble":
        return Link(text=text, way="ble", rest=rest)
    if colon and rest and way == "demo":
        return Link(text=text, way="demo", rest=rest)
    if way in URLS and rest.startswith("//"):
        return Link(text=text, way="serial", rest=text.strip())
    raise InputError(
        "this is no link to a meter", seen=show_foreign(text),
        advice="write serial:/dev/ttyUSB0, serial:COM3, ble:AA:BB:CC:DD:EE:FF, socket://192.168.1.20:4001"
        " or demo:lines; provebook scan lists what is in reach",
    )  # fmt: skip


def open_link(link: Link, profile: DeviceProfile) -> Transport:
    """The open transport. Raises LinkError saying what to do where it cannot be opened."""
    if link.way == "demo":
        return open_demo(link.rest, profile, open_serial_link)
    if link.way == "ble":
        return open_bluetooth(link.rest, profile)
    return open_serial_link(link.rest, profile)


def open_serial_link(url: str, profile: DeviceProfile) -> Transport:
    """The open port with the line settings of the profile."""
    settings = getattr(profile, "serial", None)
    return open_serial(url, settings if isinstance(settings, SerialSection) else SerialSection())


def open_bluetooth(
    address: str, profile: DeviceProfile, backend: type[BaseBleakClient] | None = None
) -> BluetoothLink | BluetoothStream:
    """The connected peripheral, or the byte stream that its profile says it offers.

    Raises InputError where the profile is for a wire, LinkError where there is no connection.
    """
    if isinstance(profile, GattProfile):
        return BluetoothLink(address, pair=profile.gatt.pair, backend=backend)
    if isinstance(profile, LinesProfile) and profile.bluetooth is not None:
        return BluetoothStream(BluetoothLink(address, backend=backend), profile.bluetooth)
    raise InputError(
        f"the profile {profile.name} is not for Bluetooth", where=f"ble:{show_foreign(address)}",
        advice='a profile of kind = "gatt", or of kind = "lines" with a table [bluetooth]',
    )  # fmt: skip
