"""Two passing readings of one thing that differ by more than their uncertainties."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations
from math import sqrt
from typing import Final

from reconcile.case import Reading
from reconcile.rule import Assessed, Remark, Rule
from reconcile.uncertainty import estimate
from reconcile.verdicts import checks_of_step
from reconcile.wording import capital, show, title

STEADY: Final = ("earth_loop", "restored_loop", "earth_continuity")
"""Steps whose value does not change by itself; voltage and insulation do."""


def find(assessed: Assessed) -> Iterator[Remark]:
    """One remark for each steady step with two numbers further apart than the root sum of squares of their U."""
    case = assessed.case
    if case.says("connections_remade") == "yes":
        return
    for step in STEADY:
        verdicts = [assessed.verdicts[check] for check in checks_of_step(step)]
        if any(verdict.retest or verdict.outcome != "satisfactory" for verdict in verdicts):
            continue
        numbers = [reading for reading in case.valid(step) if reading.comparator == "eq"]
        far = [pair for pair in combinations(numbers, 2) if is_far(assessed, *pair)]
        if far:
            one, other = far[-1]
            yield Remark(
                code="readings_disagree",
                message=f"{capital(title(step))} was read as {show(one)} and as {show(other)}: further apart than "
                "the uncertainty of the meter. A connection may have been poor.",
                action="Clean the contacts and repeat until two readings agree.",
                checks=checks_of_step(step),
                reading_ids=(one.reading_id, other.reading_id),
                source="JCGM 100:2008 5.1.2, difference of two values",
                blocks=False,
            )


def is_far(assessed: Assessed, one: Reading, other: Reading) -> bool:
    """True where two readings between the same conductors differ by more than their expanded uncertainties allow."""
    if one.value is None or other.value is None or one.conductors != other.conductors:
        return False
    found = [estimate(reading, assessed.case.accuracies, assessed.case.pack) for reading in (one, other)]
    known = [one.expanded for one in found if one is not None]
    return len(known) == len(found) and abs(one.value - other.value) > sqrt(sum(u * u for u in known))


RULE = Rule(
    codes=("readings_disagree",),
    about="two readings of one loop or earth path further apart than their uncertainties",
    source="JCGM 100:2008 5.1.2, difference of two values (primary)",
    effect="none",
    find=find,
)
