"""How much memory a sync needs for more and more records, each count in a process of its own. Prints; asserts nothing.

Run: python tests/bench/bench_memory.py [RECORDS ...]

The demo meter of text lines answers through memory. "before" is the peak of the process with the meter and all its
records made, "first" after a sync of all of them, "second" after another one that finds them known, "read" after the
whole book was read into its table, whose own size is the last column.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "meters"))

from wires import MemoryWire

from ingest.book import Book
from ingest.book_extract import read_book
from ingest.demo.day import demo_day
from ingest.demo.lines_meter import LinesDemoMeter
from ingest.profiles.devices import parse_device_profile, sample_profiles
from ingest.sync import sync_meter
from tests.bench.peak_memory import peak_mb


def measure(records: int) -> None:
    """One line of the table."""
    text = sample_profiles()["demo-lines"].toml.replace("[meter]", f"[meter]\nmax_records = {records}", 1)
    profile = parse_device_profile(text, "demo-lines")
    meter = LinesDemoMeter(demo_day(records))
    peaks = [peak_mb()]
    with tempfile.TemporaryDirectory() as folder:
        book = Book(Path(folder) / "book")
        for _ in range(2):
            report = sync_meter(
                book, "serial:nowhere", profile="demo-lines", profiles={"demo-lines": profile},
                opener=lambda link, profile: MemoryWire(meter.receive, packet_bytes=4096),
            )  # fmt: skip
            assert report.complete, report
            peaks.append(peak_mb())
        table = read_book(book).readings
        assert len(table) == records
        peaks.append(peak_mb())
    size_mb = table.memory_usage(deep=True).sum() / 1e6
    print(f"{records:9,}" + "".join(f"{peak:9.0f}" for peak in peaks) + f"{size_mb:9.0f}", flush=True)


def main() -> None:
    """Print the table, or one line of it."""
    if sys.argv[1:2] == ["one"]:
        measure(int(sys.argv[2]))
        return
    print(f"{'records':>9}{'before':>9}{'first':>9}{'second':>9}{'read':>9}{'table':>9}   peak MB", flush=True)
    for records in map(int, sys.argv[1:] or ("1000", "10000", "100000")):
        subprocess.run([sys.executable, __file__, "one", str(records)], check=True)


if __name__ == "__main__":
    main()
