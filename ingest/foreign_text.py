"""Text that came from a device, made harmless before it reaches a terminal, a file name, a page or a table."""

from __future__ import annotations

import re
from typing import Final

SHOWN_CHARACTERS: Final = 200
NAME_CHARACTERS: Final = 40


def show_foreign(text: str | bytes, limit: int = SHOWN_CHARACTERS) -> str:
    """``text`` on one line, bounded, with everything that is not a printable character written as an escape.

    Direction marks, escape sequences, line ends and NULs all become visible; a backslash is doubled, so that an
    escape that was sent cannot be taken for one of ours. Text beyond ``limit`` characters is cut with a remark.
    """
    if isinstance(text, bytes):
        text = text[: limit + 1].decode("latin-1").translate(_HIGH_BYTES)
    if len(text) <= limit and text.isprintable() and "\\" not in text and not _has_marked_byte(text):
        return text
    shown = "".join(_shown(character) for character in text[:limit])
    return shown if len(text) <= limit else f"{shown}... (cut)"


def file_name_part(text: str) -> str:
    """``text`` as part of a file name: ASCII letters, digits and single hyphens, at most 40 characters."""
    return re.sub(r"[^A-Za-z0-9]+", "-", text)[:NAME_CHARACTERS].strip("-") or "meter"


_HIGH_BYTES: Final = {byte: chr(0xE000 + byte) for byte in range(0x7F, 0x100)}


def _has_marked_byte(text: str) -> bool:
    """True where a character stands for a byte that is no ASCII (see ``_HIGH_BYTES``)."""
    return not text.isascii() and any(0xE07F <= ord(character) < 0xE100 for character in text)


def _shown(character: str) -> str:
    code = ord(character)
    if 0xE07F <= code < 0xE100:
        return f"\\x{code - 0xE000:02x}"
    if character == "\\":
        return "\\\\"
    if character.isprintable():
        return character
    return f"\\x{code:02x}" if code < 0x100 else f"\\u{code:04x}" if code < 0x10000 else f"\\U{code:08x}"
