"""Transcripts: literal bytes in, readings out; cut anywhere they stay valid; nothing that a meter sent leaves raw."""

from __future__ import annotations

import hashlib
import json
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pandas as pd
import pytest

from ingest.profiles.devices import sample_profiles
from ingest.sync import sync_meter
from ingest.transcript_clocks import clock_readings
from ingest.transcript_file import TranscriptWriter, parse_frames, parse_head
from ingest.transcripts import read_transcript

LONDON = ZoneInfo("Europe/London")
DIALOGUE = Path(__file__).parent / "dialogues" / "lines.transcript"


def read(content, profiles=None):
    return read_transcript(content, sha256=hashlib.sha256(content).hexdigest(), profiles=profiles or {}, zone=LONDON)


def test_a_dialogue_of_literal_bytes():
    content = DIALOGUE.read_bytes()
    extract = read(content, sample_profiles())
    assert extract.records == 5
    rows = extract.readings
    assert rows["record_no"].tolist() == [9, 10, 11]
    assert rows["memory_no"].tolist() == [1, 2, 3]
    assert rows["quantity"].tolist() == ["voltage", "earth_fault_loop_impedance", "insulation_resistance"]
    assert rows["value"].tolist() == [238.4, 0.35, 999_000_000.0]
    assert rows["comparator"].tolist() == ["eq", "eq", "gt"]
    assert rows["resolution"].tolist()[:2] == [0.1, 0.01]
    assert rows["meter_serial"].unique().tolist() == ["DL-2031-007"]
    assert rows["stamped_at"].tolist()[0] == pd.Timestamp("2031-04-02T08:12:40Z")
    assert extract.refusals["reason"].tolist() == ["unknown quantity", "bad checksum"]
    assert extract.refusals["record_no"].tolist() == [12, 13]


def test_the_clock_of_that_dialogue():
    content = DIALOGUE.read_bytes()
    table = clock_readings(content, sha256="0" * 64, profiles=sample_profiles(), zone=LONDON)
    # Asked at 09:00:00.020 UTC, answered 09:00:00.060; the meter said 10:00:37 local, 09:00:37 UTC, in steps of 1 s:
    # between 36.94 and 37.98 s fast.
    assert table["offset_s"].tolist() == [pytest.approx(37.46)]
    assert table["uncertainty_s"].tolist() == [pytest.approx(0.52)]
    assert table["meter_serial"].tolist() == ["DL-2031-007"]


def test_cut_after_any_byte_it_is_still_a_transcript_of_what_came_before(book):
    report = sync_meter(book, "demo:lines")
    content = book.evidence.read(report.sha256)
    whole = read(content).readings.drop(columns=["reading_id", "evidence_sha256"])
    begin = content.index(b"\n") + 1
    for length in range(begin, len(content), 97):
        extract = read(content[:length])
        got = extract.readings.drop(columns=["reading_id", "evidence_sha256"])
        pd.testing.assert_frame_equal(got, whole.head(len(got)))


def test_replay_is_byte_identical(book):
    for kind in ("lines", "scpi", "modbus", "gatt"):
        report = sync_meter(book, f"demo:{kind}")
        content = book.evidence.read(report.sha256)
        one, two = read(content), read(content)
        assert one.readings.to_csv().encode() == two.readings.to_csv().encode()
        assert len(one.readings) == report.readings


def test_received_at_is_the_first_anchor_of_the_transcript(book):
    report = sync_meter(book, "demo:lines")
    with book.evidence.open(report.sha256) as stream:
        head = parse_head(stream.readline())
    assert book.evidence.sidecar(report.sha256).received_at == head.opened_at.strftime("%Y-%m-%dT%H:%M:%S.%fZ")


def test_frame_numbers_are_line_numbers(book):
    report = sync_meter(book, "demo:lines")
    lines = book.evidence.read(report.sha256).split(b"\n")[:-1]
    assert [json.loads(line)["n"] for line in lines] == list(range(1, len(lines) + 1))


def test_a_profile_of_the_same_name_replaces_the_one_inside(book):
    report = sync_meter(book, "demo:lines")
    content = book.evidence.read(report.sha256)
    other = sample_profiles()["demo-lines"]
    other = other.model_copy(update={"tests": [entry for entry in other.tests if entry.code != "LOOP"]})
    extract = read(content, {"demo-lines": other})
    assert extract.refusals["reason"].tolist() == ["unknown quantity", "unknown quantity"]
    assert len(read(content).refusals) == 0


@pytest.mark.parametrize(
    "content",
    [
        b"", b"\n", b"{}", b"[]", b"null\n", b"\xff\xfe", b'{"transcript":2}\n', b'{"transcript":1,"n":1,"t":0}\n',
        b'{"transcript":1,"n":1,"t":0,"utc":"2031-04-02T09:00:00.000000Z","link":"x","profile":"x","profile_toml":"x"}\n',
        b'{"transcript":1,"n":1,"t":0,"utc":"yesterday","link":"x","profile":"x","profile_toml":""}\n',
        b"[" * 100_000,
    ],
)  # fmt: skip
def test_bytes_that_are_no_transcript_are_one_refusal(content):
    extract = read(content)
    assert extract.records == 1
    assert extract.refusals["reason"].tolist() == ["no profile"]
    assert len(clock_readings(content, sha256="0" * 64, profiles={}, zone=LONDON)) == 0


