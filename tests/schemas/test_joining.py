"""Joining and ordering of large tables against what pandas does row by row."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pandas.errors import MergeError

from schemas.joining import in_order, is_in_order, join_rows

cells = st.lists(st.tuples(st.sampled_from(["a", "b", "ü", None]), st.integers(0, 3)), max_size=6)


def table_of(keys: list[str], column: str) -> pd.DataFrame:
    return pd.DataFrame({"key": pd.Series(keys, dtype="str"), column: np.arange(len(keys))})


@settings(deadline=None)
@given(st.permutations(["a", "b", "c", "d"]), st.lists(st.sampled_from(["a", "b", "c", "d", "e"]), unique=True))
def test_join_is_the_one_to_one_merge(ours: list[str], theirs: list[str]) -> None:
    for left, right in ((ours, theirs), (ours, ours), (theirs, theirs)):
        mine, other = table_of(left, "mine"), table_of(right, "other")
        expected = mine.merge(other, on="key", validate="one_to_one")
        pd.testing.assert_frame_equal(join_rows(mine, other, key="key"), expected)


def test_rows_in_the_same_order_are_joined_by_place_whatever_their_index() -> None:
    mine, other = table_of(["a", "b"], "mine"), table_of(["a", "b"], "other")
    joined = join_rows(mine.set_axis([7, 3]), other.set_axis([1, 9]), key="key")
    assert joined.to_dict("list") == {"key": ["a", "b"], "mine": [0, 1], "other": [0, 1]}
    assert list(joined.index) == [0, 1]


def test_a_key_that_is_repeated_is_refused() -> None:
    with pytest.raises(MergeError):
        join_rows(table_of(["a", "b"], "mine"), table_of(["a", "a", "b"], "other"), key="key")


@settings(deadline=None)
@given(cells)
def test_order_is_that_of_a_stable_sort(rows: list[tuple[str | None, int]]) -> None:
    table = pd.DataFrame({
        "text": pd.Series([text for text, _ in rows], dtype="str"), "number": [number for _, number in rows],
        "place": range(len(rows)),
    })  # fmt: skip
    expected = table.sort_values(["text", "number"], kind="stable", ignore_index=True)
    pd.testing.assert_frame_equal(in_order(table, ["text", "number"]), expected)
    assert is_in_order(expected.dropna(), ["text", "number"])
