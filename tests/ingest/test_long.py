"""Long exports: copied once, read while they are kept, never held as a whole; what is made of them waits for them."""

from __future__ import annotations

import threading
from pathlib import Path

import pandas as pd
import pyarrow as pa
import pytest

from ingest import evidence, extracts, imports
from ingest.book import Book
from ingest.cells.clocks import parse_clock
from ingest.evidence import NewEvidence, file_received_at
from ingest.exports import containers, stream
from ingest.exports.times import plain_clocks
from ingest.exports.zones import NEVER
from ingest.imports import import_exports, read_book
from ingest.incoming import INCOMING, Incoming
from schemas.errors import BookError

HEAD = "Serial number,MF-2207\nRecord,Date,Time,Label,Test,Result,Unit\n"
TABLES = ("readings", "refusals", "duplicates", "conflicts", "files")


def content(count: int) -> bytes:
    tests = [("Zs", "Ohm"), ("Voltage L-N", "V"), ("RCD x1", "ms")]
    lines = [
        f"{n},{n % 28 + 1:02d}/04/2031,{n // 60 % 24:02d}:{n % 60:02d}:00,A-{n % 40},{tests[n % 3][0]},"
        f"{'OL' if n % 97 == 0 else n % 35 + 0.25},{tests[n % 3][1]}"
        for n in range(1, count + 1)
    ]
    return (HEAD + "\n".join(lines) + "\n").encode()


@pytest.fixture(autouse=True)
def small_sizes(monkeypatch: pytest.MonkeyPatch) -> None:
    """What is long is short here."""
    monkeypatch.setattr(imports, "LONG_BYTES", 50_000)
    for name, size in (("LARGE_BYTES", 20_000), ("PART_BYTES", 30_000), ("HEAD_BYTES", 2_000), ("TAIL_BYTES", 500)):
        monkeypatch.setattr(stream, name, size)


def new_book(root: Path) -> Book:
    book = Book(root)
    book.create()
    return book


def write(folder: Path, name: str, text: bytes) -> tuple[Path, str]:
    (folder / name).write_bytes(text)
    return folder / name, name


