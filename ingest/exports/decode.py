"""Bytes to text: byte order marks, UTF-8, UTF-16 with and without mark, CP1252, lines of both."""

from __future__ import annotations

import codecs
from dataclasses import dataclass
from typing import Final

SAMPLE_BYTES: Final = 4096
# Bytes that CP1252 leaves undefined are C1 control characters in Latin-1; they are kept as such, and seen in cells.
_MARKS: Final = (
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF32_LE, "utf-32-le"),
    (codecs.BOM_UTF32_BE, "utf-32-be"),
    (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
)


@dataclass(frozen=True)
class Decoded:
    """The text of an export and the name of its encoding, for people."""

    text: str
    encoding: str


def decode(content: bytes) -> Decoded:
    """The text of ``content``. Never raises: bytes that mean nothing become the replacement character U+FFFD."""
    for mark, encoding in _MARKS:
        if content.startswith(mark) and not (encoding == "utf-16-le" and content.startswith(codecs.BOM_UTF32_LE)):
            rest = content[len(mark) :]
            if encoding == "utf-8":
                return Decoded(_clean(_decode_lines(rest)), encoding)
            return Decoded(_clean(rest.decode(encoding, errors="replace")), encoding)
    wide = _wide_without_mark(content)
    if wide:
        return Decoded(_clean(content.decode(wide, errors="replace")), wide)
    try:
        return Decoded(_clean(content.decode("utf-8")), "utf-8")
    except UnicodeDecodeError:
        return Decoded(_clean(_decode_lines(content)), "cp1252")


def _clean(text: str) -> str:
    """Without what was filled in behind the end of the file."""
    return text.lstrip("\ufeff").rstrip("\x00\x1a")


def _wide_without_mark(content: bytes) -> str | None:
    """UTF-16 by its zero bytes: nearly all on one side of each pair."""
    sample = content[:SAMPLE_BYTES]
    pairs = len(sample) // 2
    if pairs < 4:
        return None
    high, low = sample[1::2].count(0), sample[0::2].count(0)
    if high > 0.6 * pairs and low < 0.1 * pairs:
        return "utf-16-le"
    if low > 0.6 * pairs and high < 0.1 * pairs:
        return "utf-16-be"
    return None


def _decode_lines(content: bytes) -> str:
    """Each line by itself: UTF-8 where it is valid, else CP1252. Files put together by hand mix the two."""
    try:
        return content.decode("utf-8")
    except UnicodeDecodeError:
        lines = []
    for line in content.split(b"\n"):
        try:
            lines.append(line.decode("utf-8"))
        except UnicodeDecodeError:
            lines.append(_decode_single(line))
    return "\n".join(lines)


def _decode_single(line: bytes) -> str:
    try:
        return line.decode("cp1252")
    except UnicodeDecodeError:
        return line.decode("latin-1")
