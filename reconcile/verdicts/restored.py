"""The supply after the work: voltage and polarity again, and what else was tested again."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from reconcile.case import Case
from reconcile.verdicts.assessment import Part
from reconcile.verdicts.compare import compare
from reconcile.verdicts.earth_loop import assess_loop
from reconcile.verdicts.seen import assess_metalwork
from reconcile.verdicts.supply import RESTORED, assess_polarity, assess_voltage

CHECK: Final = "supply_restored"


def assess_load(case: Case) -> Part:
    """The current that the appliance draws, against the fuse that was seen: no check asks for it, but it must fit."""
    reading, fitted_a = case.of("load_current"), case.says_number("fuse_rating_a")
    too_much = reading is not None and fitted_a is not None and compare(reading, high=fitted_a) == "fails"
    return Part(
        check=CHECK,
        kind="load",
        steps=("load_current",),
        reading=reading,
        reading_ids=case.ids("load_current"),
        outcome="inconclusive" if too_much else "satisfactory",
        why="above the fuse" if too_much else "",
    )


def assess_supply_restored(case: Case) -> Iterator[Part]:
    """The check ``supply_restored``; metalwork and loop count where they were measured again or are asked for."""
    yield assess_voltage(case, check=CHECK, step="restored_ln")
    yield assess_polarity(
        case, check=CHECK, steps=RESTORED, indication_step="restored_polarity", metalwork_step="restored_metalwork"
    )
    if case.of("load_current") is not None:
        yield assess_load(case)
    if case.of("restored_metalwork") is not None or case.needs_step("restored_metalwork"):
        yield assess_metalwork(case, check=CHECK, step="restored_metalwork")
    if case.of("restored_loop") is not None or case.needs_step("restored_loop"):
        yield assess_loop(case, check=CHECK, step="restored_loop")
