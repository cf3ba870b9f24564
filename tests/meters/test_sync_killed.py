"""Whatever byte a link dies at, and whenever the program is killed: the next sync ends in the same readings."""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
import time

import pandas as pd
import pytest

from ingest.book import Book
from ingest.demo.day import demo_day
from ingest.demo.lines_meter import LinesDemoMeter
from ingest.demo.modbus_meter import ModbusDemoMeter
from ingest.demo.scpi_meter import ScpiDemoMeter
from ingest.meter_session import Patience
from ingest.sync import sync_meter
from ingest.transports.transport import LinkLost

METERS = {"demo-lines": LinesDemoMeter, "demo-scpi": ScpiDemoMeter, "demo-modbus": ModbusDemoMeter}
RECORDS = 4


def kill_at_each(kind, step, tmp_path, plug, readings_of):
    whole = Book(tmp_path / "whole")
    healthy = plug(METERS[kind](demo_day(RECORDS)).receive)
    sync_meter(whole, healthy.url, profile=kind)
    expected = readings_of(whole)
    assert len(expected) == RECORDS
    for byte in range(1, healthy.sent, step):
        book = Book(tmp_path / f"cut{byte}")
        broken = plug(METERS[kind](demo_day(RECORDS)).receive, dies_at_byte=byte)
        with contextlib.suppress(LinkLost):
            report = sync_meter(book, broken.url, profile=kind, patience=Patience(reopen_times=0))
            assert report.fault is not None
            assert not report.complete
        broken.close()
        again = plug(METERS[kind](demo_day(RECORDS)).receive)
        assert sync_meter(book, again.url, profile=kind, patience=Patience(reopen_times=0)).complete
        again.close()
        pd.testing.assert_frame_equal(readings_of(book), expected)


@pytest.mark.parametrize(("kind", "step"), [("demo-lines", 47), ("demo-scpi", 83), ("demo-modbus", 43)])
def test_killed_at_positions_in_every_record(kind, step, tmp_path, plug, readings_of):
    kill_at_each(kind, step, tmp_path, plug, readings_of)


@pytest.mark.slow
@pytest.mark.parametrize(("kind", "step"), [("demo-lines", 7), ("demo-scpi", 17), ("demo-modbus", 7)])
def test_killed_at_many_more_bytes(kind, step, tmp_path, plug, readings_of):
    kill_at_each(kind, step, tmp_path, plug, readings_of)


def test_a_link_that_comes_back_is_used_again_without_repeats(tmp_path, plug, readings_of, book):
    """The cable is pulled in the middle and put back while the sync waits."""
    meter = LinesDemoMeter(demo_day(20))
    first = plug(meter.receive, dies_at_byte=700)
    second = plug(meter.receive)
    port = tmp_path / "port"
    port.symlink_to(first.path)

    class Later:
        """What a person does: puts the cable back."""

        def __call__(self, link, profile):
            from ingest.links import open_link

            if first._stop.is_set() and os.readlink(port) == first.path:
                port.unlink()
                port.symlink_to(second.path)
            return open_link(link, profile)

    report = sync_meter(
        book, f"serial:{port}", profile="demo-lines", patience=Patience(reopen_times=3, wait_s=0.05), opener=Later()
    )
    assert (report.fault, report.complete, report.readings, report.refusals) == (None, True, 20, 0)
    notes = [line for line in book.evidence.read(report.sha256).split(b"\n") if b'"note"' in line]
    assert len(notes) == 1
    assert b"link lost" in notes[0]


def test_another_meter_after_the_break_is_not_read_as_the_first(book, plug, tmp_path):
    first = plug(LinesDemoMeter(demo_day(20)).receive, dies_at_byte=700)
    other = LinesDemoMeter(demo_day(20))

    def renamed(data):
        from ingest.demo.lines_meter import line

        return other.receive(data).replace(
            line("WHO;DEMO LINES;DL-2031-007"), line("WHO;DEMO LINES;DL-2031-008")
        )  # fmt: skip

    second = plug(renamed)
    peers = iter([first.path, second.path])

    def opener(link, profile):
        from ingest.links import open_serial_link

        return open_serial_link(next(peers), profile)

    report = sync_meter(
        book, "serial:any", profile="demo-lines", patience=Patience(reopen_times=1, wait_s=0), opener=opener
    )
    assert "another meter" in report.fault.what
    assert not report.complete


CHILD = """
import sys
from pathlib import Path
from ingest.book import Book
from ingest.sync import sync_meter
print("begun", flush=True)
def told(done, total):
    print(done, flush=True)
sync_meter(Book(Path(sys.argv[1])), sys.argv[2], profile="demo-lines", progress=told)
"""


@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGINT])
def test_a_killed_program_leaves_a_transcript_that_the_next_sync_takes_in(how, book, plug, readings_of):
    meter = LinesDemoMeter(demo_day(600))

    def slow(data):
        time.sleep(0.15 if b"LIST" in data else 0)
        return meter.receive(data)

    peer = plug(slow)
    child = subprocess.Popen(
        [sys.executable, "-c", CHILD, str(book.root), peer.url], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL,
        text=True, env=os.environ | {"PYTHONPATH": os.pathsep.join(sys.path)},
    )  # fmt: skip
    assert child.stdout.readline().strip() == "begun"
    assert int(child.stdout.readline()) > 0
    child.send_signal(how)
    child.wait(timeout=20)
    child.stdout.close()
    if how == signal.SIGKILL:
        assert list(book.evidence.hashes()) == []
        assert len(list((book.root / "conversations").glob("*.transcript"))) == 1
    else:
        assert len(list(book.evidence.hashes())) == 1
    time.sleep(0.3)
    report = sync_meter(book, peer.url, profile="demo-lines")
    assert report.complete
    assert report.records_known > 0
    assert any("cut off" in sentence for sentence in report.sentences) == (how == signal.SIGKILL)
    assert list((book.root / "conversations").iterdir()) == []
    assert readings_of(book)["memory_no"].tolist() == list(range(1, 601))


def test_what_a_later_sync_brought_whole_is_no_refusal_of_the_book(book, plug):
    """A cable pulled once does not leave the book with something to attend to for ever."""
    from ingest.book_extract import read_book
    from ingest.transcripts import read_transcript

    broken = plug(LinesDemoMeter(demo_day(9)).receive, dies_at_byte=520)
    first = sync_meter(book, broken.url, profile="demo-lines", patience=Patience(reopen_times=0))
    alone = read_transcript(book.evidence.read(first.sha256), sha256=first.sha256, profiles={}, zone=book.zone)
    assert alone.refusals["reason"].tolist() == ["cut off"]
    assert len(read_book(book).refusals) == 1
    sync_meter(book, plug(LinesDemoMeter(demo_day(9)).receive).url, profile="demo-lines")
    extract = read_book(book)
    assert len(extract.refusals) == 0
    assert extract.readings["memory_no"].tolist() == list(range(1, 10))


def test_a_refusal_stays_where_the_memory_was_another_one(book, plug):
    from ingest.book_extract import read_book

    broken = plug(LinesDemoMeter(demo_day(9)).receive, dies_at_byte=520)
    sync_meter(book, broken.url, profile="demo-lines", patience=Patience(reopen_times=0))
    other = [record.__class__(**{**vars(record), "label": "other"}) for record in demo_day(9)]
    sync_meter(book, plug(LinesDemoMeter(other).receive).url, profile="demo-lines")
    assert read_book(book).refusals["reason"].tolist() == ["cut off"]
