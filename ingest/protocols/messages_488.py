"""Response messages of IEEE 488.2: numbers, words, strings, blocks; units parted by ``;``, data by ``,``, ended by NL.

Source: the forms of IEEE 488.2 as open-source parsers and their tests show them (definite block ``#12AB``, doubled
quotes); the values for over-range and not-a-number after SCPI-99 volume 1, 7.2.1 (from memory).
"""

from __future__ import annotations

import re
from decimal import Decimal
from typing import Final, Literal, NamedTuple

LONGEST_MESSAGE: Final = 2_000_000
LONGEST_BLOCK: Final = 1_048_576

INFINITY: Final = Decimal("9.9E37")
NOT_A_NUMBER: Final = Decimal("9.91E37")
NUMBER: Final = re.compile(rb"[+-]?(?:[0-9]{1,40}(?:\.[0-9]{0,40})?|\.[0-9]{1,40})(?:[eE][+-]?[0-9]{1,4})?")
WORD: Final = re.compile(rb"[ !#-&(-+\--:<-~]{1,200}")
ENDS: Final = b",;\n\r"


class Datum(NamedTuple):
    """One datum of a response: its ``kind``, and its bytes without quotes or block header."""

    kind: Literal["number", "word", "string", "block", "nothing"]
    data: bytes


class Malformed(ValueError):
    """Bytes that are no response message."""


class Message(NamedTuple):
    """A whole response message: its units, each a list of data, and how many bytes it took."""

    units: list[list[Datum]]
    length: int


def parse_message(data: bytes, start: int = 0) -> Message | None:
    """The first response message in ``data`` from ``start``, or None while it is not whole. Raises Malformed."""
    units: list[list[Datum]] = [[]]
    at = start
    while True:
        found = _datum(data, at)
        if found is None:
            if len(data) - start > LONGEST_MESSAGE:
                raise Malformed("the answer has no end")
            return None
        datum, at = found
        units[-1].append(datum)
        while data[at : at + 1] in (b" ", b"\r"):
            at += 1
        mark = data[at : at + 1]
        if not mark:
            return None
        at += 1
        if mark == b"\n":
            return Message(units, at - start)
        if mark == b";":
            units.append([])
        elif mark != b",":
            raise Malformed(f"unexpected {mark!r} after a datum")


def _datum(data: bytes, at: int) -> tuple[Datum, int] | None:
    while data[at : at + 1] in (b" ", b"\t"):
        at += 1
    first = data[at : at + 1]
    if not first:
        return None
    if first == b"#":
        return _block(data, at)
    if first in (b'"', b"'"):
        return _string(data, at, first)
    end = next((place for place in range(at, min(len(data), at + 256)) if data[place] in ENDS), None)
    if end is None:
        if len(data) - at > 255:
            raise Malformed("a datum is too long")
        return None
    text = data[at:end].rstrip()
    if not text:
        return Datum("nothing", b""), end
    if NUMBER.fullmatch(text):
        return Datum("number", text), end
    if WORD.fullmatch(text):
        return Datum("word", text), end
    raise Malformed("a datum holds characters that no number or word has")


def _block(data: bytes, at: int) -> tuple[Datum, int] | None:
    digits = data[at + 1 : at + 2]
    if not digits:
        return None
    if digits == b"0":
        raise Malformed("a block without length cannot be told from what follows on this kind of link")
    if not digits.isdigit():
        raise Malformed("a block does not say how long it is")
    length_text = data[at + 2 : at + 2 + int(digits)]
    if not (length_text.isdigit() or not length_text):
        raise Malformed("a block does not say how long it is")
    if len(length_text) < int(digits):
        return None
    length, begin = int(length_text), at + 2 + int(digits)
    if length > LONGEST_BLOCK:
        raise Malformed(f"a block of {length} bytes is longer than {LONGEST_BLOCK}")
    if len(data) < begin + length:
        return None
    return Datum("block", data[begin : begin + length]), begin + length


def _string(data: bytes, at: int, quote: bytes) -> tuple[Datum, int] | None:
    place = at + 1
    while True:
        end = data.find(quote, place)
        if end < 0:
            if len(data) - at > LONGEST_BLOCK:
                raise Malformed("a string has no end")
            return None
        if end + 1 >= len(data):
            return None
        if data[end + 1 : end + 2] != quote:
            return Datum("string", data[at + 1 : end].replace(quote * 2, quote)), end + 1
        place = end + 2


def special_number(text: bytes) -> Literal["", "over", "under", "none"]:
    """What a number stands for if it is one of the values that mean none: infinity either way, or not a number."""
    if b"e" not in text.lower():
        return ""
    number = Decimal(text.decode("ascii"))
    if abs(number) < INFINITY:
        return ""
    if number < 0:
        return "under"
    return "none" if number == NOT_A_NUMBER else "over"
