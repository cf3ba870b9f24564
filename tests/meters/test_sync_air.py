"""Bluetooth LE meters through bleak, over virtual controllers: real ATT bytes from a stack that is not ours."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

pytest.importorskip("bumble", reason="the package bumble is not installed")
sys.path.insert(0, str(Path(__file__).parent))

from air_central import air_backend, air_scanner
from air_peripheral import LIVE, RECORDS, STREAM_IN, STREAM_OUT, Air, AirFaults, AirMeter, AirStreamMeter

from ingest.demo.day import demo_day
from ingest.demo.lines_meter import LinesDemoMeter
from ingest.links import open_bluetooth
from ingest.meter_session import Patience
from ingest.profiles.devices import parse_device_profile, sample_profiles
from ingest.scan import scan_bluetooth
from ingest.sync import sync_meter
from ingest.transcripts import read_transcript
from ingest.transports.bluetooth import BluetoothLink
from ingest.transports.transport import LinkLost
from ingest.watch import Watch
from schemas.errors import InputError, LinkError

PROFILE = parse_device_profile(
    f"""
format = 1
kind = "gatt"
name = "air-tester"
quiet_s = 0.6

[time]
zone = "UTC"

[gatt.records]
characteristic = "{RECORDS}"
fields = [
    {{ name = "record", type = "u16" }},
    {{ name = "datetime", type = "date_time" }},
    {{ name = "test", type = "u8" }},
    {{ name = "value", type = "sfloat" }},
]

[gatt.live]
characteristic = "{LIVE}"
by = "read"
fields = [{{ name = "ohms", type = "presented" }}]

[[tests]]
code = "1"
quantity = "voltage"
conductors = "L-N"
unit = "V"

