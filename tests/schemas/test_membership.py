from __future__ import annotations

import pandas as pd
from hypothesis import given
from hypothesis import strategies as st

from schemas.membership import is_among

TEXTS = st.lists(st.text(max_size=3) | st.none(), max_size=12)


@given(TEXTS, st.lists(st.text(max_size=3), max_size=12))
def test_it_says_what_isin_says(cells: list[str | None], texts: list[str]) -> None:
    column = pd.Series(cells, dtype="str", index=range(5, 5 + len(cells)))
    expected = column.isin(texts)
    assert is_among(column, texts).tolist() == expected.tolist()
    assert is_among(column, set(texts)).tolist() == expected.tolist()
    assert is_among(column, pd.Series(texts, dtype="str")).tolist() == expected.tolist()
    assert list(is_among(column, texts).index) == list(column.index)
