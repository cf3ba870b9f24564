"""Checksums of text lines."""

from __future__ import annotations

from collections.abc import Callable
from functools import reduce
from operator import xor
from typing import Final

from pymodbus.framer import FramerRTU


def _xor8(data: bytes) -> str:
    return f"{reduce(xor, data, 0):02X}"


def _sum8(data: bytes) -> str:
    return f"{sum(data) & 0xFF:02X}"


def _crc16(data: bytes) -> str:
    """CRC-16/MODBUS, the value and not the order sent; "123456789" gives 4B37 (CRC catalogue)."""
    sent_low_first = FramerRTU.compute_CRC(data)
    return f"{(sent_low_first & 0xFF) << 8 | sent_low_first >> 8:04X}"


CHECKSUMS: Final[dict[str, Callable[[bytes], str]]] = {"xor8": _xor8, "sum8": _sum8, "crc16": _crc16}
"""Name in a profile to the hexadecimal digits over some bytes."""
