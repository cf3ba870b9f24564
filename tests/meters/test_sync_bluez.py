"""The Linux way of bleak, unchanged, over a private message bus with a stand-in for bluetoothd behind it."""

from __future__ import annotations

import shutil
import sys
from pathlib import Path

import pytest

pytest.importorskip("bumble", reason="the package bumble is not installed")
pytest.importorskip("dbus_fast", reason="dbus-fast is only there on Linux")
if shutil.which("dbus-daemon") is None:
    pytest.skip("the program dbus-daemon is not installed (Debian package dbus)", allow_module_level=True)
sys.path.insert(0, str(Path(__file__).parent))

from air_bluez import BluezStandIn, PrivateBus
from air_peripheral import Air, AirFaults, AirMeter
from test_sync_air import PATIENCE, PROFILE, expected, numbers_in

from ingest.meter_session import Patience
from ingest.scan import scan_bluetooth
from ingest.sync import sync_meter
from ingest.transports.transport import LinkLost
from schemas.errors import LinkError


@pytest.fixture
def radio(tmp_path, monkeypatch):
    bus = PrivateBus(tmp_path)
    monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", bus.address)
    air = Air()
    stand_in = BluezStandIn(air)
    air.do(stand_in.start(bus.address))
    yield air
    air.loop.call_soon_threadsafe(stand_in.stop)
    air.close()
    bus.close()


def meter_in(air, numbers, address="C4:F2:17:00:00:03", **faults):
    one = AirMeter(list(numbers), AirFaults(**faults), address=address)
    air.do(one.start(air.link))
    return one


def sync(book, meter, patience=PATIENCE):
    return sync_meter(
        book, f"ble:{meter.address}", profile="air-tester", profiles={"air-tester": PROFILE}, patience=patience
    )


def test_all_records_arrive(book, radio):
    report = sync(book, meter_in(radio, range(1, 41)))
    assert report.fault is None
    assert (report.meter_serial, report.complete, report.readings) == ("AIR-0042", True, 40)
    assert numbers_in(book) == expected(range(1, 41))


def test_a_killed_link_and_the_sync_after_it(book, radio):
    one = meter_in(radio, range(1, 21), disconnect_after=11)
    report = sync(book, one, patience=Patience(reopen_times=0))
    assert isinstance(report.fault, LinkLost)
    assert sync(book, one).complete
    assert numbers_in(book) == expected(range(1, 21))


def test_busy_and_repeated(book, radio):
    report = sync(book, meter_in(radio, range(1, 11), busy_writes=1, repeated={2, 3}))
    assert (report.fault, report.complete, report.readings) == (None, True, 10)


def test_pairing_wanted(book, radio):
    with pytest.raises(LinkError, match="wants to be paired"):
        sync(book, meter_in(radio, range(1, 4), wants_pairing=True))


def test_scan(radio):
    meter_in(radio, [])
    found = scan_bluetooth(1.0)
    assert [(one.link, one.name) for one in found] == [("ble:C4:F2:17:00:00:03", "air tester")]


def test_no_bluetooth_at_all(book, monkeypatch):
    monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", "unix:path=/nowhere/bus")
    with pytest.raises(LinkError, match="no Bluetooth here"):
        sync_meter(book, "ble:C4:F2:17:00:00:03", profile="air-tester", profiles={"air-tester": PROFILE})
