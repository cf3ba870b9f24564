"""A meter played from a list of pairs: what must be sent, what then arrives. For tests, and for trying a profile."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable

from ingest.foreign_text import show_foreign
from ingest.protocols.frames import Send
from ingest.transports.transport import LinkLost, Packet
from schemas.errors import LinkError

Exchange = tuple[bytes, bytes]


class ScriptedTransport:
    """Answers each expected write; anything else than expected is a LinkError that shows both."""

    def __init__(self, dialogue: Iterable[Exchange], *, chunk: int = 0) -> None:
        self._dialogue = deque(dialogue)
        self._arrived: deque[Packet] = deque()
        self._chunk = chunk

    def perform(self, send: Send) -> None:
        """Take the next pair of the dialogue. Raises LinkLost after its end."""
        if not self._dialogue:
            raise LinkLost("the script is at its end", seen=f"sent {show_foreign(send.data)}")
        expected, answer = self._dialogue.popleft()
        if expected != send.data:
            raise LinkError(
                "something else was sent than the script expects",
                seen=f"sent     {show_foreign(send.data)}\nexpected {show_foreign(expected)}",
            )
        step = self._chunk or len(answer) or 1
        self._arrived.extend(Packet(answer[at : at + step]) for at in range(0, len(answer), step))

    def receive(self, timeout_s: float) -> Packet | None:
        """The next piece of the answer; nothing when all of it was taken."""
        return self._arrived.popleft() if self._arrived else None

    def close(self) -> None:
        """Nothing to close."""

    @property
    def done(self) -> bool:
        """True when the whole dialogue took place."""
        return not self._dialogue and not self._arrived
