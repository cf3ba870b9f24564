"""The one thing that all transports are: operations out, packets in, and an end that is always told as LinkLost."""

from __future__ import annotations

from typing import NamedTuple, Protocol

from ingest.protocols.frames import BYTES, Send
from schemas.errors import LinkError


class LinkLost(LinkError):
    """The link broke: unplugged, out of range, switched off. Opening it again may help."""


class Packet(NamedTuple):
    """Bytes that arrived: on a line any piece of the stream, on Bluetooth one answer or notification."""

    data: bytes
    operation: str = BYTES
    channel: str = ""
    at_s: float | None = None


class Transport(Protocol):
    """An open link to a meter."""

    def perform(self, send: Send) -> None:
        """Carry out one operation. Raises LinkLost where the link is gone, LinkError where the meter refuses it."""

    def receive(self, timeout_s: float) -> Packet | None:
        """The next packet, or None after ``timeout_s`` [s]. Raises LinkLost where the link is gone."""

    def close(self) -> None:
        """Close the link; never raises, may be called twice."""
