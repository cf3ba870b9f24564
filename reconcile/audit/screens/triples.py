"""Repeated triples: the same three supply voltages at several sites, on different days.

A triple is judged by its own rarity: how often its L-N voltage, its difference L-E to L-N and its N-E voltage occur
among all triples. Days are counted once, because neighbours on one supply share their voltage honestly.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np
import pandas as pd
from scipy.stats import binom

from reconcile.audit.screens.row import ScreenRow, shown_ids

STEPS: Final = {"supply_ln": "ln", "supply_le": "le", "supply_ne": "ne"}
ENOUGH: Final = 20
FEWEST: Final = 3
"""Days on which a triple stands before it is more than a coincidence of two."""


def screen_triples(values: pd.DataFrame) -> Iterator[ScreenRow]:
    """One test for each engineer: the triple that is repeated most surprisingly.

    ``values``: reading_id, engineer, appliance_id, site, day, step, value, resolution. The p-value is corrected for
    the number of different triples of the engineer.
    """
    part = values[values["step"].isin(list(STEPS))]
    wide = part.pivot_table(
        index=["engineer", "appliance_id", "site", "day"], columns="step", values="value", aggfunc="last"
    )
    if set(STEPS) - set(wide.columns):
        return
    triples = wide[list(STEPS)].dropna().rename(columns=STEPS).reset_index()
    triples["difference"] = (triples["le"] - triples["ln"]).round(6)
    rarity = np.ones(len(triples))
    for column in ("ln", "difference", "ne"):
        counts = triples[column].map(triples[column].value_counts())
        rarity *= (counts + 1) / (len(triples) + triples[column].nunique())
    triples["rarity"] = rarity
    spoken = triples[["ln", "le", "ne"]].map(lambda volt: f"{volt:g}")
    named = triples.assign(triple=spoken["ln"] + ", " + spoken["le"] + ", " + spoken["ne"])
    for engineer, group in named.groupby("engineer", sort=True):
        once = group.drop_duplicates(["triple", "day"]).drop_duplicates(["triple", "site"])
        if len(once) >= ENOUGH:
            yield _most_surprising(str(engineer), once, part)


def _most_surprising(engineer: str, once: pd.DataFrame, part: pd.DataFrame) -> ScreenRow:
    seen = once.groupby("triple").agg(times=("rarity", "size"), rarity=("rarity", "max"))
    # The first sight of a triple is no coincidence: only the others are counted against its rarity.
    seen["p"] = binom.sf(seen["times"] - 2, len(once) - 1, seen["rarity"])
    best = seen.sort_values(["p", "times"], ascending=[True, False]).iloc[0]
    triple = str(best.name)
    appliances = once.loc[once["triple"] == triple, "appliance_id"]
    return ScreenRow(
        screen="repeated triple",
        subject=engineer,
        quantity="voltage",
        count=len(once),
        statistic_name="sites and days with the same triple",
        statistic=float(best["times"]),
        p_value=float(min(1.0, best["p"] * len(seen))),
        large=bool(best["times"] >= FEWEST),
        reading_ids=shown_ids(part.loc[part["appliance_id"].isin(appliances), "reading_id"]),
        message=f"L-N, L-E, N-E = {triple} V at {' '.join(appliances[:6])}",
    )
