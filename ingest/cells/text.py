"""The text of one cell with what typography may vary made one: digits, blanks, dashes, quotes.

Only characters that mean exactly the same are folded. Superscripts, fractions and letters are not: ``10²`` must never
become ``102``.
"""

from __future__ import annotations

import unicodedata
from functools import lru_cache
from typing import Final

BLANKS: Final = "\u00a0\u2000\u2001\u2002\u2003\u2004\u2005\u2006\u2007\u2008\u2009\u200a\u202f\u205f\u3000\t"
NOTHING: Final = "\u200b\u200c\u200d\u2060\ufeff\u00ad\u200e\u200f"
DASHES: Final = "\u2212\u2010\u2011\u2012\u2013\ufe63\uff0d"
QUOTES: Final = "\u2018\u2019\u02bc\u00b4\u2032"
CACHE: Final = 1 << 16

_FOLDED: Final[dict[int, str | None]] = {
    **{ord(mark): " " for mark in BLANKS},
    **{ord(mark): None for mark in NOTHING},
    **{ord(mark): "-" for mark in DASHES},
    **{ord(mark): "'" for mark in QUOTES},
    0x2126: "\u03a9",  # ohm sign to Greek capital omega, which Unicode calls the same
    0x03BC: "\u00b5",  # Greek mu to micro sign
    0x221E: "\u221e",
}
# Full-width forms of ASCII (U+FF01 to U+FF5E) are the same characters in another width.
_FOLDED.update({wide: chr(wide - 0xFEE0) for wide in range(0xFF01, 0xFF5F) if wide != 0xFF0D})
_MANGLED: Final = frozenset("ÃÂÎâÅÄ")
"""How UTF-8 of western text begins when it was read as CP1252 or Latin-1 and written again."""


def unmangle(text: str) -> str:
    """``text`` as it was before its UTF-8 was read as CP1252 or Latin-1; unchanged where that is not what happened."""
    if _MANGLED.isdisjoint(text):
        return text
    for encoding in ("cp1252", "latin-1"):
        try:
            return text.encode(encoding).decode("utf-8")
        except UnicodeError:
            continue
    return text


@lru_cache(maxsize=CACHE)
def fold(text: str) -> str:
    """``text`` trimmed, with the variants of digits, blanks, dashes and signs folded into one spelling."""
    if text[:2] == '="' and text[-1:] == '"' and len(text) > 3:
        text = text[2:-1]  # how spreadsheets keep a number from being read as one
    if text.isascii():
        return text.strip(" \t\r\n\x00\x0b\x0c") if "\t" not in text else text.replace("\t", " ").strip(" \r\n\x00")
    folded = unmangle(text).translate(_FOLDED)
    if any(mark.isdecimal() and not mark.isascii() for mark in folded):
        folded = "".join(
            str(unicodedata.decimal(mark)) if mark.isdecimal() and not mark.isascii() else mark for mark in folded
        )
    return folded.strip(" \r\n\x00\x0b\x0c")


_KEPT: Final = QUOTES + DASHES
_HIDDEN: Final = {ord(mark): chr(0xE000 + at) for at, mark in enumerate(_KEPT)}
_SHOWN: Final = {0xE000 + at: mark for at, mark in enumerate(_KEPT)}


def fold_name(text: str) -> str:
    """``fold`` for what people wrote: their apostrophes and dashes stay as they are."""
    return fold(unmangle(text).translate(_HIDDEN)).translate(_SHOWN)


_SUBSCRIPTS: Final = str.maketrans("₀₁₂₃₄₅₆₇₈₉₊ₑₙₛₗₚₒₐ", "0123456789+enslpoa")


@lru_cache(maxsize=CACHE)
def fold_heading(text: str) -> str:
    """``fold`` for headings and names of tests: subscripts are letters too, blanks are single, quotes are gone."""
    folded = fold(unmangle(text).translate(_SUBSCRIPTS)).replace('"', " ").replace("_", " ")
    return " ".join(folded.split()).rstrip(" :")


def shown(text: str, length: int = 40) -> str:
    """``text`` for a message: quoted, cut where long."""
    return repr(text if len(text) <= length else text[: length - 1] + "…")
