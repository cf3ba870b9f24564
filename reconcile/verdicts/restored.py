"""The supply after the work: voltage and polarity again, and what else was tested again."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from reconcile.case import Case
from reconcile.verdicts.assessment import Part
from reconcile.verdicts.earth_loop import assess_loop
from reconcile.verdicts.seen import assess_metalwork
from reconcile.verdicts.supply import RESTORED, assess_polarity, assess_voltage

CHECK: Final = "supply_restored"


def assess_supply_restored(case: Case) -> Iterator[Part]:
    """The check ``supply_restored``; metalwork and loop count where they were measured again or are asked for."""
    yield assess_voltage(case, check=CHECK, step="restored_ln")
    yield assess_polarity(
        case, check=CHECK, steps=RESTORED, indication_step="restored_polarity", metalwork_step="restored_metalwork"
    )
    if case.of("restored_metalwork") is not None or case.needs_step("restored_metalwork"):
        yield assess_metalwork(case, check=CHECK, step="restored_metalwork")
    if case.of("restored_loop") is not None or case.needs_step("restored_loop"):
        yield assess_loop(case, check=CHECK, step="restored_loop")
