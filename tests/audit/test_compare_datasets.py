from __future__ import annotations

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from reconcile.audit.compare import compare_datasets, compare_tables
from reconcile.audit.csv_cells import parse_cells
from reconcile.audit.files import check_files, compare_file, first_difference, parse_package
from schemas.errors import InputError

READINGS = (
    b"reading_id,evidence_sha256,record_no,raw_text,value\n"
    b'a-2-4,aa,2,"0,35",0.35\n'
    b'a-3-4,aa,3,"two\nlines",1\n'
    b"b-2-4,bb,2,>999,999000000\n"
    b"b-3-4,bb,3,,\n"
)


def rows(found: pd.DataFrame) -> list[tuple[object, ...]]:
    shown = found[["key", "column", "verdict", "recorded", "derived", "where"]].astype(object)
    return [tuple(row) for row in shown.where(shown.notna(), None).itertuples(index=False)]


def cells(content: bytes) -> dict[str, pd.DataFrame]:
    return {"readings": parse_cells(content, where="readings.csv")}


def test_same_table_has_no_difference() -> None:
    found = compare_tables(cells(READINGS), cells(READINGS))
    assert found.differences.empty
    assert found.totals.to_dict("records") == [{"table": "readings", "rows": 4, "cells": 20, "same": 20, "not_same": 0}]


def test_one_cell_changed_names_line_and_both_values() -> None:
    changed = READINGS.replace(b",0.35\n", b",0.53\n").replace(b"999000000", b"999")
    assert rows(compare_datasets(cells(changed), cells(READINGS))) == [
        ("a-2-4", "value", "differs", "0.53", "0.35", "readings.csv line 2"),
        ("b-2-4", "value", "differs", "999", "999000000", "readings.csv line 5"),
    ]


def test_row_left_out_row_made_up_and_rows_moved() -> None:
    *_, header = [READINGS.split(b"\n")[0]]
    body = READINGS[len(header) + 1 :]
    left_out = header + b"\n" + body.replace(b"b-3-4,bb,3,,\n", b"")
    assert rows(compare_datasets(cells(left_out), cells(READINGS))) == [("b-3-4", None, "missing", None, None, None)]
    made_up = READINGS + b"b-9-4,bb,9,0.2,0.2\n"
    assert rows(compare_datasets(cells(made_up), cells(READINGS))) == [
        ("b-9-4", None, "extra", None, None, "readings.csv line 7")
    ]
    assert rows(compare_datasets(cells(made_up), cells(READINGS), not_derivable={"bb"})) == [
        ("b-9-4", None, "not derivable", None, None, "readings.csv line 7")
    ]
    moved = header + b"\n" + b"b-3-4,bb,3,,\n" + body.replace(b"b-3-4,bb,3,,\n", b"")
    assert rows(compare_datasets(cells(moved), cells(READINGS))) == [
        ("a-2-4", None, "moved", None, None, "readings.csv line 3")
    ]


def test_repeated_keys_are_told_apart() -> None:
    twice = READINGS + b"b-3-4,bb,3,,\n"
    assert rows(compare_datasets(cells(twice), cells(READINGS)))[0][:3] == ("b-3-4 #2", None, "extra")


def test_missing_table_and_column() -> None:
    found = compare_datasets({}, cells(READINGS))
    assert rows(found)[0][2] == "missing"
    lacking = {"readings": cells(READINGS)["readings"].drop(columns="value")}
    assert rows(compare_datasets(lacking, cells(READINGS))) == [
        ("the whole column, 4 rows", "value", "missing", None, None, "readings.csv")
    ]


def test_typed_tables_are_compared_as_text() -> None:
    one = {"checks": pd.DataFrame({"certificate_id": ["C1"], "check": ["visual"], "value": [0.35]})}
    other = {"checks": pd.DataFrame({"certificate_id": ["C1"], "check": ["visual"], "value": [None]})}
    assert rows(compare_datasets(one, other)) == [("C1/visual", "value", "differs", "0.35", "", "checks row 0")]


def test_text_that_is_no_table_is_told() -> None:
    with pytest.raises(InputError, match="not a table"):
        parse_cells(b"a,b\n1,2,3\n", where="readings.csv")
    with pytest.raises(InputError):
        parse_cells(b"", where="readings.csv")


@settings(max_examples=60, deadline=None)
@given(position=st.integers(0, len(READINGS) - 1), bit=st.integers(0, 7))
def test_any_bit_of_a_table_shows(position: int, bit: int) -> None:
    altered = bytearray(READINGS)
    altered[position] ^= 1 << bit
    assert not compare_file("readings.csv", bytes(altered), READINGS).empty
    try:
        found = compare_datasets(cells(bytes(altered)), cells(READINGS))
    except InputError:
        return
    # Quotes that are not needed and other ends of lines are the same cells: the bytes show them, the cells do not.
    same_cells = cells(bytes(altered))["readings"].equals(cells(READINGS)["readings"])
    assert found.empty == same_cells


@given(st.binary(max_size=40), st.binary(max_size=40))
def test_first_difference_is_the_first(one: bytes, other: bytes) -> None:
    place = first_difference(one, other)
    assert one[:place] == other[:place]
    assert one[place : place + 1] != other[place : place + 1] or one == other


def test_files_against_their_description() -> None:
    sha = "a" * 64
    package = parse_package(
        b'{"resources": [{"path": "a.csv", "hash": "sha256:%s", "bytes": 3}, {"path": "b.csv"}]}' % sha.encode()
    )
    good = {"a.csv": (3, sha), "datapackage.json": (9, "c" * 64)}
    assert check_files(package, good)[["path", "verdict"]].values.tolist() == [["b.csv", "changed"]]
    odd = {"a.csv": (3, "b" * 64), "note.txt": (1, sha)}
    assert check_files(package, odd)[["path", "verdict"]].values.tolist() == [
        ["a.csv", "changed"], ["b.csv", "changed"], ["note.txt", "not listed"],
    ]  # fmt: skip
    assert "missing" in check_files(package, {})["verdict"].tolist()
    assert check_files(package, {"a.csv": (4, sha)})["verdict"].tolist() == ["changed", "changed"]


@pytest.mark.parametrize("content", [b"", b"[]", b"{}", b'{"resources": 1}', b'{"resources": [], "resources": []}'])
def test_description_that_is_none_is_told(content: bytes) -> None:
    with pytest.raises(InputError):
        parse_package(content)