[[tests]]
field = "ohms"
quantity = "earth_fault_loop_impedance"
conductors = "L-E"
""",
    "air-tester",
)
PATIENCE = Patience(reopen_times=2, wait_s=0.05)


@pytest.fixture
def air():
    made = Air()
    yield made
    made.close()


@pytest.fixture
def meter(air):
    def make(numbers, **faults):
        one = AirMeter(list(numbers), AirFaults(**faults))
        air.do(one.start(air.link))
        return one

    return make


def opener(air, mtu=247):
    backend = air_backend(air, mtu)
    return lambda link, profile: BluetoothLink(link.rest, backend=backend)


def sync(book, air, meter, patience=PATIENCE, mtu=247):
    return sync_meter(
        book, f"ble:{meter.address}", profile="air-tester", profiles={"air-tester": PROFILE}, patience=patience,
        opener=opener(air, mtu),
    )  # fmt: skip


def numbers_in(book):
    found = []
    for sha256 in book.evidence.hashes():
        extract = read_transcript(book.evidence.read(sha256), sha256=sha256, profiles={}, zone=book.zone)
        found += list(zip(extract.readings["memory_no"], extract.readings["value"], strict=True))
    return sorted({(int(number), float(value)) for number, value in found})


def expected(numbers):
    return sorted({(number & 0xFFFF, (1000 + number % 1000) / 10) for number in numbers})


@pytest.mark.parametrize("count", [0, 1, 60])
def test_all_records_arrive(book, air, meter, count):
    report = sync(book, air, meter(range(1, count + 1)))
    assert report.fault is None
    assert (report.meter_serial, report.records_on_meter, report.complete) == ("AIR-0042", count, True)
    assert numbers_in(book) == expected(range(1, count + 1))
    assert report.clock is not None


def test_the_next_sync_asks_only_for_what_is_new(book, air, meter):
    one = meter(range(1, 41))
    sync(book, air, one)
    one.numbers += range(41, 44)
    one.writes.clear()
    report = sync(book, air, one)
    assert report.complete
    assert report.readings == 3 + 5
    # The last five known ones are asked for again, from 36 on: report, greater or equal, by number, 0x0024.
    # Then the meter is asked how many records it holds from the first known one on.
    assert [write.hex() for write in one.writes] == ["0401", "0103012400", "0403010100"]
    assert numbers_in(book) == expected(range(1, 44))


def test_a_link_killed_at_every_record_ends_in_the_same_readings(tmp_path, air, meter):
    from ingest.book import Book

    one = meter(range(1, 9))
    for kill in range(8):
        book = Book(tmp_path / f"b{kill}")
        one.sent, one.faults.disconnect_after = 0, kill
        report = sync(book, air, one, patience=Patience(reopen_times=0))
        assert isinstance(report.fault, LinkLost)
        assert sync(book, air, one).complete
        assert numbers_in(book) == expected(range(1, 9))


def test_a_lost_link_is_opened_again_within_one_sync(book, air, meter):
    report = sync(book, air, meter(range(1, 31), disconnect_after=17))
    assert (report.fault, report.complete, report.readings) == (None, True, 30)


def test_lost_and_repeated_notifications(book, air, meter):
    report = sync(book, air, meter(range(1, 31), lost={3, 9, 29}, repeated={5, 6}))
    assert (report.fault, report.complete, report.readings, report.refusals) == (None, True, 30, 0)


def test_silence_in_the_middle(book, air, meter):
    report = sync(book, air, meter(range(1, 31), silent_after=12), patience=Patience(reopen_times=1, wait_s=0.05))
    assert "gave no answer" in report.fault.what
    assert not report.complete
    assert report.readings == 12


def test_numbers_that_wrap(book, air, meter):
    one = meter(range(65_520, 65_536))
    assert sync(book, air, one).complete
    one.numbers = list(range(65_525, 65_541))
    report = sync(book, air, one)
    assert report.complete
    assert numbers_in(book) == expected(range(65_520, 65_541))


LABELLED = parse_device_profile(
    PROFILE.toml.replace(
        '{ name = "value", type = "sfloat" },',
        '{ name = "value", type = "sfloat" },\n    { name = "label", type = "text", length = 14 },',
    ),
    "air-tester",
)


@pytest.mark.parametrize(("mtu", "whole"), [(247, True), (23, False)])
def test_a_link_too_narrow_for_a_record(book, air, meter, mtu, whole):
    """A record of 26 octets does not fit into a notification of an MTU of 23: nothing is made up, and it is told."""
    one = meter(range(1, 4), max_mtu=mtu, label=b"BOILER-1      ")
    report = sync_meter(
        book, f"ble:{one.address}", profile="air-tester", profiles={"air-tester": LABELLED}, patience=PATIENCE,
        opener=opener(air, mtu),
    )  # fmt: skip
    assert report.complete is whole
    content = book.evidence.read(report.sha256)
    extract = read_transcript(content, sha256=report.sha256, profiles={}, zone=book.zone)
    if whole:
        assert extract.readings["label"].tolist() == ["BOILER-1"] * 3
    else:
        assert len(extract.readings) == 0
        assert "the link may carry no longer notifications" in extract.refusals["message"].tolist()[0]
        assert any("3 records, and 0 of them arrived" in sentence for sentence in report.sentences)


def test_a_count_that_is_a_lie(book, air, meter):
    report = sync(book, air, meter(range(1, 6), says_count=9))
    assert not report.complete
    assert report.readings == 5
    assert any("9 records, and 5 of them arrived" in sentence for sentence in report.sentences)


def test_busy_meters_are_asked_again(book, air, meter):
    report = sync(book, air, meter(range(1, 6), busy_writes=2, busy_responses=1))
    assert (report.fault, report.complete, report.readings) == (None, True, 5)


def test_pairing_wanted(book, air, meter):
    with pytest.raises(LinkError, match="wants to be paired") as caught:
        sync(book, air, meter(range(1, 6), wants_pairing=True))
    assert "pair" in caught.value.advice


def test_no_clock_is_no_trouble(book, air, meter):
    report = sync(book, air, meter(range(1, 3), no_clock=True))
    assert report.clock is None
    assert report.complete


def test_out_of_reach(book, air):
    class Gone:
        address = "C4:F2:17:00:00:99"

    with pytest.raises(LinkError, match="no such meter in reach"):
        sync(book, air, Gone)


def test_live_readings_by_presentation_format(book, air, meter):
    one = meter([])
    got = []
    with Watch(
        book, f"ble:{one.address}", profile="air-tester", profiles={"air-tester": PROFILE}, opener=opener(air)
    ) as live:
        for item in live:
            if item is not None:
                got.append((item.row.value, item.row.unit, item.row.resolution))
            if len(got) == 2:
                break
    assert got == [(0.35, "Ohm", 0.01)] * 2
    assert live.report.readings >= 2


def test_scan_tells_two_of_one_name_apart(air, meter):
    meter([])
    air.do(AirMeter([], address="C4:F2:17:00:00:02").start(air.link))
    found = scan_bluetooth(1.0, backend=air_scanner(air))
    assert sorted(one.link for one in found) == ["ble:C4:F2:17:00:00:01", "ble:C4:F2:17:00:00:02"]
    assert all("same name" in one.detail for one in found)


def test_lines_of_text_over_a_notifying_characteristic(book, air):
    one = AirStreamMeter(LinesDemoMeter(demo_day(12)).receive)
    air.do(one.start(air.link))
    text = sample_profiles()["demo-lines"].toml.replace(
        "[lines]", f'[bluetooth]\nreceive = "{STREAM_OUT}"\nsend = "{STREAM_IN}"\n\n[lines]', 1
    )  # fmt: skip
    profile = parse_device_profile(text, "stream")
    backend = air_backend(air)
    report = sync_meter(
        book, f"ble:{one.address}", profile="demo-lines", profiles={"demo-lines": profile},
        opener=lambda link, profile: open_bluetooth(link.rest, profile, backend),
    )  # fmt: skip
    assert (report.fault, report.readings, report.complete) == (None, 12, True)


def test_a_profile_for_a_wire_is_told_on_a_link_by_air(book):
    with pytest.raises(InputError, match="is not for Bluetooth"):
        sync_meter(book, "ble:C4:F2:17:00:00:05", profile="demo-scpi")
