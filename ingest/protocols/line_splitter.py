"""Bytes into lines, each with the frame in which it began. Bounded: a line that never ends is given up."""

from __future__ import annotations

from typing import NamedTuple

from ingest.protocols.frames import Frame


class Line(NamedTuple):
    """One line without its end, the frame where it began, the time of its last byte; ``whole`` if its end came."""

    frame: int
    at_s: float
    data: bytes
    whole: bool


class LineSplitter:
    """Holds what has arrived of a line."""

    def __init__(self, end: bytes, longest: int) -> None:
        self._end = end
        self._longest = longest
        self._held = b""
        self._began = 0
        self._at_s = 0.0

    def feed(self, frame: Frame) -> list[Line]:
        """The lines that this frame completes; one that grows beyond the bound comes out as not whole."""
        if not self._held:
            self._began = frame.number
        self._at_s = frame.at_s
        *complete, rest = (self._held + frame.data).split(self._end)
        lines = []
        for part in complete:
            lines.append(Line(self._began, frame.at_s, part[: self._longest + 1], len(part) <= self._longest))
            self._began = frame.number
        self._held = rest
        while len(self._held) > self._longest + len(self._end):
            lines.append(Line(self._began, frame.at_s, self._held[: self._longest], False))
            self._held = self._held[self._longest :]
            self._began = frame.number
        return lines

    def finish(self) -> list[Line]:
        """The rest, which is no whole line; afterwards the splitter is empty."""
        rest, self._held = self._held, b""
        return [Line(self._began, self._at_s, rest, False)] if rest else []
