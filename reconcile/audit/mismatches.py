"""Recorded values that nothing in their place agrees with: each gets its most probable explanation."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from reconcile.audit.elsewhere import (
    Appliances,
    Found,
    Population,
    explain_elsewhere,
    find_elsewhere,
)
from reconcile.audit.explain import Beside, Explanation, choose, explain_in_place

RARE_INDICATION = 0.02
"""How often an indication is made up that no reading shows. Our own estimate."""


@dataclass(frozen=True, kw_only=True)
class Answer:
    """The verdict on one recorded value: its explanation, and how probable it is among those considered."""

    explanation: Explanation
    probability: float | None = None


@dataclass(frozen=True, kw_only=True)
class Known:
    """What the readings as a whole tell: numbers by quantity and pair, how common each indication is, who is near."""

    populations: Mapping[tuple[str, str], Population]
    indications: Mapping[tuple[str, str], float]
    appliances: Appliances


def explain_mismatches(rows: pd.DataFrame, pairs: pd.DataFrame, known: Known) -> dict[int, Answer]:
    """An answer for each of ``rows`` (part of the recorded values, their index kept) by its index.

    The values of one recorded appliance are weighed together: a whole row that was mixed up speaks for itself.
    """
    here: dict[int, list[Beside]] = defaultdict(list)
    for pair in pairs[pairs["row"].isin(rows.index)].to_dict("records"):
        here[int(pair["row"])].append(_beside(pair))
    answers: dict[int, Answer] = {}
    for _appliance, group in rows.groupby("appliance_id", sort=False):
        told = {int(number): row for number, row in zip(group.index, group.to_dict("records"), strict=True)}
        found = {number: _find(row, known) for number, row in told.items()}
        for number, row in told.items():
            others = [other for name, other in found.items() if name != number and other is not None]
            answers[number] = _explain(row, here[number], found[number], others, known)
    return answers


def _beside(pair: Mapping[Any, Any]) -> Beside:
    return Beside(
        place=int(pair["place"]),
        relation=str(pair["relation"]),
        value=float(pair["value_read"]),
        step_size=float(pair["step_size_read"]),
        governs=bool(pair["governs"]),
        same_day=bool(pair["same_day"]),
    )


def _find(row: Mapping[Any, Any], known: Known) -> Found | None:
    """Where else a number is found; nothing for an indication, or for a quantity that no reading has."""
    population = known.populations.get((row["quantity"], row["conductors"] or "*"))
    if population is None or pd.isna(row["value"]):
        return None
    own = known.appliances.codes.get(row["appliance_id"], -1)
    return find_elsewhere(float(row["value"]), float(row["step_size"]), row["comparator"], population, own)


def _explain(
    row: Mapping[Any, Any], here: list[Beside], mine: Found | None, others: Iterable[Found], known: Known
) -> Answer:
    explanations = explain_in_place(float(row["value"]), float(row["step_size"]), here)
    made_up = known.indications.get((row["quantity"], row["indication"]), RARE_INDICATION)
    if mine is not None:
        own = known.appliances.codes.get(row["appliance_id"], -1)
        day = known.appliances.days[own] if pd.isna(row["day"]) and own >= 0 else np.datetime64(row["day"], "ns")
        explanations += explain_elsewhere(mine, list(others), known.appliances, own, day)
        made_up = mine.made_up
    best, probability = choose(explanations, made_up)
    if best.place is None and here:
        # Nothing explains the value; the reader is shown the reading that it should have been.
        stands = next((beside for beside in here if beside.governs and beside.same_day), here[0])
        best = replace(best, place=stands.place)
    return Answer(explanation=best, probability=probability)
