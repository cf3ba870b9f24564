"""Spreadsheets are read as the same cells: numbers exactly, moments as moments, dates that were numbers refused."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import datetime

import pytest

from ingest.exports.read import read_export
from tests.ingest.sheets import Cell, ods, xlsx
from tests.ingest.shown import show_reading, show_refusal

Writer = Callable[[Mapping[str, Sequence[Sequence[Cell]]]], bytes]
SHEET: list[list[Cell]] = [
    ["Serial number", "MF-2207"],
    [None],
    ["Record", "When", "Test", "Result", "Unit", "Label"],
    [1.0, datetime(2031, 4, 2, 12, 1, 33), "Zs", 0.35, "Ohm", "Boiler"],
    [2.0, datetime(2031, 4, 2, 12, 2, 33), "Insulation L-E", ">999", "MOhm", "Boiler"],
    [3.0, datetime(2031, 4, 2, 12, 3, 33), "Insulation L-E", 1.125, "MOhm", "Boiler"],
    [4.0, datetime(2031, 4, 2, 12, 4, 33), "Insulation L-E", "1,250", "MOhm", "Boiler"],
    [5.0, datetime(2031, 4, 2, 12, 5, 33), "Zs", datetime(2031, 5, 3), "Ohm", "Boiler"],
    [6.0, datetime(2031, 4, 2, 12, 6, 33), "Polarity", "correct", None, 12.0],
]
READINGS = [
    "4: earth_fault_loop_impedance L-E 0.35 Ohm @ 2031-04-02T11:01:33Z | Boiler | #1 | serial MF-2207",
    "5: insulation_resistance L-E >999000000.0 Ohm @ 2031-04-02T11:02:33Z | Boiler | #2 | serial MF-2207",
    "6: insulation_resistance L-E 1125000.0 Ohm @ 2031-04-02T11:03:33Z | Boiler | #3 | serial MF-2207",
    "9: polarity correct @ 2031-04-02T11:06:33Z | 12 | #6 | serial MF-2207",
]
REFUSALS = [
    "7 [Result]: '1,250' ambiguous",
    "8 [Result]: '2031-05-03",
]


def lines(content: bytes) -> tuple[list[str], list[str]]:
    extract = read_export(content, name="x", sha256="a" * 64, book_zone="Europe/London")
    return (
        [show_reading(row) for row in extract.readings.to_dict("records")],
        [show_refusal(row) for row in extract.refusals.to_dict("records")],
    )


@pytest.mark.parametrize("write", [xlsx, ods])
def test_a_sheet_is_read_cell_by_cell(write: Writer) -> None:
    read, refused = lines(write({"Readings": SHEET}))
    assert read == READINGS
    assert len(refused) == len(REFUSALS)
    assert all(line.startswith(start) for line, start in zip(refused, REFUSALS, strict=True))


@pytest.mark.parametrize("write", [xlsx, ods])
def test_every_sheet_is_read_and_ids_differ(write: Writer) -> None:
    content = write({"First": SHEET, "Notes": [["remarks", "none"]], "Second": SHEET})
    extract = read_export(content, name="x", sha256="a" * 64)
    assert len(extract.readings) == 2 * len(READINGS)
    assert extract.readings["reading_id"].is_unique
    assert sorted(set(extract.readings["column_no"])) == [4, 2004]


def test_a_damaged_spreadsheet_is_one_refusal() -> None:
    whole = xlsx({"Readings": SHEET})
    for content in (whole[: len(whole) // 2], whole.replace(b"sheetData", b"sheetDatb")):
        _, refused = lines(content)
        assert all("unreadable" in line or "no profile" in line for line in refused)


def test_a_cell_with_an_error_is_refused_and_not_passed_over() -> None:
    wide: list[list[Cell]] = [["No", "Date", "Zs (Ohm)", "U L-N (V)"], [1.0, datetime(2031, 4, 2, 9), "#DIV/0!", 230.5]]
    read, refused = lines(xlsx({"Cover & list": [["Site"]], "Readings": wide}))
    assert read == ["2 [U L-N (V)]: voltage L-N 230.5 V @ 2031-04-02T08:00:00Z | #1"]
    assert refused == ["2 [Zs (Ohm)]: '#DIV/0!' not a number: '#DIV/0!' is an error mark, not a value"]
