"""Setting clocks, deleting, refusals and odd layouts of each kind of meter."""

from __future__ import annotations

import os
import time

import pytest

from ingest.demo.day import demo_day, local_now
from ingest.demo.gatt_meter import GattDemoMeter
from ingest.demo.lines_meter import LinesDemoMeter
from ingest.demo.modbus_meter import ModbusDemoMeter
from ingest.demo.radio import demo_backend
from ingest.demo.scpi_meter import ScpiDemoMeter
from ingest.demo.serve import ServedMeter
from ingest.meter_clock import check_clock
from ingest.meter_erase import erase_meter
from ingest.meter_session import Patience
from ingest.profiles.devices import parse_device_profile, sample_profiles
from ingest.protocols.checksums import CHECKSUMS
from ingest.sync import sync_meter
from ingest.transcripts import read_transcript
from ingest.transports.bluetooth import BluetoothLink
from schemas.errors import LinkError

BYTE_METERS = {"demo-lines": LinesDemoMeter, "demo-scpi": ScpiDemoMeter, "demo-modbus": ModbusDemoMeter}
QUICK = Patience(reopen_times=0, wait_s=0.0)


@pytest.fixture
def meter_at(plug):
    """A demo meter of any kind with six records: the meter, its link, how it is opened."""

    def make(kind):
        if kind != "demo-gatt":
            meter = BYTE_METERS[kind](demo_day(6))
            return meter, plug(meter.receive).url, {}
        meter = GattDemoMeter(demo_day(6))
        backend = demo_backend(meter)
        return meter, "ble:demo", {"opener": lambda link, profile: BluetoothLink("demo", backend=backend)}

    return make


@pytest.mark.parametrize("kind", [*BYTE_METERS, "demo-gatt"])
def test_clock_set_and_records_deleted_on_each_kind(book, meter_at, kind):
    meter, link, more = meter_at(kind)
    report = check_clock(book, link, profile=kind, set_it=True, **more)
    assert abs(report.before.offset_s) > 3
    assert abs(report.after.offset_s) < 1.2
    assert sync_meter(book, link, profile=kind, **more).complete
    assert erase_meter(book, link, profile=kind, confirm=lambda text: True, **more).erased
    assert meter.records == []
    report = sync_meter(book, link, profile=kind, **more)
    assert (report.records_on_meter, report.records_known, report.readings) == (0, 0, 0)


@pytest.mark.parametrize("kind", [*BYTE_METERS, "demo-gatt"])
def test_incremental_on_each_kind(book, meter_at, kind):
    meter, link, more = meter_at(kind)
    sync_meter(book, link, profile=kind, **more)
    meter.records = demo_day(9)
    report = sync_meter(book, link, profile=kind, **more)
    assert (report.records_known, report.records_on_meter, report.complete) == (6, 9, True)


def edited(kind, *changes):
    text = sample_profiles()[kind].toml
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    profile = parse_device_profile(text, kind)
    return {profile.name: profile}


def test_a_clock_that_cannot_be_set_is_told(book, plug):
    profiles = edited("demo-lines", ('set_clock = { send = "NOW {clock}", answer = "NOW SET" }', ""))
    with pytest.raises(LinkError, match="cannot be set"):
        check_clock(book, plug(LinesDemoMeter().receive).url, profile="demo-lines", profiles=profiles, set_it=True)


def test_a_meter_without_a_clock_is_told(book, plug):
    profiles = edited("demo-lines", ('clock = { send = "NOW", answer = "NOW;(?P<clock>.+)" }', ""))
    with pytest.raises(LinkError, match="no clock"):
        check_clock(book, plug(LinesDemoMeter().receive).url, profile="demo-lines", profiles=profiles)


def test_a_scpi_meter_that_refuses_says_why(book, plug):
    profiles = edited("demo-scpi", ('"MEM:DEL:ALL"', '"MEM:BURN"'))
    meter = ScpiDemoMeter(demo_day(3))
    link = plug(meter.receive).url
    sync_meter(book, link, profile="demo-scpi", profiles=profiles)
    with pytest.raises(LinkError, match="refused") as caught:
        erase_meter(book, link, profile="demo-scpi", profiles=profiles, confirm=lambda text: True)
    assert "Undefined header" in caught.value.seen
    assert len(meter.records) == 3


def test_scpi_records_one_by_one(book, plug):
    profiles = edited("demo-scpi", ('records = "MEM:REC? {first},{last}"', 'record = "MEM:ONE? {number}"'))
    meter = ScpiDemoMeter(demo_day(3))

    def answer(data):
        text = data.decode()
        if text.startswith("MEM:ONE?"):
            from ingest.demo.scpi_meter import record_text

            return record_text(meter.records[int(text.split()[1]) - 1]).encode()
        return meter.receive(data)

    report = sync_meter(book, plug(answer).url, profile="demo-scpi", profiles=profiles)
    assert (report.fault, report.readings, report.complete) == (None, 3, True)


def test_a_scpi_record_that_changes_between_two_readings_is_refused(book, plug):
    meter = ScpiDemoMeter(demo_day(3))
    times = [0]

    def answer(data):
        said = meter.receive(data)
        if data.startswith(b"MEM:REC?"):
            times[0] += 1
            said = said.replace(b"2.384E+02", f"2.38{times[0]}E+02".encode())
        return said

    report = sync_meter(book, plug(answer).url, profile="demo-scpi", patience=QUICK)
    assert not report.complete
    assert (report.readings, report.refusals) == (2, 1)
    content = book.evidence.read(report.sha256)
    extract = read_transcript(content, sha256=report.sha256, profiles={}, zone=book.zone)
    assert "not received twice alike" in extract.refusals["message"].tolist()[0]


