"""Meters that this project did not write: a SCPI simulator and a Modbus server from elsewhere, over real terminals."""

from __future__ import annotations

import os
import select
import subprocess
import sys
import threading
import tty
from contextlib import contextmanager
from importlib.util import find_spec
from pathlib import Path

import pytest

from ingest.meter_session import Patience
from ingest.profiles.devices import parse_device_profile, sample_profiles
from ingest.sync import sync_meter
from ingest.transcripts import read_transcript

PEERS = Path(__file__).parent / "peers"
MODBUS_PROFILE = """
format = 1
kind = "modbus"
name = "array-registers"

[time]
zone = "UTC"

[modbus]
unit_id = 7
low_word_first = true

[modbus.count]
table = "holding"
address = 0
size = 1
fields = [{ name = "count", at = 0, type = "u16" }]

[modbus.identity]
table = "holding"
address = 10
size = 4
fields = [{ name = "serial", at = 0, type = "text", length = 4 }]

[modbus.records]
table = "holding"
address = 100
size = 6
fields = [
    { name = "record", at = 0, type = "u16" },
    { name = "value", at = 1, type = "u32" },
    { name = "datetime", at = 3, type = "epoch" },
    { name = "test", at = 5, type = "u16" },
]

[[tests]]
code = "1"
quantity = "voltage"
conductors = "L-N"
unit = "V"
scale = "0.01"
"""


@contextmanager
def peer(*command):
    process = subprocess.Popen([sys.executable, *map(str, command)], stdout=subprocess.PIPE, text=True)
    try:
        assert process.stdout.readline().strip() == "ready"
        yield
    finally:
        process.kill()
        process.wait(timeout=10)
        process.stdout.close()


@contextmanager
def null_modem():
    """Two pseudo-terminals joined back to back: what is written to one is read from the other."""
    near = [os.openpty(), os.openpty()]
    for _, far in near:
        tty.setraw(far)
    stop = threading.Event()

    def copy():
        ends = {near[0][0]: near[1][0], near[1][0]: near[0][0]}
        while not stop.is_set():
            for ready in select.select(list(ends), [], [], 0.05)[0]:
                os.write(ends[ready], os.read(ready, 4096))

    thread = threading.Thread(target=copy, daemon=True)
    thread.start()
    try:
        yield os.ttyname(near[0][1]), os.ttyname(near[1][1])
    finally:
        stop.set()
        thread.join(timeout=5)
        for pair in near:
            for handle in pair:
                os.close(handle)


@pytest.mark.skipif(find_spec("sinstruments") is None, reason="the package sinstruments is not installed")
def test_a_scpi_instrument_of_another_package(book, tmp_path):
    port = tmp_path / "instrument"
    with peer(PEERS / "scpi_peer.py", port):
        report = sync_meter(book, f"serial:{port}", profile="demo-scpi", patience=Patience(reopen_times=0))
    assert report.fault is None
    assert (report.meter_serial, report.records_on_meter, report.complete) == ("00417", 3, True)
    content = book.evidence.read(report.sha256)
    extract = read_transcript(content, sha256=report.sha256, profiles=sample_profiles(), zone=book.zone)
    assert extract.readings["value"].tolist() == [230.1, 999e6]
    assert extract.readings["comparator"].tolist() == ["eq", "gt"]
    assert extract.readings["label"].tolist()[0] == 'A "quoted" label'
    assert extract.readings["resolution"].tolist()[0] == pytest.approx(1e-4)
    assert extract.refusals["reason"].tolist() == ["not measured"]


@pytest.mark.parametrize("records", [1, 60])
def test_a_modbus_server_of_another_package(book, records):
    profile = parse_device_profile(MODBUS_PROFILE, "test")
    with null_modem() as (server_port, our_port), peer(PEERS / "modbus_peer.py", server_port, records):
        report = sync_meter(
            book, f"serial:{our_port}", profile=profile.name, profiles={profile.name: profile},
            patience=Patience(reopen_times=0),
        )  # fmt: skip
    assert report.fault is None
    assert (report.meter_serial, report.readings, report.complete) == ("PM-77", records, True)
    content = book.evidence.read(report.sha256)
    extract = read_transcript(content, sha256=report.sha256, profiles={}, zone=book.zone)
    assert extract.readings["value"].tolist() == [(23_000 + number) / 100 for number in range(1, records + 1)]
    assert extract.readings["memory_no"].tolist() == list(range(1, records + 1))
    # 1932883200 is 2031-04-02T08:00:00Z (date -u -d @1932883200).
    assert extract.readings["stamped_at"].astype(str).tolist()[0] == "2031-04-02 08:01:00+00:00"
