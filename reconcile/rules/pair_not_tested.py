"""Not every pair that must be tested has a usable reading."""

from __future__ import annotations

from collections.abc import Iterator

from reconcile.rule import Assessed, Remark, Rule
from reconcile.verdicts.assessment import Part
from reconcile.verdicts.dead import stale_steps
from reconcile.verdicts.supply import find_volts
from reconcile.wording import capital, show, title

ACTION = "Test the missing pairs; all three must be tested at one state of the supply."


def find(assessed: Assessed) -> Iterator[Remark]:
    """One remark for each group of pairs that is not complete."""
    for kind in ("triple", "dead"):
        for part in assessed.parts_with(kind, "pair missing", "not all again"):
            voltage = (
                ("supply_voltage",)
                if part.check == "supply_polarity" and assessed.case.of(part.steps[0]) is None
                else ()
            )
            yield remark(part, list_missing(assessed, part), (part.check, *voltage))
    for part in assessed.parts_with("continuity", "not to the case"):
        yield remark(part, "earth continuity was not measured to the exposed metal of the appliance", (part.check,))
    for part in assessed.parts_with("insulation", "pair missing"):
        yield remark(part, "insulation was not measured from both live conductors to earth", (part.check,))


def list_missing(assessed: Assessed, part: Part) -> str:
    """The pairs without a usable reading, or those not tested again since another was found live."""
    case = assessed.case
    if part.why == "not all again":
        return ", ".join(title(step) for step in stale_steps(case)) + " not tested again since another pair was live"
    missing = [step for step in part.steps[:3] if find_volts(case, case.of(step)) is None]
    return ", ".join(f"{title(step)}: {show(case.of(step))}" for step in missing)


def remark(part: Part, what: str, checks: tuple[str, ...]) -> Remark:
    """The remark for one group."""
    return Remark(
        code="pair_not_tested",
        message=f"{capital(what)}. A pair that was not tested may be live, or open.",
        action=ACTION,
        checks=checks,
        reading_ids=part.reading_ids,
    )


RULE = Rule(
    codes=("pair_not_tested",),
    about="a pair of a group that was tested has no usable reading",
    source="HSG85: all pairs (secondary)",
    effect="inconclusive",
    find=find,
)
