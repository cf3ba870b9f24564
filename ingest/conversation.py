"""Runs a conversation over a transport: writes every frame to the transcript, decodes it, hands on the events."""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable, Generator
from typing import TypeVar

from ingest.protocols.frames import Event, Frame, Script, Send, Wait
from ingest.protocols.meter import Meter
from ingest.transcript_file import TranscriptWriter
from ingest.transports.transport import LinkLost, Packet, Transport
from schemas.errors import LinkError

Result = TypeVar("Result")


class Conversation:
    """One open link, its transcript and its decoder. ``heard`` is called with every event, in order."""

    def __init__(
        self, *, transport: Transport, transcript: TranscriptWriter, meter: Meter, heard: Callable[[Event, float], None]
    ) -> None:
        self._transport = transport
        self._transcript = transcript
        self._decoder = meter.decoder()
        self._frame_end = meter.frame_end
        self._heard = heard
        self._events: deque[Event] = deque()
        self._asked_s = 0.0

    def run(self, script: Script[Result]) -> Result:
        """The result of the conversation. Raises LinkError where the meter or the link gives it up."""
        walk = self.walk(script)
        while True:
            try:
                next(walk)
            except StopIteration as stop:
                result: Result = stop.value
                return result

    def walk(self, script: Script[Result]) -> Generator[None, None, Result]:
        """The same step by step, so that the caller can look at what was heard in between."""
        try:
            step = next(script)
            while True:
                try:
                    event = self._send(step) if isinstance(step, Send) else self._wait(step)
                except LinkLost:
                    raise
                except LinkError as error:
                    self.note(f"refused: {error.what}")
                    step = script.throw(error)
                else:
                    yield
                    step = script.send(event)
        except StopIteration as stop:
            result: Result = stop.value
            return result

    def note(self, text: str) -> None:
        """Write a remark; what was held of a half answer comes out as damage, here and in every replay."""
        self._transcript.note(text)
        for event in self._decoder.finish():
            self._heard(event, self._asked_s)

    def _send(self, send: Send) -> Event | None:
        self._events.clear()  # what came before the question is no answer to it; it has been heard already
        frame = self._transcript.frame("out", send.data, send.operation, send.channel)
        self._asked_s = frame.at_s
        self._decode(frame)
        self._transport.perform(send)
        return None

    def _wait(self, wait: Wait) -> Event | None:
        started = time.monotonic()
        while not self._events:
            left_s = min(wait.quiet_s, wait.limit_s - (time.monotonic() - started))
            packet = self._transport.receive(left_s) if left_s > 0 else None
            if packet is None:
                return None
            self._take(packet)
        return self._events.popleft()

    def _take(self, packet: Packet) -> None:
        for piece in pieces(packet.data, self._frame_end):
            self._decode(self._transcript.frame("in", piece, packet.operation, packet.channel))

    def _decode(self, frame: Frame) -> None:
        for event in self._decoder.feed(frame):
            self._heard(event, self._asked_s)
            self._events.append(event)


def pieces(data: bytes, end: bytes) -> list[bytes]:
    """``data`` cut after each ``end``, so that a line that arrived whole is a frame of its own."""
    if not end or end not in data:
        return [data]
    parts = data.split(end)
    return [part + end for part in parts[:-1]] + ([parts[-1]] if parts[-1] else [])
