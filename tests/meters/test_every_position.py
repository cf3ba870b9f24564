"""A link that dies at any position of the memory: the next sync ends in the same readings. All positions, all kinds.

The bytes are those of the demo meters; they pass through memory instead of a port, so that all positions can be tried
at every run. The ports themselves are cut in test_sync_killed.py, the virtual radio in test_sync_air.py.
"""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import sys
import tempfile
from pathlib import Path

import pandas as pd
import pytest

from ingest.book import Book
from ingest.book_extract import read_book
from ingest.demo.day import demo_day
from ingest.demo.gatt_meter import GattDemoMeter
from ingest.demo.lines_meter import LinesDemoMeter
from ingest.demo.modbus_meter import ModbusDemoMeter
from ingest.demo.radio import demo_backend
from ingest.demo.scpi_meter import ScpiDemoMeter
from ingest.meter_session import Patience
from ingest.sync import sync_meter
from ingest.transports.bluetooth import BluetoothLink
from ingest.transports.transport import LinkLost

sys.path.insert(0, str(Path(__file__).parent))

from wires import MemoryWire

WIRED = {"demo-lines": LinesDemoMeter, "demo-scpi": ScpiDemoMeter, "demo-modbus": ModbusDemoMeter}
RECORDS = 8
NEVER = Patience(reopen_times=0)
DEPENDS_ON_EVIDENCE = ["reading_id", "evidence_sha256", "record_no", "column_no"]


@pytest.fixture
def place():
    """A folder in memory where there is one: a sweep keeps some hundred books."""
    memory = Path("/dev/shm")
    folder = tempfile.mkdtemp(dir=memory if memory.is_dir() and os.access(memory, os.W_OK) else None)
    yield Path(folder)
    shutil.rmtree(folder)


class CutAfter:
    """A transport that is lost behind so many packets."""

    def __init__(self, transport, packets):
        self._transport, self._left = transport, packets
        self.arrived = 0

    def perform(self, send):
        self._transport.perform(send)

    def receive(self, timeout_s):
        if self.arrived == self._left:
            raise LinkLost("the link broke while it was in use")
        packet = self._transport.receive(timeout_s)
        self.arrived += packet is not None
        return packet

    def close(self):
        self._transport.close()


def readings(book):
    """What the whole book holds, without what depends on the conversation it came by."""
    extract = read_book(book)
    assert len(extract.refusals) == 0
    table = extract.readings.drop(columns=DEPENDS_ON_EVIDENCE)
    return table.sort_values("memory_no", ignore_index=True)


def sync(book, kind, transport):
    return sync_meter(book, "serial:nowhere", profile=kind, patience=NEVER, opener=lambda link, profile: transport)


def cut_and_complete(book, kind, broken, whole):
    """Sync over a link that breaks, then over one that holds."""
    with contextlib.suppress(LinkLost):
        report = sync(book, kind, broken)
        assert isinstance(report.fault, LinkLost)
        assert not report.complete
    report = sync(book, kind, whole)
    assert (report.complete, report.fault) == (True, None)
    assert report.records_on_meter == RECORDS


def record_ends(content):
    """How many bytes had come from the meter at the end of each line and of each frame, by the transcript."""
    ends, total = set(), 0
    for line in content.splitlines()[1:]:
        body = json.loads(line)
        text = body.get("in", "")
        ends |= {total + at + 1 for at, character in enumerate(text) if character == "\n"}
        total += len(text) or len(bytes.fromhex(body.get("in_hex", "")))
        ends.add(total)
    return sorted(ends - {0})


def wire(meter, **cut):
    return MemoryWire(meter.receive, packet_bytes=4096, **cut)


def sweep_wire(kind, place, positions_of):
    meter = WIRED[kind](demo_day(RECORDS))
    healthy, book = wire(meter), Book(place / "whole")
    report = sync(book, kind, healthy)
    assert (report.complete, report.readings) == (True, RECORDS)
    expected = readings(book)
    positions = positions_of(record_ends(book.evidence.read(report.sha256)), healthy.sent)
    for byte in positions:
        book = Book(place / f"cut{byte}")
        cut_and_complete(book, kind, wire(meter, dies_at_byte=byte), wire(meter))
        pd.testing.assert_frame_equal(readings(book), expected)
        shutil.rmtree(book.root)
    return len(positions)


def at_each_record(ends, sent):
    """Behind every answer and record, and in the middle of each."""
    middles = [(first + last) // 2 for first, last in zip([0, *ends], ends, strict=False)]
    return sorted({*ends, *middles} - {sent})


def at_each_byte(ends, sent):
    """Every byte that the meter sends."""
    return range(1, sent)


@pytest.mark.parametrize("kind", WIRED)
def test_cut_at_every_record(kind, place):
    # Identity, three clocks and count, and each record once or twice: an end and a middle of each.
    assert sweep_wire(kind, place, at_each_record) >= 2 * (RECORDS + 5) - 1


@pytest.mark.slow
@pytest.mark.parametrize("kind", WIRED)
def test_cut_at_every_byte(kind, place):
    assert sweep_wire(kind, place, at_each_byte) >= 200


def test_cut_behind_every_packet_of_the_air(place):
    meter = GattDemoMeter(demo_day(RECORDS))

    def air(packets):
        return CutAfter(BluetoothLink("demo", backend=demo_backend(meter)), packets)

    whole, book = air(-1), Book(place / "whole")
    assert sync(book, "demo-gatt", whole).complete
    expected = readings(book)
    assert len(expected) == RECORDS
    assert whole.arrived >= RECORDS + 5
    for packets in range(whole.arrived - 1):
        book = Book(place / f"cut{packets}")
        cut_and_complete(book, "demo-gatt", air(packets), air(-1))
        pd.testing.assert_frame_equal(readings(book), expected)
