"""Readings of a meter that nobody registered."""

from __future__ import annotations

from collections.abc import Iterator

from reconcile.meter_remarks import remark_meters
from reconcile.rule import Assessed, Remark, Rule


def find(assessed: Assessed) -> Iterator[Remark]:
    """One remark for each meter that is not in the register."""
    yield from remark_meters(
        assessed,
        state="not registered",
        code="meter_not_registered",
        message="Meter {meter} is not in the register: neither its calibration nor its accuracy is known.",
        action="Put the meter into the register with its calibration and accuracy, or test again with one that is.",
    )


RULE = Rule(
    codes=("meter_not_registered",),
    about="a governing reading of a meter that is not in the register",
    source="common practice",
    effect="inconclusive",
    find=find,
)
