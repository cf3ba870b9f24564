"""Cells that hold an error in a spreadsheet of the old binary form: its reader leaves them out.

Sources: [MS-CFB] (the compound file: sectors, their chains, the directory) and [MS-XLS] (records BoundSheet8, BoolErr,
Formula, and the values of errors).
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from typing import Final

END_OF_CHAIN: Final = 0xFFFFFFFA
"""Sector numbers from here on are no sectors."""
STREAM: Final = 2
SMALL: Final = 4096
"""Streams below this size lie in small sectors; writers of spreadsheets make them as long as this at least."""
BOUND_SHEET, BOF, EOF, BOOL_ERR, FORMULA = 0x0085, 0x0809, 0x000A, 0x0205, 0x0006
TEXTS: Final = {
    0x00: "#NULL!", 0x07: "#DIV/0!", 0x0F: "#VALUE!", 0x17: "#REF!", 0x1D: "#NAME?", 0x24: "#NUM!", 0x2A: "#N/A",
}  # fmt: skip


def find_old_errors(content: bytes) -> dict[str, list[tuple[int, int, str]]]:
    """Row, column (both from 0) and text of every error by the name of its sheet; nothing where it cannot be read."""
    try:
        stream = _workbook(content)
        return {name: list(_errors(stream, start)) for name, start in _sheets(stream)}
    except (struct.error, IndexError, ValueError, UnicodeDecodeError):
        return {}


def _workbook(content: bytes) -> bytes:
    """The stream of the workbook in a compound file. Raises ValueError where it is not there."""
    size = 1 << struct.unpack_from("<H", content, 30)[0]
    table, first = _table(content, size), struct.unpack_from("<I", content, 48)[0]
    listed = _chain(content, table, first, size)
    for at in range(0, len(listed) - 127, 128):
        length, kind = struct.unpack_from("<HB", listed, at + 64)
        name = listed[at : at + max(0, length - 2)].decode("utf-16-le")
        start, count = struct.unpack_from("<II", listed, at + 116)
        if kind == STREAM and name in ("Workbook", "Book") and count >= SMALL:
            return _chain(content, table, start, size)[:count]
    raise ValueError("no workbook")


def _table(content: bytes, size: int) -> list[int]:
    """For each sector the one that follows it."""
    entries = size // 4
    count, (more,) = struct.unpack_from("<I", content, 44)[0], struct.unpack_from("<I", content, 68)
    sectors = [one for one in struct.unpack_from("<109I", content, 76) if one < END_OF_CHAIN]
    for _ in range(len(content) // size):
        if more >= END_OF_CHAIN:
            break
        *listed, more = struct.unpack_from(f"<{entries}I", content, (more + 1) * size)
        sectors += [one for one in listed if one < END_OF_CHAIN]
    return [entry for at in sectors[:count] for entry in struct.unpack_from(f"<{entries}I", content, (at + 1) * size)]


def _chain(content: bytes, table: list[int], first: int, size: int) -> bytes:
    """The bytes of the sectors from ``first`` on; the head of the file stands before sector 0."""
    parts: list[bytes] = []
    while first < END_OF_CHAIN and len(parts) <= len(table):
        parts.append(content[(first + 1) * size : (first + 2) * size])
        first = table[first]
    return b"".join(parts)


def _records(stream: bytes, start: int) -> Iterator[tuple[int, bytes]]:
    while start + 4 <= len(stream):
        kind, length = struct.unpack_from("<HH", stream, start)
        yield kind, stream[start + 4 : start + 4 + length]
        start += 4 + length


def _sheets(stream: bytes) -> Iterator[tuple[str, int]]:
    """The sheets by name, and where the records of each begin."""
    for kind, body in _records(stream, 0):
        if kind == EOF:
            return
        if kind == BOUND_SHEET and body[5] == 0:
            start, count, wide = struct.unpack_from("<I", body)[0], body[6], body[7] & 1
            name = body[8 : 8 + count * (2 if wide else 1)]
            yield name.decode("utf-16-le" if wide else "latin-1"), start


def _errors(stream: bytes, start: int) -> Iterator[tuple[int, int, str]]:
    """The errors of one sheet; what lies between a beginning and an end inside it (a chart) is not of its cells."""
    depth = 0
    for kind, body in _records(stream, start):
        depth += (kind == BOF) - (kind == EOF)
        if depth == 0:
            return
        if depth == 1 and kind in (BOOL_ERR, FORMULA):
            row, column, _ = struct.unpack_from("<3H", body)
            if kind == BOOL_ERR and body[7]:
                yield row, column, TEXTS.get(body[6], "#ERROR")
            elif kind == FORMULA and body[12:14] == b"\xff\xff" and body[6] == 2:
                yield row, column, TEXTS.get(body[8], "#ERROR")
