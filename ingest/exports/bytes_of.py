"""The bytes of a column of text, for looks that would cost more text by text."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pyarrow as pa

Bytes = npt.NDArray[np.uint8]


def parts_of(column: pa.Array) -> tuple[npt.NDArray[np.int32], Bytes]:
    """Where each text of a column (pa.string) begins, one more for the end, and the bytes of all of them."""
    if not len(column):
        return np.zeros(1, np.int32), np.empty(0, np.uint8)
    _valid, offsets, data = column.buffers()
    places = np.frombuffer(offsets, np.int32)[column.offset : column.offset + len(column) + 1]
    return places, np.frombuffer(data, np.uint8) if data is not None else np.empty(0, np.uint8)


def only_digits(column: pa.Array) -> bool:
    """True where every byte of a column without nulls is a digit of ASCII."""
    places, marks = parts_of(column)
    inside = marks[places[0] : places[-1]]
    return not len(inside) or (int(inside.min()) >= ord("0") and int(inside.max()) <= ord("9"))


def first_bytes(column: pa.Array) -> Bytes:
    """The first byte of each text of a column without nulls, 0 for an empty one."""
    places, marks = parts_of(column)
    starts = places[:-1]
    filled = starts < places[1:]
    if filled.all():
        return marks[starts]
    found = np.zeros(len(starts), np.uint8)
    found[filled] = marks[starts[filled]]
    return found
