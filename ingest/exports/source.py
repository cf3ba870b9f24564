"""The bytes of an export, read from any place: all of them in hand, or a file that is too long to be held at once."""

from __future__ import annotations

import io
import os
from dataclasses import dataclass
from typing import BinaryIO


@dataclass(frozen=True)
class Source:
    """``stream`` holds ``size`` bytes. One thread reads at a time."""

    stream: BinaryIO
    size: int

    @classmethod
    def of(cls, content: bytes | BinaryIO) -> Source:
        """The bytes in hand, or those of a stream that can be read from any place."""
        if isinstance(content, bytes):
            return cls(io.BytesIO(content), len(content))
        return cls(content, content.seek(0, os.SEEK_END))

    def read(self, start: int, end: int) -> bytes:
        """The bytes from ``start`` to before ``end``, fewer where the source ends."""
        start = max(0, start)
        self.stream.seek(start)
        return self.stream.read(max(0, min(end, self.size) - start))

    def line_end_after(self, place: int) -> int:
        """Where the line that holds ``place`` ends (behind its LF); the end of the source where it has no end."""
        while place < self.size:
            piece = self.read(place, place + READ_AT_ONCE)
            if (found := piece.find(b"\n")) >= 0:
                return place + found + 1
            place += len(piece)
        return self.size


READ_AT_ONCE = 64 << 10
