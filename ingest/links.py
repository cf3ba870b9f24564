"""LINK into an open transport: ``serial:PATH``, ``ble:ADDRESS``, ``demo:KIND`` or a pyserial URL."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

from ingest.demo.links import open_demo
from ingest.foreign_text import show_foreign
from ingest.profiles.device import DeviceProfile
from ingest.profiles.device_gatt import GattProfile
from ingest.profiles.device_lines import SerialSection
from ingest.transports.bluetooth import BluetoothLink
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
    if link.way == "ble" and isinstance(profile, GattProfile):
        return BluetoothLink(link.rest, pair=profile.gatt.pair)
    return open_serial_link(link.rest, profile)


def open_serial_link(url: str, profile: DeviceProfile) -> Transport:
    """The open port with the line settings of the profile."""
    settings = getattr(profile, "serial", None)
    return open_serial(url, settings if isinstance(settings, SerialSection) else SerialSection())
