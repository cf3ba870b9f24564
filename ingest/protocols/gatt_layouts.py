"""Bytes of a characteristic into fields, exactly: integers, medical floats, times, text.

Sources: Bluetooth SIG GATT Specification Supplement and assigned numbers (as redistributed data) for layouts, format
and unit codes; IEEE 11073-20601 medical floats after the HL7 guide for personal health devices, page "IEEE 11073
FLOATs and SFLOATs".
"""

from __future__ import annotations

import math
import struct
from collections.abc import Sequence
from datetime import UTC, datetime
from decimal import Decimal
from typing import Final, Literal, NamedTuple

import numpy as np

from ingest.meter_time import ISO
from ingest.profiles.device_gatt import GattField
from ingest.protocols.frames import Cell

SIZES: Final = {
    "u8": 1, "u16": 2, "u24": 3, "u32": 4, "i8": 1, "i16": 2, "i24": 3, "i32": 4, "sfloat": 2, "float": 4, "f32": 4,
    "date_time": 7, "epoch": 4,
}  # fmt: skip
FORMATS: Final = {
    0x04: "u8", 0x06: "u16", 0x08: "u32", 0x0C: "i8", 0x0E: "i16", 0x10: "i32", 0x14: "f32", 0x16: "sfloat",
    0x17: "float",
}  # fmt: skip
UNITS: Final = {0x2728: "V", 0x2704: "A", 0x272A: "Ohm", 0x2703: "s"}
Special = Literal["", "over", "under", "none"]
MEDICAL_SPECIALS: Final[dict[int, Special]] = {-1: "none", -2: "over", 0: "none", 1: "none", 2: "under"}
"""By distance from the middle code: NaN, +infinity; not at this resolution, reserved, -infinity."""


class TooShort(ValueError):
    """The value ends before its last field."""


class Presentation(NamedTuple):
    """What a presentation format descriptor (0x2904) says: type of the value, power of ten, unit."""

    type: str
    exponent: int
    unit: str | None


def parse_presentation(data: bytes) -> Presentation | None:
    """The seven bytes of a presentation format descriptor; None where they say nothing that can be used."""
    if len(data) != 7 or data[0] not in FORMATS:
        return None
    exponent, unit = struct.unpack("<xbH3x", data)
    return Presentation(FORMATS[data[0]], exponent, UNITS.get(unit))


def read_fields(data: bytes, fields: Sequence[GattField], presentation: Presentation | None = None) -> dict[str, Cell]:
    """The cells of a value. Raises TooShort where it ends too soon, ValueError where it cannot be read."""
    cells: dict[str, Cell] = {}
    at = 0
    for field in fields:
        if field.if_flag is not None and not int(cells["flags"].text) >> field.if_flag & 1:
            continue
        kind = field.type
        if kind == "presented":
            if presentation is None:
                raise ValueError("the characteristic does not say how its value is to be read")
            kind = presentation.type  # type: ignore[assignment]
        size = SIZES.get(kind, field.length or len(data) - at)
        if at + size > len(data):
            raise TooShort(f"{len(data)} bytes, and field {field.name!r} ends at byte {at + size}")
        part = data[at : at + size]
        at += size
        if kind == "skip":
            continue
        cell = _cell(kind, part)
        if field.type == "presented" and presentation is not None:
            cells["unit"] = Cell(presentation.unit or "", presentation.unit or "unknown")
            if not cell.special:
                cell = cell._replace(text=str(Decimal(cell.text).scaleb(presentation.exponent)))
        cells[field.name] = cell
    return cells


def _cell(kind: str, part: bytes) -> Cell:
    raw = part.hex(" ")
    if kind == "text":
        text = part.split(b"\0", 1)[0].decode("utf-8", "backslashreplace")
        return Cell(text, text.strip())
    if kind in ("sfloat", "float"):
        return _medical_float(raw, part)
    if kind == "f32":
        return _single(raw, part)
    if kind == "date_time":
        year, *rest = struct.unpack("<H5B", part)
        return Cell(raw, f"{year:04}-{rest[0]:02}-{rest[1]:02}T{rest[2]:02}:{rest[3]:02}:{rest[4]:02}")
    number = int.from_bytes(part, "little", signed=kind.startswith("i"))
    if kind == "epoch":
        return Cell(raw, datetime.fromtimestamp(number, UTC).strftime(ISO))
    return Cell(raw, str(number))


def _medical_float(raw: str, part: bytes) -> Cell:
    """SFLOAT (4 + 12 bits) or FLOAT (8 + 24 bits): exponent and mantissa, both signed; exact as a decimal."""
    bits = 12 if len(part) == 2 else 24
    number = int.from_bytes(part, "little")
    mantissa, exponent = number & ((1 << bits) - 1), number >> bits
    middle = 1 << (bits - 1)
    special = MEDICAL_SPECIALS.get(mantissa - middle) if exponent == 0 else None
    if special:
        return Cell(raw, "", special)
    mantissa -= (1 << bits) if mantissa >= middle else 0
    width = len(part) * 8 - bits
    exponent -= (1 << width) if exponent >= 1 << (width - 1) else 0
    return Cell(raw, str(Decimal(mantissa).scaleb(exponent)))


def _single(raw: str, part: bytes) -> Cell:
    value = struct.unpack("<f", part)[0]
    if math.isnan(value):
        return Cell(raw, "", "none")
    if math.isinf(value):
        return Cell(raw, "", "over" if value > 0 else "under")
    return Cell(raw, np.format_float_positional(np.float32(value), unique=True, trim="0"))


def parse_current_time(data: bytes) -> tuple[str, str] | None:
    """Local time as ISO 8601 with microseconds, and its step [s], from a Current Time value (10 octets, 0x2A2B)."""
    if len(data) < 9:
        return None
    year, month, day, hour, minute, second, _, fraction = struct.unpack("<H7B", data[:9])
    try:
        moment = datetime(year, month, day, hour, minute, second, fraction * 1_000_000 // 256)
    except ValueError:
        return None
    return moment.isoformat(timespec="microseconds"), "0.00390625"


def current_time_bytes(local: datetime) -> bytes:
    """A Current Time value to write: adjust reason 1, manual update (bit 0; the four bits of 0x2A2B)."""
    return struct.pack(
        "<H7BB", local.year, local.month, local.day, local.hour, local.minute, local.second, local.isoweekday(),
        local.microsecond * 256 // 1_000_000, 1,
    )  # fmt: skip
