"""Registers into the fields of a record."""

from __future__ import annotations

import math
import struct
from collections.abc import Sequence
from datetime import UTC, datetime

import numpy as np

from ingest.meter_time import ISO
from ingest.profiles.device_modbus import TIME_FIELDS, Area, RegisterField
from ingest.protocols.frames import Cell


def read_area(area: Area, registers: Sequence[int], *, low_word_first: bool) -> dict[str, Cell]:
    """The fields of ``registers`` (as many as the area has); single time fields are joined to ``datetime``."""
    cells = {field.name: _cell(field, registers[field.at : field.at + field.registers], low_word_first)
             for field in area.fields}  # fmt: skip
    if "datetime" not in cells and all(name in cells for name in TIME_FIELDS):
        parts = [cells[name].text for name in TIME_FIELDS]
        raw = " ".join(cells[name].raw for name in TIME_FIELDS)
        cells["datetime"] = Cell(raw, "{:0>4}-{:0>2}-{:0>2}T{:0>2}:{:0>2}:{:0>2}".format(*parts))
    return cells


def _cell(field: RegisterField, registers: Sequence[int], low_word_first: bool) -> Cell:
    raw = " ".join(f"{register:04X}" for register in registers)
    if field.type == "text":
        data = b"".join(register.to_bytes(2, "big") for register in registers)
        text = data.split(b"\0", 1)[0].decode("ascii", "backslashreplace")
        return Cell(text, text.strip())
    ordered = reversed(registers) if low_word_first else registers
    data = b"".join(register.to_bytes(2, "big") for register in ordered)
    if field.type == "f32":
        return _float_cell(raw, data)
    number = int.from_bytes(data, "big", signed=field.type.startswith("i"))
    if field.type == "epoch":
        return Cell(raw, datetime.fromtimestamp(number, UTC).strftime(ISO))
    return Cell(raw, str(number))


def _float_cell(raw: str, data: bytes) -> Cell:
    """IEEE 754 single: the shortest decimal that gives the same bits; infinities and not-a-number mean no value."""
    value = struct.unpack(">f", data)[0]
    if math.isnan(value):
        return Cell(raw, "", "none")
    if math.isinf(value):
        return Cell(raw, "", "over" if value > 0 else "under")
    return Cell(raw, np.format_float_positional(np.float32(value), unique=True, trim="0"))
