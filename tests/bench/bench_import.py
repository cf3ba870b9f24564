"""How long imports take against floors measured in the same run, and how memory grows. Prints a table for the README.

Run: python tests/bench/bench_import.py [ROWS ...]   (default 1000000; files of 200 rows beside: --files N, 2000)

Floor of a file: pyarrow.csv reading it as strings, and SHA-256 of it. The import keeps the bytes as evidence, hashes,
reads, validates every table, and stores what was read. Each import runs in a process of its own, so that its peak of
memory is its own.
"""

from __future__ import annotations

import argparse
import hashlib
import multiprocessing
import os
import random
import shutil
import statistics
import sys
import tempfile
import time
from collections.abc import Sequence
from datetime import datetime, timedelta
from pathlib import Path

import pyarrow as pa
import pyarrow.csv

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.bench.peak_memory import peak_mb

NAMES = ["a", "b", "c", "d", "e", "f", "g"]
HEAD = "Serial number,MF-{serial}\nZone,Europe/London\n\nRecord,Date,Time,Label,Test,Result,Unit\n"
SKIP = 4
TESTS = (
    ("Voltage L-N", 216.0, 253.0, 1, "V"), ("Voltage L-E", 216.0, 253.0, 1, "V"), ("Voltage N-E", 0.0, 3.0, 1, "V"),
    ("Zs", 0.1, 2.0, 2, "Ohm"), ("Insulation LN-E 500V", 1.0, 200.0, 1, "MOhm"), ("R1+R2", 0.05, 1.0, 2, "Ohm"),
    ("RCD x1", 10.0, 40.0, 1, "ms"),
)  # fmt: skip


def write_export(path: Path, rows: int, serial: int) -> None:
    """An invented long export of that many rows, day first, one reading a row."""
    rng, moment = random.Random(serial), datetime(2024, 1, 3, 8)
    with path.open("w", encoding="utf-8") as stream:
        stream.write(HEAD.format(serial=serial))
        for number in range(rows):
            moment += timedelta(seconds=rng.randint(5, 25))
            name, low, high, digits, unit = TESTS[number % 7]
            value = ">999" if name.startswith("Ins") and rng.random() < 0.3 else f"{rng.uniform(low, high):.{digits}f}"
            stream.write(
                f"{number + 1},{moment:%d/%m/%Y,%H:%M:%S},APP-{number // 40 % 900:03d},{name},{value},{unit}\n"
            )


def floor_s(paths: Sequence[Path]) -> float:
    """Seconds for pyarrow.csv (strings) and SHA-256 of all files."""
    begun = time.perf_counter()
    for path in paths:
        hashlib.sha256(path.read_bytes()).hexdigest()
        pyarrow.csv.read_csv(
            path, read_options=pyarrow.csv.ReadOptions(skip_rows=SKIP, column_names=NAMES),
            convert_options=pyarrow.csv.ConvertOptions(column_types=dict.fromkeys(NAMES, pa.string())),
        )  # fmt: skip
    return time.perf_counter() - begun


def import_in_process(
    paths: Sequence[Path], root: Path, answer: multiprocessing.Queue[tuple[float, float, float, int]]
) -> None:
    """Import ``paths`` into a new book; seconds, seconds of processor, peak of memory [GiB], readings."""
    from ingest.book import Book
    from ingest.imports import import_exports

    warm = root / "warm.csv"
    warm.write_text("Test;Value\nZs;0.35 Ohm\n", encoding="utf-8")
    for name, files in (("warm", [warm]), ("book", list(paths))):
        book = Book(root / name)
        book.create()
        begun, processor = time.perf_counter(), time.process_time()
        report = import_exports(book, [(path, path.name) for path in files])
        seconds, processor = time.perf_counter() - begun, time.process_time() - processor
    answer.put((seconds, processor, peak_mb() / 1024, int(report.files["readings"].sum())))


def measure(title: str, paths: Sequence[Path], folder: Path) -> None:
    """One line of the table."""
    floors = [floor_s(paths) for _ in range(3)]
    context = multiprocessing.get_context("spawn")
    answer: multiprocessing.Queue[tuple[float, float, float, int]] = context.Queue()
    root = Path(tempfile.mkdtemp(dir=folder))
    child = context.Process(target=import_in_process, args=(paths, root, answer))
    child.start()
    seconds, processor, peak, readings = answer.get()
    child.join()
    shutil.rmtree(root)
    floor = statistics.median(floors)
    each = f"{(seconds - floor) / len(paths) * 1000:.1f}" if len(paths) > 1 else "-"
    times = f"{floor:.2f} | {seconds:.2f} | {seconds / floor:.1f} | {processor:.2f}"
    print(f"| {title} | {readings} | {times} | {each} | {peak:.2f} |", flush=True)


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser()
    parser.add_argument("rows", type=int, nargs="*", default=[1_000_000])
    parser.add_argument("--files", type=int, default=2000)
    options = parser.parse_args()
    print(f"{os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}")
    print("| what | readings | floor s | import s | times floor | processor s | ms a file beyond floor | peak GiB |")
    print("|---|---|---|---|---|---|---|---|")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for rows in options.rows:
            path = folder / f"{rows}.csv"
            write_export(path, rows, 1)
            measure(f"one export, {rows} rows", [path], folder)
            path.unlink()
        if options.files:
            paths = [folder / f"{number:05d}.csv" for number in range(options.files)]
            for number, path in enumerate(paths):
                write_export(path, 200, number)
            measure(f"{options.files} exports of 200 rows", paths, folder)


if __name__ == "__main__":
    main()
