"""Two ways to the same tables: columns or cells, parts or whole, kept or read again, imported in any order."""

from __future__ import annotations

import itertools
import random
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest

from ingest.book import Book
from ingest.cells.numbers import NumberStyle
from ingest.cells.value import cell_evidence
from ingest.exports import columns, stream
from ingest.exports.distinct import distinct
from ingest.exports.meanings import Named
from ingest.exports.measurements import parse_meaning
from ingest.exports.read import read_export
from ingest.exports.values import _plain_cases, cell_proofs, read_value
from ingest.imports import import_exports, read_book
from tests.ingest.test_corpus import make_file

HEAD = "Serial number,MF-2207\nRecord,Date,Time,Label,Test,Result,Unit\n"
TABLES = ("readings", "refusals", "duplicates", "conflicts", "files")


def rows(count: int, *, odd: bool) -> str:
    rng = random.Random(count)
    names = [("Voltage L-N", "V"), ("Zs", "Ohm"), ("Insulation LN-E 500V", "MOhm"), ("Polarity", ""), ("RCD x1", "ms")]
    lines = []
    for number in range(count):
        name, unit = names[number % 5]
        text = "correct" if not unit else f"{rng.uniform(1, 240):.{rng.randint(0, 3)}f}"
        if odd and rng.random() < 0.02:
            text = rng.choice([">999", "OL", "1,250", "N/T", "#N/A", "", "0R35", "Err"])
            text = f'"{text}"' if "," in text else text
        label = f'"Boiler, {number % 7}"' if odd and rng.random() < 0.01 else f"A-{number % 40}"
        when = f"{number % 28 + 1:02d}/04/2031,{number // 60 % 24:02d}:{number % 60:02d}:00"
        lines.append(f"{number + 1},{when},{label},{name},{text},{unit}")
        if odd and rng.random() < 0.003:
            lines.append(
                rng.choice(["", "Average,,,,,1.2,", "# remark", "Record,Date,Time,Label,Test,Result,Unit", "x,y"])
            )
    return HEAD + "\n".join(lines) + "\n"


def tables(content: bytes) -> tuple[pd.DataFrame, pd.DataFrame]:
    extract = read_export(content, name="x.csv", sha256="a" * 64, book_zone="Europe/London")
    return extract.readings, extract.refusals


@pytest.mark.parametrize("odd", [False, True])
@pytest.mark.parametrize("line_end", ["\n", "\r\n"])
def test_columns_and_rows_give_the_same(odd: bool, line_end: str, monkeypatch: pytest.MonkeyPatch) -> None:
    content = rows(6000, odd=odd).replace("\n", line_end).encode()
    monkeypatch.setattr(stream, "LARGE_BYTES", len(content) + 1)
    whole = tables(content)
    monkeypatch.setattr(stream, "LARGE_BYTES", 1000)
    monkeypatch.setattr(stream, "PART_BYTES", 30_000)
    monkeypatch.setattr(columns, "RETRY_BYTES", 4_000)
    monkeypatch.setattr(stream, "RETRY_BYTES", 4_000)
    used = []
    real = stream.read_plain
    monkeypatch.setattr(stream, "read_plain", lambda *args: used.append(1) or real(*args))
    parts = tables(content)
    assert used
    for one, other in zip(whole, parts, strict=True):
        pd.testing.assert_frame_equal(one, other)
    assert len(whole[0]) + len(whole[1]) >= 6000


def test_a_date_at_the_end_settles_the_beginning(monkeypatch: pytest.MonkeyPatch) -> None:
    lines = [f"{n},{n % 12 + 1:02d}/{n % 11 + 1:02d}/2031,12:00:00,A,Zs,0.35,Ohm" for n in range(4000)]
    lines[3990] = "3990,25/04/2031,12:00:00,A,Zs,0.35,Ohm"
    content = (HEAD + "\n".join(lines) + "\n").encode()
    monkeypatch.setattr(stream, "LARGE_BYTES", 1000)
    monkeypatch.setattr(stream, "TAIL_BYTES", 200)
    monkeypatch.setattr(stream, "HEAD_BYTES", 1000)
    monkeypatch.setattr(stream, "PART_BYTES", 20_000)
    readings, _ = tables(content)
    assert readings["stamped_at"].notna().all()
    assert len(readings) == 4000


CELLS = ["0", "230", "230.1", "0.350", "1.250", "1,250", "12,5", "0,350", "1234.567", "99999.1", "5000.1", "00.5",
         "10.000", "999.999", "1000.000", "123456789012", "0.123456789"]  # fmt: skip


