"""How long matching takes: python tests/bench/bench_matching.py [DAYS]. Prints seconds and readings a second."""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from tests.reconcile_matching.scored import match_book
from tests.reconcile_matching.simulated_days import Style, simulate_book


def main() -> None:
    """Match that many days of eight jobs and about 120 readings, in one book."""
    days = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    style = Style(days=days, jobs_a_day=(8, 8), more_appliances=0.15, label_missing=0.1)
    book = simulate_book(np.random.default_rng(5), style)
    began = time.perf_counter()
    began_cpu = time.process_time()
    matches = match_book(book).matches
    seconds, cpu = time.perf_counter() - began, time.process_time() - began_cpu
    auto = (matches["match_status"] == "auto").mean()
    print(f"{days} days, {len(matches)} readings: {seconds:.1f} s ({cpu:.1f} s of processor), {auto:.1%} automatic")


if __name__ == "__main__":
    main()