def test_a_long_file_gives_what_the_same_bytes_in_hand_give(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    file = write(tmp_path, "long.csv", content(4000))
    found = {}
    for name, size in (("long", 50_000), ("in hand", 1 << 30)):
        monkeypatch.setattr(imports, "LONG_BYTES", size)
        book = new_book(tmp_path / name)
        assert import_exports(book, [file]).files["records"].tolist() == [4000]
        assert book.evidence.read(next(book.evidence.hashes())) == file[0].read_bytes()
        found[name] = read_book(book, use_derived=name == "long")
    for table in TABLES:
        pd.testing.assert_frame_equal(getattr(found["long"], table), getattr(found["in hand"], table))


def test_where_open_files_cannot_be_renamed_it_is_kept_before_it_is_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(evidence, "RENAMED_WHILE_OPEN", False)
    book = new_book(tmp_path / "book")
    file = write(tmp_path, "long.csv", content(2500))
    with book.evidence.receiving(
        NewEvidence(content=file[0], original_name="long.csv", kind="export", received_at=file_received_at(file[0]))
    ) as received:
        seen = list(book.evidence.hashes())
        assert received.stream.read() == file[0].read_bytes()
    assert seen == [received.sha256]
    assert import_exports(book, [file]).files["readings"].sum() > 2400


def test_the_same_long_file_twice_is_one_evidence(tmp_path: Path) -> None:
    book = new_book(tmp_path / "book")
    first, second = (write(tmp_path, name, content(2500)) for name in ("first.csv", "second.csv"))
    report = import_exports(book, [first, second, first])
    assert report.files["new"].tolist() == [True]
    assert report.files["original_name"].tolist() == ["first.csv"]
    again = import_exports(book, [second])
    assert again.files["new"].tolist() == [False]
    assert again.files["original_name"].tolist() == ["first.csv"]
    assert not list((book.evidence.root / INCOMING).iterdir())


def test_a_long_file_that_is_not_plain_is_read_as_a_whole(tmp_path: Path) -> None:
    book = new_book(tmp_path / "book")
    second_table = "\nRecord,Date,Time,Label,R2 (Ohm)\n1,03/04/2031,09:00:00,A-1,0.20\n"
    rows = content(1500).decode() + second_table + content(1500).decode().split("\n", 2)[2]
    report = import_exports(book, [write(tmp_path, "two.csv", rows.encode())])
    assert report.files["records"].sum() >= 1501
    assert "continuity_resistance" in set(read_book(book).readings["quantity"])


def test_a_text_too_long_to_be_read_as_a_whole_is_refused_with_a_way_out(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(containers, "MOST_BYTES", 60_000)
    book = new_book(tmp_path / "book")
    text = content(4000).decode().encode("utf-16")
    report = import_exports(book, [write(tmp_path, "wide.csv", text), write(tmp_path, "plain.csv", content(4000))])
    assert dict(zip(report.files["original_name"], report.files["readings"], strict=True)) == {
        "wide.csv": 0, "plain.csv": 3972,
    }  # fmt: skip
    for use_derived in (True, False):
        refusals = read_book(book, use_derived=use_derived).refusals
        assert refusals.loc[refusals["raw_text"] == "wide.csv", "message"].tolist() == [containers.TOO_LONG]
        assert len(refusals) == 1 + 28


def test_nothing_made_of_a_long_file_is_stored_before_it_is(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    book = new_book(tmp_path / "book")
    file = write(tmp_path, "long.csv", content(4000))
    made, real = [], extracts.write_derived
    busy = threading.Event()
    store = Incoming.store

    def slowly(incoming: Incoming) -> None:
        busy.wait(0.3)  # long enough for the first parts to be ready
        store(incoming)

    def told(folder: Path, key: str, packed: bytes) -> None:
        made.append(len(list(book.evidence.hashes())))
        real(folder, key, packed)

    monkeypatch.setattr(Incoming, "store", slowly)
    monkeypatch.setattr(extracts, "write_derived", told)
    import_exports(book, [file])
    assert len(made) > 4
    assert set(made) == {1}


def test_a_store_that_cannot_be_written_stops_the_import_and_leaves_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    book = new_book(tmp_path / "book")
    file = write(tmp_path, "long.csv", content(4000))

    def full(_incoming: Incoming) -> None:
        raise BookError("no space left")

    monkeypatch.setattr(Incoming, "store", full)
    with pytest.raises(BookError, match="no space left"):
        import_exports(book, [file])
    assert list(book.evidence.hashes()) == []
    assert not book.derived.exists() or list(book.derived.iterdir()) == []
    assert not list((book.evidence.root / INCOMING).iterdir())
    assert [entry.kind for entry in book.journal.entries()] == ["book"]


def test_a_date_late_in_a_long_file_settles_the_beginning(tmp_path: Path) -> None:
    lines = [f"{n},{n % 12 + 1:02d}/{n % 11 + 1:02d}/2031,12:00:00,A,Zs,0.35,Ohm" for n in range(1, 4001)]
    lines[3700] = "3701,25/04/2031,12:00:00,A,Zs,0.35,Ohm"
    book = new_book(tmp_path / "book")
    import_exports(book, [write(tmp_path, "late.csv", (HEAD + "\n".join(lines) + "\n").encode())])
    readings = read_book(book).readings
    assert len(readings) == 4000
    assert readings["stamped_at"].notna().all()


CLOCKS = ["12:01:33", "00:00:00", "23:59:59", "24:00:00", "23:60:00", "23:59:60", "12:01", "9:05", "09:05", "29:00",
          "12.01.33", "12:01.33", "1:2:3", "", "12:01:3a", "ab:cd:ef", "12:01:33 ", "::::::::", "/2:01:33", "12:0/:33",
          "12:01pm", "１２:01", "12-01-33", "2301:33:", "0800Z", "12:01:33.5"]  # fmt: skip


def test_times_read_as_columns_are_those_read_one_by_one() -> None:
    column = pa.array([None, *CLOCKS, *reversed(CLOCKS)], pa.string()).slice(1)
    for text, found in zip(column.to_pylist(), plain_clocks(column), strict=True):
        alone = parse_clock(text)
        if found != NEVER:
            assert (alone.nanoseconds, alone.offset_min, alone.half) == (found, None, False), text
        elif alone.nanoseconds is not None:
            assert text not in ("12:01:33", "00:00:00", "23:59:59", "12:01", "09:05"), text
    assert sum(plain_clocks(column) != NEVER) == 10
    for length in (8, 5):
        same = pa.array([text for text in CLOCKS if len(text.encode()) == length], pa.string())
        assert [value != NEVER for value in plain_clocks(same)] == [
            text in ("12:01:33", "00:00:00", "23:59:59", "12:01", "09:05") for text in same.to_pylist()
        ]
