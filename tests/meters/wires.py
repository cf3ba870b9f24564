"""A meter on a wire without a wire: the same bytes through memory, cut after a byte or never. For sweeps of cuts."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable

from ingest.protocols.frames import Send
from ingest.transports.transport import LinkLost, Packet


class MemoryWire:
    """A transport whose meter answers at once; the link is lost behind ``dies_at_byte`` bytes from the meter.

    A packet has at most ``packet_bytes``; ``sent`` counts what came.
    """

    def __init__(
        self, answer: Callable[[bytes], bytes], *, dies_at_byte: int | None = None, packet_bytes: int = 64
    ) -> None:
        self._answer, self._dies, self._size = answer, dies_at_byte, packet_bytes
        self._waiting: deque[bytes] = deque()
        self.sent = 0

    def perform(self, send: Send) -> None:
        """The meter hears it, and answers."""
        if self._dies is not None and self.sent >= self._dies:
            raise LinkLost("the link broke while it was in use")
        said = self._answer(send.data)
        self._waiting.extend(said[at : at + self._size] for at in range(0, len(said), self._size))

    def receive(self, timeout_s: float) -> Packet | None:
        """The next piece of what the meter says, up to the byte at which the link dies."""
        if self._dies is not None and self.sent >= self._dies:
            raise LinkLost("the link broke while it was in use")
        if not self._waiting:
            return None
        piece = self._waiting.popleft()
        if self._dies is not None:
            piece = piece[: self._dies - self.sent]
        self.sent += len(piece)
        return Packet(piece)

    def close(self) -> None:
        """Nothing to close."""
