"""CSV cells: read back by Python's csv module (RFC 4180) as what they were, and nothing that a spreadsheet runs."""

from __future__ import annotations

import csv
import io
from decimal import Decimal

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from reconcile.emit import csv_text
from reconcile.emit.csv_text import csv_bytes, unescape

TEXTS = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\x00"), max_size=12)
HOSTILE = st.text("=+-@'\t\r\n ,\";\u00a0\ufeff\u200b＝x1", max_size=6)


def frame(**columns: object) -> pd.DataFrame:
    return pd.DataFrame(columns)


def read_back(content: bytes) -> list[list[str]]:
    return list(csv.reader(io.StringIO(content.decode("utf-8"), newline=""), strict=True))


@given(st.lists(TEXTS | HOSTILE, min_size=1, max_size=5))
def test_text_reads_back_after_one_apostrophe_is_taken_off(texts: list[str]) -> None:
    table = frame(text=pd.Series(texts, dtype=str), end=pd.Series(["."] * len(texts), dtype=str))
    rows = read_back(csv_bytes(table))
    assert rows[0] == ["text", "end"]
    assert [unescape(cell) for cell, _ in rows[1:]] == texts


@given(st.lists(TEXTS | HOSTILE, min_size=1, max_size=5))
def test_no_text_cell_starts_a_formula(texts: list[str]) -> None:
    """The signs are those that common spreadsheet programs take for the start of a formula (common practice)."""
    table = frame(text=pd.Series(texts, dtype=str), end=pd.Series(["."] * len(texts), dtype=str))
    for cell, _ in read_back(csv_bytes(table))[1:]:
        seen = cell.lstrip("".join(chr(code) for code in range(0x21)) + "\x7f\u00a0\ufeff\u200b\u3000")
        assert not seen.startswith(("=", "+", "-", "@", "＝", "＋", "－", "＠"))
        assert not cell.startswith(("\t", "\r", "\n"))


@given(st.lists(st.floats(allow_nan=False, allow_infinity=False), min_size=1, max_size=5))
def test_numbers_read_back_to_the_same_float_with_no_digit_more_than_python_writes(numbers: list[float]) -> None:
    rows = read_back(csv_bytes(frame(number=numbers)))[1:]
    assert [float(cell) for (cell,) in rows] == numbers
    assert [Decimal(cell) for (cell,) in rows] == [Decimal(repr(number)) for number in numbers]


@pytest.mark.parametrize(
    ("number", "text"),
    [
        (230.0, "230"),
        (-0.3, "-0.3"),
        (0.1 + 0.2, "0.30000000000000004"),
        (999e6, "999000000"),
        (2e10, "20000000000"),
        (1e-7, "1E-7"),
    ],
)
def test_a_number_stays_a_number(number: float, text: str) -> None:
    assert csv_bytes(frame(number=[number])) == f"number\n{text}\n".encode()


@pytest.mark.parametrize(
    ("moment", "text"),
    [
        ("2031-04-02T11:01:00", "2031-04-02T11:01:00"),
        ("2031-04-02T11:01:10.120", "2031-04-02T11:01:10.12"),
        ("2031-04-02T00:00:00", "2031-04-02T00:00:00"),
        ("2031-04-02T11:10:00.000001", "2031-04-02T11:10:00.000001"),
    ],
)
def test_moments_are_iso_8601_with_z_only_where_they_are_utc(moment: str, text: str) -> None:
    local = pd.Series([pd.Timestamp(moment), None], dtype="datetime64[ns]")
    table = frame(local=local, utc=local.dt.tz_localize("UTC"))
    assert csv_bytes(table).decode() == f"local,utc\n{text},{text}Z\n,\n"


def test_rows_of_a_part_of_a_table_are_only_that_part() -> None:
    table = frame(text=pd.Series(["a", "b", "c", "d"], dtype=str), whole=pd.Series([1, None, 3, 4], dtype="Int64"))
    assert csv_bytes(table[1:3]) == b"text,whole\nb,\nc,3\n"
    assert csv_bytes(table[:0]) == b"text,whole\n"


def test_a_large_table_is_the_same_in_parts_and_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    texts = [f"id-{number}" for number in range(40)] + ["=1+1", 'a "quoted" one', "'", "", " blank"] * 2
    table = frame(
        text=pd.Series(texts, dtype=str),
        kind=pd.Series(["=x", "y"] * 25, dtype=str),
        number=[0.1, -0.0, 1e300, None, 7.0] * 10,
        moment=pd.to_datetime(["2031-04-02 10:00:00", "2031-04-02 10:00:00.5"] * 25, utc=True, format="ISO8601"),
    )
    at_once = csv_bytes(table)
    assert [unescape(row[0]) for row in read_back(at_once)[1:]] == texts
    for rows in (1, 7, 49):
        monkeypatch.setattr(csv_text, "PART_ROWS", rows)
        assert csv_bytes(table) == at_once
