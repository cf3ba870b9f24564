"""Readings of a meter that was not shown to be in calibration on the day."""

from __future__ import annotations

from collections.abc import Iterator

from reconcile.meter_remarks import remark_meters
from reconcile.rule import Assessed, Remark, Rule


def find(assessed: Assessed) -> Iterator[Remark]:
    """One remark for each meter and state of its calibration that is not good."""
    action = (
        "Have the meter calibrated and test again; a calibration that finds it within its specification may be "
        "recorded."
    )
    yield from remark_meters(
        assessed,
        state="expired",
        code="meter_out_of_calibration",
        action=action,
        message="Meter {meter} was out of calibration on the day of the test.",
    )
    yield from remark_meters(
        assessed,
        state="unknown",
        code="meter_out_of_calibration",
        message="Meter {meter} was not shown to be in calibration: its dates or the day of the test are not known.",
        action="Put the day of calibration into the register, or find out the day of the test.",
    )


RULE = Rule(
    codes=("meter_out_of_calibration",),
    about="a governing number of a meter that was not in calibration on the day",
    source="twelve months between calibrations where no due day is given (common practice)",
    effect="inconclusive",
    find=find,
)