@pytest.mark.parametrize("name", ["Zs (Ω)", "R2 (mΩ)", "Insulation L-E (MΩ)", "V L-N (V)", "RCD (ms)", "Current (mA)"])
def test_plain_numbers_read_as_columns_are_those_of_the_cell_reader(name: str) -> None:
    from ingest.exports.values import SIGNS, _read_plain

    meaning = parse_meaning(name)
    named = [Named(meaning, unit=meaning.unit)]
    raw = distinct(pa.array(CELLS))
    for style in NumberStyle:
        codes, kinds = np.arange(len(CELLS)), np.zeros(len(CELLS), np.int64)
        plain = _plain_cases(raw, codes, np.full(len(CELLS), style.value), kinds, named)
        value, step, sign = np.full(len(CELLS), np.nan), np.full(len(CELLS), np.nan), np.zeros(len(CELLS), np.int8)
        _read_plain(raw, codes, kinds, named, plain, value, step, sign)
        assert plain.any()
        for at in np.flatnonzero(plain):
            cell = read_value(named[0], CELLS[at], style, None, None)
            assert (cell.value, cell.resolution, cell.comparator) == (value[at], step[at], SIGNS[sign[at]])


def test_proofs_of_columns_are_those_of_cells() -> None:
    texts = [*CELLS, ">999", "1.2.3", "OL", "", "1,250.5", "1.250,5", "12,50,000", "1 250", "2.5E3", "0.35 Ω", "-1,5"]
    found = cell_proofs(distinct(pa.array(texts)))
    assert found.tolist() == [cell_evidence(text).value for text in texts]


def write_exports(folder: Path) -> list[tuple[Path, str]]:
    files = []
    for seed in range(6):
        path = folder / f"{seed}.csv"
        path.write_bytes(make_file(seed).content)
        files.append((path, path.name))
    first = rows(40, odd=False).encode()
    lines = first.decode().split("\n")
    later = (
        "\n".join(
            [*lines[:2], *lines[22:42], "41,25/04/2031,12:00:00,A,Zs,0.77,Ohm", lines[41].replace(":39:00", ":39:30")]
        )
        + "\n"
    )
    for name, content in (("first.csv", first), ("later.csv", later.encode()), ("again.csv", first)):
        (folder / name).write_bytes(content)
        files.append((folder / name, name))
    return files


def new_book(root: Path) -> Book:
    book = Book(root)
    book.create()
    return book


def test_kept_tables_and_evidence_give_the_same(tmp_path: Path) -> None:
    book = new_book(tmp_path / "book")
    import_exports(book, write_exports(tmp_path))
    kept, fresh = read_book(book), read_book(book, use_derived=False)
    for name in TABLES:
        pd.testing.assert_frame_equal(getattr(kept, name), getattr(fresh, name))
    for path in book.derived.iterdir():
        path.write_bytes(b"damaged")
    again = read_book(book)
    for name in TABLES:
        pd.testing.assert_frame_equal(getattr(kept, name), getattr(again, name))


def test_order_of_imports_changes_nothing(tmp_path: Path) -> None:
    files = write_exports(tmp_path)
    found = []
    for number, order in enumerate(itertools.islice(itertools.permutations(files[-3:]), 3)):
        book = new_book(tmp_path / f"book{number}")
        for file in [*order, *files[:-3]]:
            import_exports(book, [file])
        found.append(read_book(book))
    for name in ("readings", "refusals", "duplicates", "conflicts"):
        for other in found[1:]:
            pd.testing.assert_frame_equal(getattr(found[0], name), getattr(other, name))


def test_overlapping_exports_give_each_record_once_and_the_same_bytes_are_one_evidence(tmp_path: Path) -> None:
    book = new_book(tmp_path / "book")
    files = write_exports(tmp_path)[-3:]
    report = import_exports(book, files)
    assert report.files["new"].tolist() == [True, True]
    extract = read_book(book)
    assert len(extract.files) == 2
    assert (extract.files["records"] == extract.files["readings"] + extract.files["refusals"]).all()
    assert len(extract.readings) + len(extract.duplicates) == extract.files["readings"].sum()
    assert len(extract.duplicates) == 20
    standing = extract.readings[["memory_no", "meter_time", "quantity", "conductors", "value", "indication"]]
    assert not standing.duplicated().any()
    assert import_exports(book, files).files["new"].tolist() == [False, False]
    pd.testing.assert_frame_equal(read_book(book).readings, extract.readings)
