"""How sure the governing reading of a part is: expanded uncertainty and probability of keeping its limits."""

from __future__ import annotations

from dataclasses import dataclass

from reconcile.case import Case
from reconcile.uncertainty import conforming, estimate
from reconcile.verdicts.assessment import Part


@dataclass(frozen=True, kw_only=True, slots=True)
class Certainty:
    """Expanded uncertainty [unit of the reading] with its coverage factor, and the probability of conforming."""

    expanded: float
    k: float
    probability: float


def has_limits(part: Part) -> bool:
    """True where the part holds a reading against a limit."""
    return part.reading is not None and (part.low is not None or part.high is not None)


def certainty(case: Case, part: Part) -> Certainty | None:
    """The certainty of the part's reading; None without a number, a limit or a specification of the meter."""
    if part.reading is None or not has_limits(part):
        return None
    found = estimate(part.reading, case.accuracies, case.pack)
    if found is None or part.reading.value is None:
        return None
    probability = conforming(part.reading.value, found.u, low=part.limit_low, high=part.limit_high)
    return Certainty(expanded=found.expanded, k=found.k, probability=probability)
