"""Clock arithmetic by hand, clocks measured and set, records deleted only when asked twice."""

from __future__ import annotations

import os
from datetime import UTC, datetime, timedelta

import pytest

from ingest.clock_exchange import ClockExchange, clock_offset
from ingest.demo.day import demo_day
from ingest.demo.lines_meter import LinesDemoMeter
from ingest.meter_clock import check_clock
from ingest.meter_erase import erase_meter
from ingest.sync import sync_meter
from schemas.errors import ProvebookError


# Clock arithmetic: worked by hand.
def exchange(asked_ms, answered_ms, said_s, step_s=1.0):
    start = datetime(2031, 4, 2, 9, 0, tzinfo=UTC)
    return ClockExchange(
        asked_at=start + timedelta(milliseconds=asked_ms), answered_at=start + timedelta(milliseconds=answered_ms),
        meter_said_at=start + timedelta(seconds=said_s), resolution_s=step_s,
    )  # fmt: skip


def test_one_exchange_gives_an_interval():
    # Said 10 s, asked at 0.0, answered at 0.2, steps of 1 s: between 10 - 0.2 and 10 + 1 - 0.0.
    found = clock_offset([exchange(0, 200, 10)])
    assert (found.offset_s, found.uncertainty_s) == (pytest.approx(10.4), pytest.approx(0.6))


def test_several_exchanges_cut_the_interval():
    # 10 s until 0.4 s, 11 s from 0.5 s on: between 10.5 and 10.6, answered within 0.02 s.
    found = clock_offset([exchange(380, 400, 10), exchange(480, 500, 11)])
    assert (found.offset_s, found.uncertainty_s) == (pytest.approx(10.56), pytest.approx(0.06))
    assert found.agree


def test_never_better_than_half_the_round_trip():
    found = clock_offset([exchange(0, 400, 10, step_s=0.0)])
    assert found.uncertainty_s == pytest.approx(0.2)


def test_a_clock_that_jumps_is_told():
    found = clock_offset([exchange(0, 10, 10), exchange(20, 30, 500)])
    assert not found.agree
    assert found.uncertainty_s > 240


def test_the_clock_is_measured_set_and_measured_again(book, plug):
    meter = LinesDemoMeter(demo_day(2))
    report = check_clock(book, plug(meter.receive).url, profile="demo-lines", set_it=True)
    assert report.before.offset_s == pytest.approx(37, abs=0.2)
    assert report.before.uncertainty_s < 0.2
    assert abs(report.after.offset_s) < 0.3
    assert len(report.sha256s) == 2
    assert [entry.kind for entry in book.journal.entries()].count("clock") == 2


def test_the_clock_is_never_set_unasked(book, plug):
    meter = LinesDemoMeter(demo_day(2))
    asked = []

    def listen(data):
        asked.append(data)
        return meter.receive(data)

    check_clock(book, plug(listen).url, profile="demo-lines")
    sync_meter(book, plug(listen).url, profile="demo-lines")
    assert not any(data.startswith(b"NOW ") for data in asked)
    assert not any(b"FORGET" in data for data in asked)


def synced(book, plug, records=6):
    meter = LinesDemoMeter(demo_day(records))
    peer = plug(meter.receive)
    sync_meter(book, peer.url, profile="demo-lines")
    return meter, peer


def test_records_are_deleted_only_when_asked_twice(book, plug):
    meter, peer = synced(book, plug)
    asked = []
    for answers in ([False], [True, False]):
        replies = iter(answers)
        report = erase_meter(
            book,
            peer.url,
            profile="demo-lines",
            confirm=lambda text, replies=replies: asked.append(text) or next(replies),
        )
        assert not report.erased
        assert len(meter.records) == 6
    report = erase_meter(book, peer.url, profile="demo-lines", confirm=lambda text: True)
    assert report.erased
    assert meter.records == []
    assert "delete all 6 records on meter DL-2031-007?" in asked


def test_records_that_the_book_lacks_are_never_deleted(book, plug):
    meter, peer = synced(book, plug)
    meter.records = demo_day(7)
    report = erase_meter(book, peer.url, profile="demo-lines", confirm=lambda text: True)
    assert not report.erased
    assert "the meter holds 7 records, the book 6" in report.sentence
    meter.records = [record.__class__(**{**vars(record), "value": "1.0"}) for record in demo_day(6)]
    report = erase_meter(book, peer.url, profile="demo-lines", confirm=lambda text: True)
    assert "is not what the book holds" in report.sentence
    assert len(meter.records) == 6


def test_evidence_that_was_changed_stops_the_deleting(book, plug):
    meter, peer = synced(book, plug)
    (sha256,) = book.evidence.hashes()
    path = book.evidence.path(sha256)
    os.chmod(path, 0o644)
    path.write_bytes(path.read_bytes().replace(b"238.4", b"239.4"))
    with pytest.raises(ProvebookError, match="evidence has been changed"):
        erase_meter(book, peer.url, profile="demo-lines", confirm=lambda text: True)
    assert len(meter.records) == 6


def test_after_deleting_the_next_sync_starts_anew(book, plug):
    meter, peer = synced(book, plug)
    erase_meter(book, peer.url, profile="demo-lines", confirm=lambda text: True)
    meter.records = [record.__class__(**{**vars(record), "label": "new"}) for record in demo_day(4)]
    report = sync_meter(book, peer.url, profile="demo-lines")
    assert (report.records_known, report.readings, report.complete) == (0, 4, True)
