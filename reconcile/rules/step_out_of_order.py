"""A test that was done at the wrong time to show what it should."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from reconcile.case import Case, Reading
from reconcile.rule import Assessed, Remark, Rule
from reconcile.verdicts import checks_of_step
from reconcile.verdicts.dead import DEAD, came_first
from reconcile.verdicts.supply import RESTORED
from reconcile.wording import capital, title
from schemas.steps import STEPS

ISOLATION: Final = ("proof_before", *DEAD)
TOUCHING: Final = ("supply_ln", "supply_le", "supply_ne", "earth_loop")


def find(assessed: Assessed) -> Iterator[Remark]:
    """One remark for each step on the wrong side of another, and for each proof on the wrong side of the dead tests."""
    case = assessed.case
    for step, reading in sorted(case.chosen.items()):
        when = find_wrong_time(case, step, reading)
        if when is not None:
            yield remark(step, (reading.reading_id,), when)
    for part in assessed.parts_with("proof", "wrong order"):
        yield remark(part.steps[0], part.reading_ids, "on the wrong side of the dead tests", ("proved_dead",))


def find_wrong_time(case: Case, step: str, reading: Reading) -> str | None:
    """When the step was done instead of in its place; None where the order is right or cannot be known."""
    phase = STEPS[step].phase
    if phase == "dead" and any(is_before(case, other, reading) for other in RESTORED):
        return "after the supply was restored"
    if phase in ("dead", "restored"):
        return "before it was proved dead" if any(is_later(case, other, reading) for other in DEAD) else None
    if phase == "isolation":
        return None
    first = case.valid(step)[0]
    if step == "metalwork" and any(is_before(case, other, first) for other in TOUCHING):
        return "after tests for which the appliance is touched"
    return "after isolation" if any(is_before(case, other, first) for other in ISOLATION) else None


def is_before(case: Case, step: str, reading: Reading) -> bool:
    """True where the first reading of the step is known to be older than the reading."""
    found = case.valid(step)
    return bool(found) and came_first(reading, found[0]) is False


def is_later(case: Case, step: str, reading: Reading) -> bool:
    """True where the governing reading of the step is known to be younger than the reading."""
    found = case.of(step)
    return found is not None and came_first(found, reading) is False


def remark(step: str, reading_ids: tuple[str, ...], when: str, more: tuple[str, ...] = ()) -> Remark:
    """The remark for one step."""
    return Remark(
        code="step_out_of_order",
        message=f"{capital(title(step))} was recorded {when}: at that time it cannot show what it should.",
        action="Repeat the step in its place, or correct the time in the record if the clock was wrong.",
        checks=(*checks_of_step(step), *more),
        reading_ids=reading_ids,
    )


RULE = Rule(
    codes=("step_out_of_order",),
    about="a step on the wrong side of isolation, of the dead tests or of touching the metalwork",
    source="order of safe isolation, HSG85 (secondary)",
    effect="inconclusive",
    find=find,
)
