"""Live readings: each as it arrives, kept as evidence that reads the same again, through noise and lost links."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest

import ingest.watch
from cli.inputs import find_inputs
from cli.watching import watch
from ingest.demo.day import demo_day
from ingest.demo.lines_meter import LinesDemoMeter, line, record_text
from ingest.extract import ReadingRow, RefusalRow
from ingest.meter_session import Patience
from ingest.office import take_office_files
from ingest.transcripts import read_transcript
from ingest.watch import Watch
from schemas.errors import LinkError

SAMPLE_DAY = Path(__file__).parents[2] / "sample_exports" / "plain_day"


class Heard:
    def __init__(self):
        self.results, self.remarks = [], []

    def result(self, text):
        self.results.append(text)

    def remark(self, text):
        self.remarks.append(text)


def talking(records, spoil=None):
    """A meter that says all its readings at once when somebody listens."""
    meter = LinesDemoMeter(records)

    def answer(data):
        said = meter.receive(data)
        if b"TELL ON" in data:
            said += b"".join(line(record_text(record)) for record in records)
        return spoil(said) if spoil else said

    return answer


def first(book, peer, count, **more):
    got = []
    with Watch(book, peer.url, profile="demo-lines", patience=Patience(reopen_times=0), **more) as live:
        for item in live:
            if item is not None:
                got.append(item)
            if len(got) == count:
                break
    return got, live.report


def test_what_was_seen_is_what_the_evidence_says(book, plug):
    got, report = first(book, plug(talking(demo_day(16))), 16)
    (sha256,) = report.sha256s
    extract = read_transcript(book.evidence.read(sha256), sha256=sha256, profiles={}, zone=book.zone)
    assert report.readings == len(extract.readings) == 16
    for item, row in zip(got, extract.readings.to_dict("records"), strict=True):
        seen = replace(item.row, evidence_sha256=sha256)
        assert (seen.reading_id, seen.quantity, seen.record_no) == (
            row["reading_id"],
            row["quantity"],
            row["record_no"],
        )
        assert seen.value == row["value"] or seen.value is None
    assert book.journal.entries()[-1].kind == "watch"


def test_noise_is_a_refusal_not_a_reading(book, plug):
    got, report = first(book, plug(talking(demo_day(3), lambda said: said.replace(b"238.1", b"228.1"))), 3)
    got, report = first(book, plug(talking(demo_day(5), lambda said: said.replace(b"238.1", b"228.1"))), 5)
    assert [type(item.row) for item in got].count(RefusalRow) == 1
    assert report.refusals == 1
    assert all(item.row.value != 228.1 for item in got if isinstance(item.row, ReadingRow))


def test_a_link_lost_for_good_is_an_error_and_the_evidence_stays(book, plug):
    peer = plug(talking(demo_day(8)), dies_at_byte=400)
    with pytest.raises(LinkError, match="broke"), Watch(
        book, peer.url, profile="demo-lines", patience=Patience(reopen_times=0)
    ) as live:  # fmt: skip
        for _ in live:
            pass
    assert live.report.sha256s
    assert live.report.readings > 0
    assert live.report.fault is not None


def test_a_long_watch_has_several_transcripts(book, plug, monkeypatch):
    monkeypatch.setattr(ingest.watch, "LONGEST_TRANSCRIPT_BYTES", 4000)
    got, report = first(book, plug(talking(demo_day(16))), 40)
    assert len(report.sha256s) >= 2
    assert report.readings >= 40
    assert {item.row.meter_serial for item in got} == {"DL-2031-007"}


def test_a_danger_cannot_be_overlooked(book, plug):
    take_office_files(book, find_inputs([SAMPLE_DAY]).office)
    day = demo_day(16)
    day[8] = replace(day[8], value="231.0")
    say = Heard()
    code = watch(book, plug(talking(day)).url, say=say, profile="demo-lines", appliance="A-101", readings=16)
    shown = "\n".join(say.results)
    assert code == 1
    assert "!!! DANGER isolated_in_neutral" in shown
    assert "\a" in shown
    at = next(place for place, text in enumerate(say.results) if "231 V" in text)
    assert "dead L-E" in say.results[at]
    assert say.results[at + 1].endswith("!" * 79)
    assert shown.count("!!! DANGER") == 1


def test_a_sound_day_has_no_danger_and_says_what_comes_next(book, plug):
    take_office_files(book, find_inputs([SAMPLE_DAY]).office)
    say = Heard()
    code = watch(book, plug(talking(demo_day(16))).url, say=say, profile="demo-lines", appliance="A-101", readings=16)
    assert code == 0
    assert say.remarks[0] == "first: exposed metalwork"
    assert "[supply L-N; next: supply L-E]" in say.results[2]
    assert "[dead L-N; next: dead L-E]" in say.results[7]
    assert "[restored N-E; nothing is open]" in say.results[15]
    assert "DANGER" not in "\n".join(say.results)


def test_repeated_live_readings_are_not_dead_tests(book, plug):
    take_office_files(book, find_inputs([SAMPLE_DAY]).office)
    day = [demo_day(16)[place] for place in (1, 2, 2, 3, 3, 4, 2)]
    say = Heard()
    assert watch(book, plug(talking(day)).url, say=say, profile="demo-lines", appliance="A-101", readings=7) == 0
    assert [text.split("[")[1].split(";")[0] for text in say.results] == [
        "exposed metalwork", "supply L-N", "supply L-N", "supply L-E", "supply L-E", "supply N-E", "supply L-N",
    ]  # fmt: skip


def test_json_lines(book, plug):
    say = Heard()
    watch(book, plug(talking(demo_day(6))).url, say=say, profile="demo-lines", as_json=True, readings=6)
    rows = [json.loads(text) for text in say.results]
    assert [row["quantity"] for row in rows][:3] == ["voltage_indicator_proof", "non_contact_voltage", "voltage"]
    assert rows[2]["value"] == 238.4
    assert rows[5]["value"] == 0.35


@pytest.mark.parametrize("kind", ["lines", "scpi", "modbus", "gatt"])
def test_each_demo_meter_speaks_live(book, kind):
    say = Heard()
    assert watch(book, f"demo:{kind}", say=say, readings=2) == 0
    assert len(say.results) == 2


def test_an_unknown_appliance_is_told(book, plug):
    with pytest.raises(Exception, match="no attended job with an appliance"):
        watch(book, plug(talking(demo_day(1))).url, profile="demo-lines", appliance="A-999")
