"""Work once for each distinct text: columns as codes into a list of what stands in them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Final, TypeVar

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa

Codes = npt.NDArray[np.int64]
Result = TypeVar("Result")


@dataclass(frozen=True)
class Distinct:
    """``codes[i]`` is the position of row i's text in ``values``; nulls have the code of null."""

    codes: Codes
    values: pa.Array

    @cached_property
    def texts(self) -> list[str | None]:
        """The distinct texts."""
        found: list[str | None] = self.values.to_pylist()
        return found


def distinct(column: pa.Array) -> Distinct:
    """The distinct texts of a column, in order of first appearance."""
    if column.null_count == len(column):
        return Distinct(np.zeros(len(column), np.int64), pa.array([None], pa.string()))
    encoded = column.dictionary_encode(null_encoding="encode")
    return Distinct(encoded.indices.to_numpy(zero_copy_only=False).astype(np.int64), encoded.dictionary)


def combine(*columns: Codes) -> tuple[Codes, list[Codes]]:
    """One code for each distinct combination of codes, and for each column the codes of those combinations."""
    joined = np.zeros(len(columns[0]), np.int64)
    parts: list[Codes] = []
    count = min(1, len(joined))
    for column in columns:
        width = int(column.max(initial=0)) + 1
        if width == 1:
            parts.append(np.zeros(count, np.int64))
            continue
        joined, keys = compact(joined * width + column if count > 1 else column, count * width)
        before, own = np.divmod(keys, width)
        parts, count = [*(part[before] for part in parts), own], len(keys)
    return joined, parts


def compact(keys: Codes, limit: int) -> tuple[Codes, Codes]:
    """Codes 0, 1, … for the distinct keys, all below ``limit``, and the key of each code."""
    if limit > max(DENSE_LEAST, DENSE * len(keys)):
        codes, values = pd.factorize(keys)
        return codes.astype(np.int64, copy=False), values
    seen = np.zeros(limit, dtype=bool)
    seen[keys] = True
    values = np.flatnonzero(seen)
    if len(values) == limit:
        return keys, values
    place = np.empty(limit, np.int64)
    place[values] = np.arange(len(values))
    return place[keys], values


DENSE_LEAST: Final = 1 << 16
DENSE: Final = 4
"""A table of all possible keys is quicker than hashing while it is at most so many times as long as the rows."""


def first_rows(keys: Codes) -> Codes:
    """The row at which each distinct key appears first, keys in rising order."""
    codes, values = compact(keys, int(keys.max(initial=-1)) + 1)
    first = np.empty(len(values), dtype=np.int64)
    first[codes[::-1]] = np.arange(len(keys) - 1, -1, -1)
    return first


def take(results: Sequence[Result], codes: Codes, pick: Callable[[Result], object], dtype: Any) -> npt.NDArray[Any]:
    """One attribute of each row's result as an array."""
    values = np.empty(len(results), dtype=dtype)
    for position, result in enumerate(results):
        values[position] = pick(result)
    taken: npt.NDArray[Any] = values[codes]
    return taken


def coded(texts: Sequence[str | None] | pa.Array, codes: Codes) -> pa.DictionaryArray:
    """A column of text as codes into a short list."""
    values = texts if isinstance(texts, pa.Array) else pa.array(list(texts), pa.string())
    known = values.is_valid().to_numpy(zero_copy_only=False)
    if known.all():
        return pa.DictionaryArray.from_arrays(pa.array(codes.astype(np.int32, copy=False)), values)
    places = (np.cumsum(known) - 1).astype(np.int32)
    return pa.DictionaryArray.from_arrays(pa.array(places[codes], mask=~known[codes]), values.drop_null())


def decode(texts: Sequence[str | None], codes: Codes) -> pa.Array:
    """A column of text from codes into a short list."""
    return coded(texts, codes).dictionary_decode()