@pytest.mark.parametrize(
    "line",
    [
        b"nonsense", b"{}", b'{"n":7,"t":1,"in":"x"}', b'{"n":14,"t":-1,"in":"x"}', b'{"n":14,"t":1e400,"in":"x"}',
        b'{"n":14,"t":1,"in":"\\u20ac"}', b'{"n":14,"t":1,"in_hex":"0g"}', b'{"n":14,"t":true,"in":"x"}',
        b'{"n":14,"t":1,"op":"melt","in":"x"}', b'{"n":14,"t":1,"in":5}', b'{"n":14,"t":1}', b"[[[[",
        b'{"n":14,"t":1,"utc":5}',
    ],
)  # fmt: skip
def test_a_spoiled_line_is_a_refusal_and_the_rest_is_read(line):
    lines = DIALOGUE.read_bytes().split(b"\n")
    lines[13] = line
    extract = read(b"\n".join(lines), sample_profiles())
    assert len(extract.readings) == 3
    assert (extract.refusals["record_no"] == 14).sum() == 1
    assert extract.records == len(extract.readings) + len(extract.refusals)


def test_hostile_text_is_shown_as_escapes(book, plug):
    from ingest.demo.lines_meter import line

    nasty = "\x1b[2J\x07<script>\x85'=cmd|'"

    def answer(data):
        if b"WHO" in data:
            return line(f"WHO;{nasty};SN\x1b[31m7")
        if b"HOLDS" in data:
            return line("HOLDS;1")
        if b"NOW" in data:
            return line("NOW;02/04/2031 10:00:00")
        return line(f"R;1;02/04/2031;09:12:40;{nasty};1;V;{nasty}") + line("LIST END")

    report = sync_meter(book, plug(answer).url, profile="demo-lines")
    content = book.evidence.read(report.sha256)
    assert all(byte in b"\n" or 0x20 <= byte < 0x7F for byte in content)
    extract = read(content)
    for column in ("raw_text", "message"):
        assert not any(ord(character) < 0x20 for text in extract.refusals[column] for character in text)
    assert report.meter_serial == "SN[31m7"


def test_the_writer_anchors_and_escapes(tmp_path):
    clock = iter([0.0] + [step * 40.0 for step in range(40)])
    moments = iter(datetime(2031, 4, 2, 9, minute, tzinfo=UTC) for minute in range(59))
    path = tmp_path / "one.transcript"
    writer = TranscriptWriter(
        path, link="serial:x", profile="p", profile_toml="", monotonic=lambda: next(clock), utc=lambda: next(moments)
    )
    for _ in range(3):
        writer.frame("in", b"text\r\n")
        writer.frame("in", b"\x00\xff")
    writer.close()
    text = path.read_text()
    assert '"in":"text\\r\\n"' in text
    assert '"in_hex":"00ff"' in text
    assert text.count('"utc"') >= 3
    with path.open("rb") as stream:
        head = parse_head(stream.readline())
        assert len([part for part in parse_frames(stream, head) if not isinstance(part, str)]) == 6


def test_a_live_reading_without_a_time_is_marked_as_stamped_by_this_computer(book):
    """The demo SCPI meter's live values bear no time; its stored records do. Its clock is 52 s slow."""
    from ingest.book_extract import read_book
    from ingest.watch import Watch
    from schemas.check import conform_table
    from schemas.matches import Sightings, stamped_by_computer

    with Watch(book, "demo:scpi") as live:
        for item in live:
            if item is not None:
                break
    sync_meter(book, "demo:scpi")
    extract = read_book(book)
    marked = stamped_by_computer(conform_table(Sightings, extract.readings))
    watched = extract.readings["evidence_sha256"].isin(live.report.sha256s)
    assert watched.any()
    assert (marked == watched).all()
    assert extract.readings.loc[marked, "time_reason"].str.contains("reached this computer").all()
    assert extract.readings.loc[~marked, "time_reason"].isna().all()
    arrived = extract.readings.loc[marked, "stamped_at"]
    assert (abs(arrived - pd.Timestamp(datetime.now(UTC))) < pd.Timedelta(minutes=2)).all()


def test_every_sync_gives_the_matcher_one_clock_reading(book):
    """Watch and sync asked for the time; what the book gives to the matcher has it, with the evidence it stands in."""
    from ingest.book_extract import read_book

    reports = [sync_meter(book, f"demo:{kind}") for kind in ("lines", "scpi", "modbus", "gatt")]
    table = read_book(book).clock_readings.set_index("evidence_sha256")
    assert set(table.index) == {report.sha256 for report in reports}
    for report in reports:
        row = table.loc[report.sha256]
        assert row["meter_serial"] == report.meter_serial
        assert row["offset_s"] == pytest.approx(report.clock.offset_s)
        assert 0 < row["uncertainty_s"] == pytest.approx(report.clock.uncertainty_s)
    assert table["offset_s"].round(-1).tolist() != [0.0] * 4
