"""How long matching takes, and how much memory: python tests/bench/bench_matching.py [DAYS ...]; asserts nothing.

Each number of days is matched in a process of its own, so that the peaks of memory can be told apart: "before" is that
of the process with the tables of the book made, "after" that once they are matched.
"""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from tests.bench.peak_memory import peak_mb
from tests.reconcile_matching.scored import match_book
from tests.reconcile_matching.simulated_days import Style, simulate_book


def measure(days: int) -> None:
    """Match that many days of eight jobs and about 120 readings, in one book; one line."""
    style = Style(days=days, jobs_a_day=(8, 8), more_appliances=0.15, label_missing=0.1)
    book = simulate_book(np.random.default_rng(5), style)
    before_mb, began = peak_mb(), time.perf_counter()
    began_cpu = time.process_time()
    matches = match_book(book).matches
    seconds, cpu = time.perf_counter() - began, time.process_time() - began_cpu
    auto = (matches["match_status"] == "auto").mean()
    spent = f"{seconds:.1f} s ({cpu:.1f} s of processor), {before_mb:.0f} MB before, {peak_mb():.0f} MB after"
    print(f"{days} days, {len(matches)} readings: {spent}, {auto:.1%} automatic", flush=True)


def main() -> None:
    """Print a line for each number of days."""
    if sys.argv[1:2] == ["one"]:
        measure(int(sys.argv[2]))
        return
    for days in map(int, sys.argv[1:] or ("1000",)):
        subprocess.run([sys.executable, __file__, "one", str(days)], check=True)


if __name__ == "__main__":
    main()
