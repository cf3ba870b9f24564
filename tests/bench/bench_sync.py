"""How long a sync takes beyond the line, and how much memory it needs. Run: python -m tests.bench.bench_sync

The floor of the pseudo-terminal is measured in the same run: the same bytes through a pair of the same kind, read and
thrown away. Records are those of the shipped demo meters, made longer.
"""

from __future__ import annotations

import os
import select
import sys
import tempfile
import threading
import time
import tty
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from ingest.book import Book
from ingest.demo.day import demo_day
from ingest.demo.gatt_meter import GattDemoMeter
from ingest.demo.lines_meter import LinesDemoMeter, line, record_text
from ingest.demo.modbus_meter import ModbusDemoMeter
from ingest.demo.radio import demo_backend
from ingest.demo.scpi_meter import ScpiDemoMeter
from ingest.demo.serve import ServedMeter
from ingest.sync import sync_meter
from ingest.transports.bluetooth import BluetoothLink
from tests.bench.peak_memory import peak_mb


def floor_s(data: bytes) -> float:
    """How long the bytes take through a pseudo-terminal when nobody looks at them."""
    near, far = os.openpty()
    tty.setraw(far)

    def write() -> None:
        rest = data
        while rest:
            rest = rest[os.write(near, rest[:4096]) :]

    begun = time.perf_counter()
    thread = threading.Thread(target=write)
    thread.start()
    got = 0
    while got < len(data):
        select.select([far], [], [])
        got += len(os.read(far, 65_536))
    thread.join()
    spent = time.perf_counter() - begun
    os.close(near)
    os.close(far)
    return spent


def sync_s(meter: object, profile: str) -> tuple[float, int]:
    """Seconds of a whole first sync over a pseudo-terminal, and its readings."""
    with tempfile.TemporaryDirectory() as folder:
        served = ServedMeter(meter)  # type: ignore[arg-type]
        try:
            begun = time.perf_counter()
            report = sync_meter(Book(Path(folder) / "book"), f"serial:{served.url}", profile=profile)
            spent = time.perf_counter() - begun
        finally:
            served.close()
    assert report.complete, report
    return spent, report.readings


def sync_air_s(records: int) -> tuple[float, int]:
    """The same for the demo meter of the air, through bleak."""
    backend = demo_backend(GattDemoMeter(demo_day(records)))
    with tempfile.TemporaryDirectory() as folder:
        begun = time.perf_counter()
        report = sync_meter(
            Book(Path(folder) / "book"), "demo:gatt", opener=lambda link, profile: BluetoothLink("x", backend=backend)
        )
        spent = time.perf_counter() - begun
    assert report.complete, report
    return spent, report.readings


def main() -> None:
    """Print the table."""
    sync_s(LinesDemoMeter(demo_day(50)), "demo-lines")
    print(f"{'meter':24}{'records':>8}{'seconds':>9}{'floor':>8}{'beyond':>8}{'peak MB':>9}")
    for records in (1_000, 10_000, 20_000):
        data = b"".join(line(record_text(record)) for record in demo_day(records))
        floor = floor_s(data)
        spent, _ = sync_s(LinesDemoMeter(demo_day(records)), "demo-lines")
        show("lines, pseudo-terminal", records, spent, floor)
    for records in (1_000, 10_000):
        spent, _ = sync_s(ScpiDemoMeter(demo_day(records)), "demo-scpi")
        show("scpi, read twice", records, spent, None)
    spent, _ = sync_s(ModbusDemoMeter(demo_day(1_000)), "demo-modbus")
    show("modbus, one at a time", 1_000, spent, None)
    for records in (1_000, 10_000):
        spent, _ = sync_air_s(records)
        show("gatt, demo radio", records, spent, None)


def show(what: str, records: int, spent: float, floor: float | None) -> None:
    """One line of the table."""
    under = f"{floor:8.2f}{spent - floor:8.2f}" if floor is not None else " " * 16
    print(f"{what:24}{records:8}{spent:9.2f}{under}{peak_mb():9.0f}")


if __name__ == "__main__":
    main()
