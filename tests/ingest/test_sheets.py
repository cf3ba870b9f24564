"""Spreadsheets are read as the same cells: numbers exactly, moments as moments, dates that were numbers refused."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from pathlib import Path

import pytest

from ingest.exports.read import read_export
from ingest.exports.sheet_errors import find_errors
from tests.ingest.sheets import Cell, ods, open_document, xlsx
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


def test_an_error_in_an_open_document_is_refused_wherever_it_is_repeated() -> None:
    def cell(text: str, *, kind: str = "string", more: str = "") -> str:
        told = f' office:value="{text}"' if kind == "float" else ""
        return f'<table:table-cell office:value-type="{kind}"{told}{more}><text:p>{text}</text:p></table:table-cell>'

    heads = "".join(cell(name) for name in ("No", "Date", "Zs (Ohm)", "U L-N (V)", "U L-E (V)"))
    wrong = cell("Err:502", more=' calcext:value-type="error" office:string-value="" table:number-columns-repeated="2"')
    row = f"{cell('7', kind='float')}{cell('2031-04-02 09:00')}{cell('0.35', kind='float')}{wrong}"
    empty = '<table:table-row table:number-rows-repeated="2"><table:table-cell/></table:table-row>'
    read, refused = lines(
        open_document(
            f'<table:table table:name="A"><table:table-row>{heads}</table:table-row>{empty}'
            f"<table:table-row>{row}</table:table-row></table:table>"
        )
    )
    assert read == ["4 [Zs (Ohm)]: earth_fault_loop_impedance L-E 0.35 Ohm @ 2031-04-02T08:00:00Z | #7"]
    assert refused == [
        f"4 [U L-{to} (V)]: 'Err:502' not a number: 'Err:502' is an error mark, not a value" for to in "NE"
    ]


def test_an_error_in_an_old_spreadsheet_is_refused() -> None:
    # The file was written with xlwt 1.3: a sheet without readings, then one with an error as a value.
    content = (Path(__file__).parent / "old_spreadsheet.xls").read_bytes()
    read, refused = lines(content)
    assert read == [
        "2 [Zs (ohm)]: earth_fault_loop_impedance L-E 0.52 Ohm @ 2031-05-13T08:10:00Z | Hob | #1",
        "2 [L-N (V)]: voltage L-N 231.0 V @ 2031-05-13T08:10:00Z | Hob | #1",
        "3 [L-N (V)]: voltage L-N 231.5 V @ 2031-05-13T08:11:00Z | Hob | #2",
    ]
    assert refused == ["3 [Zs (ohm)]: '#DIV/0!' not a number: '#DIV/0!' is an error mark, not a value"]
    assert find_errors(content) == {"Cover": [], "Readings ω": [(2, 4, "#DIV/0!")]}
    assert all(find_errors(content[:length]) in ({}, find_errors(content)) for length in range(0, len(content), 97))
