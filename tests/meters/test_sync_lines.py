"""Stored records of a meter of text lines, over real pseudo-terminals, whatever happens to the link."""

from __future__ import annotations

import pandas as pd
import pytest

from ingest.demo.day import demo_day
from ingest.demo.lines_meter import LinesDemoMeter, line
from ingest.meter_session import Patience
from ingest.profiles.devices import sample_profiles
from ingest.sync import sync_meter
from schemas.errors import LinkError

NO_PATIENCE = Patience(reopen_times=0, wait_s=0.0)


def lines_meter(records=6):
    return LinesDemoMeter(demo_day(records))


def sync(book, peer, **more):
    return sync_meter(book, peer.url, profile="demo-lines", patience=NO_PATIENCE, **more)


def test_all_records_arrive_and_the_second_sync_reads_only_the_overlap(book, plug, readings_of):
    meter = LinesDemoMeter(demo_day(40))
    peer = plug(meter.receive)
    first = sync(book, peer)
    assert (first.readings, first.refusals, first.records_on_meter, first.complete) == (40, 0, 40, True)
    meter.records = demo_day(43)
    second = sync(book, peer)
    assert second.records_known == 40
    assert second.readings == 3 + 10
    assert readings_of(book)["memory_no"].tolist() == list(range(1, 44))


def test_noise_and_lost_bytes_never_give_a_wrong_value(tmp_path, plug, readings_of):
    from ingest.book import Book

    whole = Book(tmp_path / "whole")
    sync(whole, plug(lines_meter(30).receive))
    expected = readings_of(whole)
    book = Book(tmp_path / "noisy")
    peer = plug(lines_meter(30).receive, noise=0.0005, drop=0.0005, seed=3)
    report = sync(book, peer)
    assert report.complete
    pd.testing.assert_frame_equal(readings_of(book), expected)


def test_wrong_speed_says_so_and_keeps_what_arrived(book, plug):
    peer = plug(lambda data: bytes((byte * 7 + 0x80) & 0xFF for byte in data) + b"\xff\x00\r\n")
    report = sync(book, peer)
    assert report.fault is not None
    assert "not what the profile describes" in report.fault.what
    assert "baud" in report.fault.advice
    assert report.sha256 in set(book.evidence.hashes())


def test_a_silent_meter_is_no_answer_and_leaves_no_evidence(book, plug):
    with pytest.raises(LinkError, match="gave no answer"):
        sync(book, plug(lambda data: b"", silent=True))
    assert list(book.evidence.hashes()) == []
    assert list((book.root / "conversations").iterdir()) == []


def test_a_meter_that_says_it_holds_more_than_it_gives(book, plug):
    meter = lines_meter(4)

    def boast(data):
        return meter.receive(data).replace(line("HOLDS;4"), line("HOLDS;6"))

    report = sync(book, plug(boast))
    assert not report.complete
    assert report.readings == 4
    assert any("2 records did not arrive whole: 5, 6" in sentence for sentence in report.sentences)


def test_a_meter_that_says_it_holds_fewer_than_it_has(book, plug):
    meter = lines_meter(4)

    def modest(data):
        return meter.receive(data).replace(line("HOLDS;4"), line("HOLDS;3"))

    report = sync(book, plug(modest))
    assert report.readings == 4
    assert any("1 records more than it says" in sentence for sentence in report.sentences)


def test_a_memory_that_was_cleared_and_filled_again_is_read_whole(book, plug):
    meter = LinesDemoMeter(demo_day(8))
    peer = plug(meter.receive)
    sync(book, peer)
    meter.records = [r.__class__(**{**vars(r), "number": r.number - 4}) for r in demo_day(14) if r.number > 4]
    report = sync(book, peer)
    assert report.complete
    assert any("not the one last read" in sentence for sentence in report.sentences)
    assert report.readings == 10


def test_echo_and_banner_are_not_records(book, plug):
    report = sync(book, plug(lines_meter().receive, echo=True, chunk=5))
    assert (report.readings, report.refusals, report.complete) == (6, 0, True)


def test_a_meter_that_falls_asleep_in_the_middle_ends_soon(book, plug):
    meter = LinesDemoMeter(demo_day(900))
    quick = sample_profiles()["demo-lines"].model_copy(update={"quiet_s": 0.2})

    def drowsy(data):
        return b"" if data.startswith((b"LIST 4", b"LIST 5", b"LIST 6", b"LIST 8")) else meter.receive(data)

    report = sync_meter(
        book, plug(drowsy).url, profile="demo-lines", profiles={"demo-lines": quick}, patience=NO_PATIENCE
    )
    assert "gave no answer" in report.fault.what
    assert report.readings == 400
    assert report.seconds < 10
