"""``demo:KIND`` into an open transport with a meter behind it."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from typing import Final

from ingest.demo.gatt_meter import GattDemoMeter
from ingest.demo.lines_meter import LinesDemoMeter
from ingest.demo.modbus_meter import ModbusDemoMeter
from ingest.demo.radio import demo_backend
from ingest.demo.scpi_meter import ScpiDemoMeter
from ingest.demo.serve import ByteMeter, ServedMeter
from ingest.foreign_text import show_foreign
from ingest.profiles.device import DeviceProfile
from ingest.protocols.frames import Send
from ingest.transports.bluetooth import BluetoothLink
from ingest.transports.transport import Packet, Transport
from schemas.errors import InputError

BYTE_METERS: Final[dict[str, Callable[[], ByteMeter]]] = {
    "lines": LinesDemoMeter,
    "scpi": ScpiDemoMeter,
    "modbus": ModbusDemoMeter,
}


class DemoTransport:
    """A transport that takes its meter along when it closes."""

    def __init__(self, transport: Transport, served: ServedMeter) -> None:
        self._transport = transport
        self._served = served

    def perform(self, send: Send) -> None:
        """As the transport does."""
        self._transport.perform(send)

    def receive(self, timeout_s: float) -> Packet | None:
        """As the transport does."""
        return self._transport.receive(timeout_s)

    def close(self) -> None:
        """Close the link, then the meter."""
        self._transport.close()
        self._served.close()


@cache
def demo_meter(kind: str) -> ByteMeter:
    """The demo meter of that kind: one in a process, so that what is set or deleted stays so."""
    return BYTE_METERS[kind]()


@cache
def demo_gatt_meter() -> GattDemoMeter:
    """The demo meter of the air, one in a process."""
    return GattDemoMeter()


def demo_profile_name(kind: str) -> str:
    """The shipped profile of that demo meter. Raises InputError where there is none."""
    if kind not in (*BYTE_METERS, "gatt"):
        raise InputError(
            "there is no such demo meter", seen=show_foreign(kind),
            advice="demo:lines, demo:scpi, demo:modbus or demo:gatt",
        )  # fmt: skip
    return f"demo-{kind}"


def open_demo(kind: str, profile: DeviceProfile, open_serial: Callable[[str, DeviceProfile], Transport]) -> Transport:
    """The demo meter of that kind, running, with an open transport to it."""
    demo_profile_name(kind)
    if kind == "gatt":
        return BluetoothLink("demo", backend=demo_backend(demo_gatt_meter()))
    served = ServedMeter(demo_meter(kind))
    try:
        return DemoTransport(open_serial(served.url, profile), served)
    except BaseException:
        served.close()
        raise