def test_a_modbus_meter_of_another_map_is_told(book, plug):
    profiles = edited("demo-modbus", ("address = 0\nsize = 16", "address = 500\nsize = 16"))
    with pytest.raises(LinkError, match="refused") as caught:
        raise_fault(sync_meter(
            book, plug(ModbusDemoMeter().receive).url, profile="demo-modbus", profiles=profiles, patience=QUICK
        ))  # fmt: skip
    assert "illegal data address" in caught.value.seen
    assert "another meter" in caught.value.advice


def raise_fault(report):
    raise report.fault


def test_a_late_modbus_answer_is_not_taken_for_the_next_one(book, plug):
    """Every fifth answer comes after the time-out; no record may hold the content of another."""
    meter = ModbusDemoMeter(demo_day(12))
    asked = [0]

    def answer(data):
        asked[0] += 1
        if asked[0] % 5 == 0:
            time.sleep(0.35)
        return meter.receive(data)

    profiles = edited("demo-modbus", ('title = "demo tester, Modbus RTU"', "quiet_s = 0.25"))
    report = sync_meter(book, plug(answer).url, profile="demo-modbus", profiles=profiles, patience=QUICK)
    content = book.evidence.read(report.sha256)
    rows = read_transcript(content, sha256=report.sha256, profiles={}, zone=book.zone).readings
    truth = {record.number: record.local for record in demo_day(12)}
    assert len(rows) >= 10
    assert all(truth[number] == moment for number, moment in zip(rows["memory_no"], rows["meter_time"], strict=True))


def test_lines_by_pattern_with_prompt_and_sum(book, plug):
    profiles = edited(
        "demo-lines",
        ('separator = ";"', r"pattern = 'R (?P<record>\d+) (?P<test>\w+) (?P<value>\S+) ?(?P<unit>\w*)'"),
        ('first_field = "R"\n', 'prompt = "> "\n'),
        ('fields = ["record", "date", "time", "test", "value", "unit", "label"]\n', ""),
        ('checksum = "crc16"', 'checksum = "sum8"'),
        ('format = "%d/%m/%Y %H:%M:%S"', 'clock_format = "%d/%m/%Y %H:%M:%S"'),
    )

    def line(text):
        return f"{text}*{CHECKSUMS['sum8'](text.encode())}\r\n".encode()

    def answer(data):
        text = data.decode().strip()
        if text.startswith("LIST"):
            first, last = map(int, text.split()[1:])
            rows = [f"R {at} VLN 23{at}.0 V" for at in range(first, min(last, 3) + 1)]
            return b"> " + b"".join(line(row) for row in rows) + line("LIST END")
        known = {"WHO": "WHO;M;SN7", "HOLDS": "HOLDS;3", "NOW": f"NOW;{local_now():%d/%m/%Y %H:%M:%S}"}
        return b"> " + line(known[text])

    report = sync_meter(book, plug(answer).url, profile="demo-lines", profiles=profiles)
    assert (report.fault, report.readings, report.complete) == (None, 3, True)
    content = book.evidence.read(report.sha256)
    rows = read_transcript(content, sha256=report.sha256, profiles={}, zone=book.zone).readings
    assert rows["value"].tolist() == [231.0, 232.0, 233.0]
    assert rows["time_reason"].tolist() == ["the record has no time"] * 3


def test_a_meter_that_does_not_count_is_read_until_nothing_comes(book, plug):
    profiles = edited("demo-lines", ('count = { send = "HOLDS", answer = "HOLDS;(?P<count>[0-9]+)" }', ""))
    meter = LinesDemoMeter(demo_day(205))
    report = sync_meter(book, plug(meter.receive).url, profile="demo-lines", profiles=profiles)
    assert (report.fault, report.readings, report.records_on_meter) == (None, 205, None)


def test_a_listened_to_meter_needs_no_commands(book, plug):
    """Without any command there is nothing to sync, and watch only listens."""
    from ingest.watch import Watch

    text = sample_profiles()["demo-lines"].toml
    begin, end = text.index("[commands]"), text.index("[units]")
    bare = parse_device_profile(text[:begin] + text[end:], "bare")
    from ingest.demo.lines_meter import line, record_text

    peer = plug(lambda data: b"")
    got, asked = [], 0
    with Watch(book, peer.url, profile="demo-lines", profiles={"demo-lines": bare}) as live:
        for item in live:
            if asked == 0:  # what is said before the port is open is heard by nobody
                peer.say(b"".join(line(record_text(record)) for record in demo_day(3)))
            asked += 1
            if item is not None:
                got.append(item.row.quantity)
            if len(got) == 3 or asked > 100:
                break
    assert got == ["voltage_indicator_proof", "non_contact_voltage", "voltage"]


@pytest.mark.parametrize("kind", [*BYTE_METERS])
def test_demo_meters_behind_a_socket_as_on_windows(book, monkeypatch, kind):
    monkeypatch.delattr(os, "openpty")
    served = ServedMeter(BYTE_METERS[kind](demo_day(5)))
    try:
        assert served.url.startswith("socket://")
        report = sync_meter(book, served.url, profile=kind)
    finally:
        served.close()
    assert (report.fault, report.readings, report.complete) == (None, 5, True)


def test_a_meter_that_is_wordy_without_end_is_bounded(book, plug):
    """A line that never ends is given up piece by piece, and the sync ends."""
    meter = LinesDemoMeter(demo_day(2))

    def answer(data):
        return meter.receive(data) if b"LIST" not in data else b"x" * 20_000

    report = sync_meter(
        book, plug(answer).url, profile="demo-lines", patience=QUICK,
        profiles=edited("demo-lines", ("quiet_s = 1.5", "quiet_s = 0.2")),
    )  # fmt: skip
    assert not report.complete
    assert report.readings == 0
    assert report.refusals > 0
