"""Where STRAYS_LIKELIER and FAR_HELD come from: python tests/reconcile_matching/doubt_table.py [BOOKS] [SEED].

Draws books of every tier, keeps what the chain itself doubted of each reading, by what the doubt is about, and prints
beside each size of doubt how often the reading was wrong. Prints Markdown.
"""

from __future__ import annotations

import sys
from itertools import pairwise
from pathlib import Path
from typing import Any
from unittest import mock

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).parents[2]))

import reconcile.matching
from reconcile.matching.belief import Belief, Case
from reconcile.matching.outcome import between_visits, session_rows
from reconcile.matching.visits import Visits
from tests.reconcile_matching.scored import against_truth, match_book
from tests.reconcile_matching.simulated_days import TIERS, draw_style, simulate_book

FAR_EDGES = (0.0, 0.001, 0.003, 0.005, 0.0075, 0.01, 0.015, 0.02, 0.03, 0.05, 0.1, 0.2)
STRAY_EDGES = (0.0, 1e-5, 1e-4, 1e-3, 3e-3, 1e-2, 3e-2, 0.1, 1.0)
SMALL = 0.003


def doubts(belief: Belief, visits: Visits) -> pd.DataFrame:
    """What the chain doubts of each reading: that it is of this visit, of this appliance of it, of any."""
    by_appliance = belief.belongs.sum(axis=2)
    best = by_appliance.argmax(axis=1)
    far = between_visits(by_appliance, best, visits.appliance_job[belief.appliances]) + belief.unlisted
    stray = np.clip(1.0 - by_appliance.sum(axis=1) - belief.unlisted, 0.0, 1.0)
    near = np.clip(1.0 - by_appliance.max(axis=1) - far - stray, 0.0, 1.0)
    return pd.DataFrame({"far": far, "near": near, "stray": stray})


def drawn(books: int, seed: int) -> pd.DataFrame:
    """One row a reading: its doubts, and whether the likeliest appliance was right or the reading a stray."""
    parts = []
    for number, tier in ((number, tier) for tier in TIERS for number in range(books)):
        kept: dict[int, pd.DataFrame] = {}

        def keep(case: Case, belief: Belief | None, visits: Visits, kept: dict[int, Any] = kept) -> dict[str, Any]:
            if belief is not None:
                found = doubts(belief, visits)
                kept |= {int(row): found.iloc[place] for place, row in enumerate(case.session.rows)}
            return session_rows(case, belief, visits)

        rng = np.random.default_rng([seed, TIERS.index(tier), number])
        book = simulate_book(rng, draw_style(rng, tier))
        with mock.patch.object(reconcile.matching, "session_rows", keep):
            table = against_truth(book, match_book(book))
        doubted = pd.DataFrame(kept).T.sort_index()
        parts.append(pd.concat([table, doubted], axis=1).assign(visit=table["true_appliance"], book=f"{tier} {number}"))
    found = pd.concat(parts, ignore_index=True)
    return found[found["far"].notna() & found["match_status"].isin(["auto", "review"])]


def lines(table: pd.DataFrame, name: str, edges: tuple[float, ...], wrong: pd.Series) -> list[str]:
    """The table of one kind of doubt."""
    found = [f"| doubt {name} | readings | visits | said | wrong |", "|---|---|---|---|---|"]
    for low, high in pairwise(edges):
        inside = (table[name] >= low) & (table[name] < high)
        if inside.any():
            visits = len(table[inside].groupby(["book", "visit"], dropna=False))
            said, held = table[name][inside].mean(), wrong[inside].mean()
            found.append(f"| {low:g} to {high:g} | {inside.sum():,} | {visits:,} | {said:.5f} | {held:.5f} |")
    return found


def main() -> None:
    """Both tables."""
    books = int(sys.argv[1]) if len(sys.argv) > 1 else 60
    table = drawn(books, int(sys.argv[2]) if len(sys.argv) > 2 else 9_500)
    asked_otherwise = (table["match_status"] == "review") & ~table["why"].str.startswith("label, time")
    real = table[table["visit"].notna() & (table["near"] < SMALL) & ~asked_otherwise]
    print("\n".join(lines(real, "far", FAR_EDGES, ~real["appliance_right"])), end="\n\n")
    print("\n".join(lines(table, "stray", STRAY_EDGES, table["visit"].isna())))


if __name__ == "__main__":
    main()
