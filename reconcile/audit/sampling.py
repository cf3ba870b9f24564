"""Which certificates to check by hand, and what is known when all of them, or all but a few, are found right."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from random import Random

from scipy.stats import binom, hypergeom

from reconcile.audit.published_plans import find_published_plan
from schemas.errors import InputError


@dataclass(frozen=True, kw_only=True)
class Plan:
    """How many of ``population`` to draw, how many wrong ones may be among them, and what follows where no more are:
    with at least ``confidence`` fewer than ``tolerable`` of the population are wrong.
    """

    population: int
    draw: int
    accept: int
    tolerable: int
    confidence: float


def acceptance_probability(*, population: int, wrong: int, draw: int, accept: int) -> float:
    """The probability that at most ``accept`` of ``draw`` are wrong where ``wrong`` of ``population`` are.

    Source: hypergeometric distribution, drawing without replacement.
    """
    return float(hypergeom.cdf(accept, population, wrong, draw))


def plan_sample(*, population: int, tolerable: int, confidence: float = 0.95, accept: int = 0) -> Plan:
    """The smallest sample that shows, with ``confidence``, fewer than ``tolerable`` wrong ones among ``population``.

    Raises InputError where no sample can: the numbers contradict each other.
    """
    if not (0 < tolerable <= population and 0 < confidence < 1 and 0 <= accept < tolerable):
        raise InputError(
            f"no sample of {population} shows with {confidence:.1%} fewer than {tolerable} wrong and accepts {accept}",
            advice="tolerate at least one more than you accept, at most all; confidence between 0 and 100 %",
        )
    low, high = accept + 1, population
    while low < high:
        middle = (low + high) // 2
        missed = acceptance_probability(population=population, wrong=tolerable, draw=middle, accept=accept)
        low, high = (low, middle) if missed <= 1 - confidence else (middle + 1, high)
    return Plan(population=population, draw=low, accept=accept, tolerable=tolerable, confidence=confidence)


def published_plan(*, population: int, aql: str = "1.0", level: str = "II", confidence: float = 0.95) -> Plan:
    """The single sampling plan of ISO 2859-1 for this many certificates, and what passing it shows.

    Raises InputError for an unknown ``aql`` [%] or ``level``. Source: see reconcile.audit.published_plans.
    """
    draw, accept = find_published_plan(population, aql=aql, level=level)
    if draw >= population:
        return Plan(population=population, draw=population, accept=accept, tolerable=accept + 1, confidence=1.0)
    wrong = accept + 1
    while acceptance_probability(population=population, wrong=wrong, draw=draw, accept=accept) > 1 - confidence:
        wrong += 1
    return Plan(population=population, draw=draw, accept=accept, tolerable=wrong, confidence=confidence)


def quality_passed(*, draw: int, accept: int, probability: float) -> float:
    """The share of wrong ones in a long series of which a sample passes with that probability.

    Source: binomial distribution, the usual model for a continuing series.
    """
    low, high = 0.0, 1.0
    for _round in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if float(binom.cdf(accept, draw, middle)) > probability else (low, middle)
    return low


def draw_sample(certificate_ids: Sequence[str], size: int, *, seed: str) -> list[str]:
    """``size`` of the certificates, each set of that size equally likely, in the order of the list.

    The same list and ``seed`` (any text; agree on it before the list is known) always give the same sample.
    """
    known = list(dict.fromkeys(certificate_ids))
    if not 0 <= size <= len(known):
        raise InputError(f"cannot draw {size} of {len(known)} certificates")
    ordered = sorted(known)
    chosen = set(Random(f"{seed}\n{len(ordered)}").sample(ordered, size))
    return [name for name in known if name in chosen]
