"""How long an audit takes against importing, and hashing a book against plain SHA-256. Prints; asserts nothing.

Two books: long exports without a job list, where the audit is reading again and comparing; and days of visits, where
matching, judging and the pages of certificates come to it.

Run: python tests/bench/bench_audit.py [READINGS [DAYS]]
"""

from __future__ import annotations

import functools
import hashlib
import importlib
import os
import shutil
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any, TypeVar

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from cli.auditing import Audit, audit_dataset
from cli.inputs import find_inputs
from cli.pipeline import OperatorWord, certify, derive, take_in
from ingest.book import Book
from ingest.evidence import NewEvidence
from ingest.integrity import check_integrity

ROWS_A_FILE = 50_000
TESTS = (("Voltage L-N", "238.2", "V"), ("Loop L-E", "0.35", "ohm"), ("Insulation L-E", ">999", "Mohm"))
Result = TypeVar("Result")
PLAIN_DAY = Path(__file__).resolve().parents[2] / "sample_exports" / "plain_day"
STAGES = (
    ("hashing the dataset", "cli.auditing", "read_dataset"),
    ("hashing the book", "cli.auditing", "check_integrity"),
    ("reading the evidence again", "cli.pipeline", "read_book"),
    ("matching", "cli.pipeline", "match_sightings"),
    ("judging", "cli.pipeline", "judge"),
    ("joining and checking the tables", "cli.auditing", "dataset_of"),
    ("writing the files in memory, comparing", "cli.auditing", "compare_out"),
)
"""What an audit consists of, and which function does it."""


def timed(what: str, work: Callable[[], Result]) -> tuple[float, Result]:
    begun, busy = time.perf_counter(), time.process_time()
    result = work()
    seconds = time.perf_counter() - begun
    print(f"{what:48}{seconds:8.2f} s{time.process_time() - busy:8.2f} s of processor", flush=True)
    return seconds, result


def timed_audit(out: Path, book: Book) -> tuple[float, Audit]:
    """An audit, with the time of each of its stages."""
    kept = [(name, importlib.import_module(name), function) for _, name, function in STAGES]
    before = [getattr(module, function) for _, module, function in kept]
    try:
        for (what, _, function), (_, module, _), work in zip(STAGES, kept, before, strict=True):
            stage = functools.partial(run_stage, what, work)
            setattr(module, function, stage)
        return timed("audit", lambda: audit_dataset(out, book))
    finally:
        for (_, module, function), work in zip(kept, before, strict=True):
            setattr(module, function, work)


def run_stage(what: str, work: Callable[..., Result], *arguments: Any, **named: Any) -> Result:
    return timed(f"  {what}", lambda: work(*arguments, **named))[1]


def write_exports(folder: Path, readings: int) -> None:
    """Invented exports of one meter each, a reading every ten seconds of many days."""
    for number in range(-(-readings // ROWS_A_FILE)):
        lines = [
            f"Serial number,MF-{9000 + number}",
            "Zone,Europe/London",
            "",
            "Record,Date,Time,Label,Test,Result,Unit",
        ]
        for row in range(min(ROWS_A_FILE, readings - number * ROWS_A_FILE)):
            day, second = 1 + row // 3000 % 28, row % 3000 * 10 + 30000
            test, result, unit = TESTS[row % len(TESTS)]
            moment = f"{second // 3600:02}:{second // 60 % 60:02}:{second % 60:02}"
            lines.append(f"{row + 1},2031-04-{day:02},{moment},,{test},{result},{unit}")
        (folder / f"meter {number}.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")


def write_days(folder: Path, days: int) -> None:
    """The sample day again and again, each on a day of its own with jobs and appliances of its own."""
    lists: dict[str, list[str]] = {"jobs.csv": [], "appliances.csv": [], "attestations.csv": []}
    for number in range(days):
        day = (date(2031, 4, 2) + timedelta(days=number)).isoformat()
        for path in sorted(PLAIN_DAY.glob("*.csv")):
            text = path.read_text(encoding="utf-8").replace("2031-04-02", day)
            if path.name not in lists:
                (folder / f"{day} {path.name}").write_text(text, encoding="utf-8")
                continue
            header, *rows = text.replace("J-1", f"J{number}-1").replace("A-1", f"A{number}-1").splitlines()
            lists[path.name] += rows if lists[path.name] else [header, *rows]
    for name, lines in lists.items():
        (folder / name).write_text("\n".join(lines) + "\n", encoding="utf-8")
    shutil.copy(PLAIN_DAY / "meters.toml", folder)


def bench_audit(what: str, place: Path, write: Callable[[Path], None]) -> None:
    place.mkdir()
    exports = place / "exports"
    exports.mkdir()
    write(exports)
    book, out = Book(place / "book"), place / "out"
    print(f"--- {what}")
    importing, _taken = timed("import", lambda: take_in(book, find_inputs([exports]), word=OperatorWord()))
    timed("derive and write the dataset", lambda: certify(derive(book), out, book=book, pdf=False))
    auditing, audit = timed_audit(out, Book(book.root))
    print(f"audit / import: {auditing / importing:.2f}; clean: {audit.clean}; {audit.totals}")
    hashing(Book(book.root))


def hashing(book: Book) -> None:
    """Integrity against plain SHA-256 of the same files, read in the same order."""
    files = sorted(path for path in book.root.rglob("*") if path.is_file())

    def plain() -> Iterator[str]:
        for path in files:
            with path.open("rb") as stream:
                yield hashlib.file_digest(stream, "sha256").hexdigest()

    best_plain = min(timed("plain SHA-256", lambda: list(plain()))[0] for _ in range(3))
    best_ours = min(timed("integrity of the book", lambda: check_integrity(book))[0] for _ in range(3))
    size = sum(path.stat().st_size for path in files)
    print(f"{len(files)} files, {size / 1e6:.1f} MB: integrity / plain = {best_ours / best_plain:.2f}")


def bench_large_files(place: Path, megabytes: int = 400) -> None:
    book = Book(place / "large")
    book.create()
    book.evidence.keep_all(
        NewEvidence(
            content=os.urandom(1 << 20) * 20,
            original_name=f"{number}.csv",
            kind="export",
            received_at=datetime.now(UTC),
        )
        for number in range(megabytes // 20)
    )
    hashing(book)


def bench_many_files(place: Path, count: int = 5000) -> None:
    book = Book(place / "many")
    book.create()
    items = [
        NewEvidence(
            content=os.urandom(3000), original_name=f"{number}.csv", kind="export", received_at=datetime.now(UTC)
        )
        for number in range(count)
    ]
    seconds, _kept = timed(f"keep {count:,} small files", lambda: book.evidence.keep_all(items))
    print(f"{seconds / count * 1000:.2f} ms a file")
    hashing(Book(book.root))


def main() -> None:
    readings = int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000
    days = int(sys.argv[2]) if len(sys.argv) > 2 else 100
    place = Path(tempfile.mkdtemp(prefix="bench-audit-"))
    try:
        bench_audit(f"{readings:,} readings", place / "long", lambda exports: write_exports(exports, readings))
        bench_audit(f"{days} days of visits", place / "days", lambda exports: write_days(exports, days))
        bench_large_files(place)
        bench_many_files(place)
    finally:
        shutil.rmtree(place)


if __name__ == "__main__":
    main()
