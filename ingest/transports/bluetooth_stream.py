"""A byte stream over two Bluetooth LE characteristics: one that notifies, one that is written. For lines of text."""

from __future__ import annotations

from typing import Final

from ingest.profiles.device_lines import StreamSection
from ingest.protocols.frames import SUBSCRIBE, WRITE, Send
from ingest.transports.bluetooth import BluetoothLink
from ingest.transports.transport import Packet

SHORTEST_PAYLOAD: Final = 20
"""Bytes that fit into one write on every link: the smallest ATT MTU of 23 less 3 (Bluetooth Core, vol 3, part F)."""


class BluetoothStream:
    """Bytes in and out over an open link."""

    def __init__(self, link: BluetoothLink, stream: StreamSection) -> None:
        self._link = link
        self._stream = stream
        try:
            link.perform(Send(operation=SUBSCRIBE, channel=stream.receive))
        except BaseException:
            link.close()
            raise

    def perform(self, send: Send) -> None:
        """Write the bytes in pieces that fit every link."""
        for at in range(0, len(send.data), SHORTEST_PAYLOAD):
            piece = send.data[at : at + SHORTEST_PAYLOAD]
            self._link.perform(Send(operation=WRITE, channel=self._stream.send, data=piece))

    def receive(self, timeout_s: float) -> Packet | None:
        """The next piece of the stream."""
        packet = self._link.receive(timeout_s)
        return None if packet is None else Packet(packet.data)

    def close(self) -> None:
        """Close the link."""
        self._link.close()
