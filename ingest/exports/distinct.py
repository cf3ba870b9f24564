"""Work once for each distinct text: columns as codes into a list of what stands in them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa

Codes = npt.NDArray[np.int64]
Result = TypeVar("Result")


@dataclass(frozen=True)
class Distinct:
    """``codes[i]`` is the position of row i's text in ``texts``; nulls have the code of None."""

    codes: Codes
    texts: Sequence[str | None]


def distinct(column: pa.Array | Sequence[str | None]) -> Distinct:
    """The distinct texts of a column, in order of first appearance."""
    array = column if isinstance(column, (pa.Array, pa.ChunkedArray)) else pa.array(column, pa.string())
    if isinstance(array, pa.ChunkedArray):
        array = array.combine_chunks()
    encoded = array.dictionary_encode(null_encoding="encode")
    codes = encoded.indices.to_numpy(zero_copy_only=False).astype(np.int64, copy=False)
    return Distinct(codes, encoded.dictionary.to_pylist())


def combine(*columns: Codes) -> tuple[Codes, list[Codes]]:
    """One code for each distinct combination of codes, and for each column the codes of those combinations."""
    joined = columns[0]
    for column in columns[1:]:
        width = int(column.max(initial=0)) + 1
        joined, _ = _factorize(joined * width + column)
    joined, first = _factorize(joined)
    return joined, [column[first] for column in columns]


def _factorize(keys: Codes) -> tuple[Codes, Codes]:
    """Codes by first appearance, and the position of the first row of each."""
    codes, values = pd.factorize(keys)
    first = np.full(len(values), -1, dtype=np.int64)
    first[codes[::-1]] = np.arange(len(keys) - 1, -1, -1)
    return codes.astype(np.int64, copy=False), first


def take(
    results: Sequence[Result], codes: Codes, pick: Callable[[Result], object], dtype: object
) -> npt.NDArray[np.generic]:
    """One attribute of each row's result as an array."""
    values = np.empty(len(results), dtype=dtype)  # type: ignore[call-overload]
    for position, result in enumerate(results):
        values[position] = pick(result)
    taken: npt.NDArray[np.generic] = values[codes]
    return taken
