"""The tables of README about matching: python tests/reconcile_matching/score_table.py [BOOKS] [SEED]. Prints Markdown.

Days are drawn from a seed that no choice of the matcher was made with; the same numbers give the same tables.
"""

from __future__ import annotations

import sys
from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).parents[2]))

from tests.reconcile_matching.scored import against_truth, match_book, score
from tests.reconcile_matching.simulated_days import TIERS, draw_style, simulate_book

EDGES = (0.0, 0.5, 0.7, 0.9, 0.95, 0.98, 0.99, 0.995, 0.999, 1.0000001)
LIVE_OR_DEAD = ("supply", "dead", "restored")


def scored_tier(tier: str, books: int, seed: int) -> pd.DataFrame:
    """One row a reading of that many books of a tier (see ``against_truth``)."""
    parts = []
    for number in range(books):
        rng = np.random.default_rng([seed, TIERS.index(tier), number])
        book = simulate_book(rng, draw_style(rng, tier))
        parts.append(against_truth(book, match_book(book)))
    return pd.concat(parts, ignore_index=True)


def phase(steps: pd.Series) -> pd.Series:
    """``supply``, ``dead`` or ``restored`` for steps of the voltage triples, else nothing."""
    first = steps.astype("str").str.split("_").str[0]
    pairs = steps.astype("str").str.contains("_l[ne]$|_ne$", regex=True, na=False)
    return first.where(first.isin(LIVE_OR_DEAD) & pairs)


def tier_row(tier: str, table: pd.DataFrame) -> str:
    """One line of the table of tiers."""
    found = score(table)
    auto = table[(table["match_status"] == "auto") & table["appliance_right"]]
    voltages = auto[phase(auto["true_step"]).notna()]
    confused = (phase(voltages["step"]) != phase(voltages["true_step"])).sum() / max(len(auto), 1)
    return (
        f"| {tier} | {found.readings:,} | {found.auto:.1%} | {found.auto_told_apart:.1%} "
        f"| {found.wrong_among_auto:.2%} | {found.top_right:.1%} "
        f"| {found.job_right:.1%} | {found.brier:.3f} | {confused:.2%} |"
    ).replace("%", " %")


def reliability(table: pd.DataFrame) -> list[str]:
    """Lines of the reliability table: what was said, and how often it was right."""
    lines = ["| confidence | readings | said | right |", "|---|---|---|---|"]
    for low, high in pairwise(EDGES):
        inside = table[(table["match_confidence"] >= low) & (table["match_confidence"] < high)]
        if len(inside):
            said, right = inside["match_confidence"].mean(), inside["appliance_right"].mean()
            lines.append(f"| {low:g} to {min(high, 1.0):g} | {len(inside):,} | {said:.4f} | {right:.4f} |")
    return lines


def main() -> None:
    """Both tables, for all tiers."""
    books = int(sys.argv[1]) if len(sys.argv) > 1 else 20
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 9_100
    print(
        "| tier | readings | decided automatically | of those told apart | wrong among the decided "
        "| top choice right | job right | Brier | supply/dead/restored confused |"
    )
    print("|---|---|---|---|---|---|---|---|---|")
    tables = []
    for tier in TIERS:
        tables.append(scored_tier(tier, books, seed))
        print(tier_row(tier, tables[-1]), flush=True)
    print(tier_row("all four", pd.concat(tables, ignore_index=True)))
    print("\n" + "\n".join(reliability(pd.concat(tables, ignore_index=True))))


if __name__ == "__main__":
    main()
