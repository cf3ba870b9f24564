"""What most probably happened to a recorded value that is not what the instrument said in its place.

Every kind of slip is a hypothesis: how often it happens (``PRIORS``) times how likely it gives just this value.
The rival is always a value out of thin air, which gives this value as often as values like it occur among all
readings of the quantity: a value that is found at every tenth appliance proves little by being found at another one.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from reconcile.audit.digits import SLIP_WEIGHTS, count_exchanges, find_slip
from schemas.audit import AGREEING

PRIORS: Final[dict[str, float]] = {
    "qualifier lost": 0.15,
    "qualifier added": 0.03,
    "superseded by a retest": 0.15,
    "digits transposed": 0.15,
    "unit or decimal slip": 0.15,
    "another date": 0.1,
    "another appliance": 0.17,
    "no instrument evidence": 0.1,
}
"""How often each kind happens among errors. Our own estimate, wide on purpose: a factor of two changes few verdicts."""


@dataclass(frozen=True, kw_only=True)
class Explanation:
    """One way a recorded value can have come about: ``place`` of the reading that it came from, none for thin air.

    ``chance``: how likely a made-up value would have found such an explanation too, where that is known.
    """

    verdict: str
    weight: float
    place: int | None = None
    note: str | None = None
    chance: float | None = None


@dataclass(frozen=True, kw_only=True)
class Beside:
    """One reading of the same appliance, quantity and pair: which, how the recorded value relates to it, whether no
    later reading replaced it, and whether it is of the day that the record claims.
    """

    place: int
    relation: str
    value: float
    step_size: float
    governs: bool
    same_day: bool


def explain_in_place(value: float, step: float, here: Sequence[Beside]) -> list[Explanation]:
    """Explanations of a recorded value by the readings of the same appliance, quantity and pair."""
    earlier = sum(not beside.governs for beside in here) or 1
    other_day = sum(not beside.same_day for beside in here) or 1
    found: list[Explanation] = []
    for beside in here:
        agrees = beside.relation in AGREEING
        if not beside.same_day:
            found += [weighed("another date", 1 / other_day, beside.place)] if agrees else []
        elif beside.relation in ("qualifier lost", "qualifier added"):
            found.append(weighed(beside.relation, 1.0, beside.place))
        elif agrees and not beside.governs:
            found.append(weighed("superseded by a retest", 1 / earlier, beside.place))
        elif beside.governs:
            found += _explain_digits(value, step, beside)
    return found


def _explain_digits(value: float, step: float, beside: Beside) -> list[Explanation]:
    if np.isnan([value, step, beside.value, beside.step_size]).any():
        return []
    slip = find_slip(value, step, beside.value, beside.step_size)
    if slip is not None:
        note = f"the record has 10^{slip} times the reading"
        return [weighed("unit or decimal slip", SLIP_WEIGHTS[slip], beside.place, note=note)]
    ways = count_exchanges(value, step, beside.value, beside.step_size)
    return [weighed("digits transposed", 1 / ways, beside.place)] if ways else []


def choose(explanations: Iterable[Explanation], made_up: float) -> tuple[Explanation, float]:
    """The most probable explanation and its probability; one verdict may rest on several readings."""
    every = [*explanations, weighed("no instrument evidence", made_up, None)]
    total = sum(one.weight for one in every)
    by_verdict: dict[str, float] = defaultdict(float)
    for one in every:
        by_verdict[one.verdict] += one.weight
    verdict = max(by_verdict, key=lambda name: by_verdict[name])
    best = max((one for one in every if one.verdict == verdict), key=lambda one: one.weight)
    return best, by_verdict[verdict] / total


def weighed(
    verdict: str, likelihood: float, place: int | None, *, note: str | None = None, chance: float | None = None
) -> Explanation:
    """An explanation with its prior in its weight."""
    return Explanation(verdict=verdict, weight=PRIORS[verdict] * likelihood, place=place, note=note, chance=chance)
