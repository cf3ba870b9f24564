"""Readings and statements that are not of this visit: what was measured or seen on another day shows nothing today."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from statistics import median_low
from typing import Final

from reconcile.case import Case
from reconcile.rule import Assessed, Remark, Rule
from reconcile.verdicts import STATED_FOR, checks_of_step
from reconcile.wording import capital, title

NS_PER_HOUR: Final = 3_600_000_000_000


def find(assessed: Assessed) -> Iterator[Remark]:
    """One remark for each governing reading outside the visit, and for each statement made before it."""
    case = assessed.case
    begin, end = visit(case)
    source = case.pack.limit("visit_margin").citation
    moved = moved_readings(case)
    for step, reading in sorted(case.chosen.items()):
        taken = reading.taken_at_ns
        if reading.reading_id in moved or (taken is not None and not begin <= taken <= end):
            yield Remark(
                code="step_out_of_order",
                message=f"{capital(title(step))} was recorded on another day than this visit: it shows nothing about "
                "it.",
                action="Test again, or correct the day of the visit or of the record if one of them is wrong.",
                checks=checks_of_step(step),
                reading_ids=(reading.reading_id,),
                source=source,
            )
    for item, rows in sorted(case.attested.items()):
        stated = rows[-1].attested_at_ns
        if stated is not None and stated < begin:
            yield Remark(
                code="step_out_of_order",
                message=f"{capital(item.replace('_', ' '))} was stated before this visit: it shows nothing about it.",
                action="State it again for this visit.",
                checks=STATED_FOR[item],
                source=source,
            )


def moved_readings(case: Case) -> set[str]:
    """The governing readings that the meter's own clock puts on another day than the others of the same meter.

    A clock that is wrong is wrong by one amount for all of a visit; a reading that had to be moved by half a day more
    or less than the others was made on another day, or the clock was set between them.
    """
    offsets: dict[str | None, dict[str, int]] = defaultdict(dict)
    for reading in case.chosen.values():
        if reading.taken_at_ns is not None and reading.meter_time_ns is not None:
            offsets[reading.meter_serial][reading.reading_id] = reading.meter_time_ns - reading.taken_at_ns
    margin = case.pack.number("visit_margin") * NS_PER_HOUR
    return {
        reading_id
        for of_meter in offsets.values()
        for reading_id, offset in of_meter.items()
        if abs(offset - median_low(of_meter.values())) >= margin
    }


def visit(case: Case) -> tuple[float, float]:
    """Earliest and latest moment of the visit [ns since 1970], as far as job list and readings tell."""
    appliance, pack = case.appliance, case.pack
    margin = pack.number("visit_margin") * NS_PER_HOUR
    longest = pack.number("visit_longest") * NS_PER_HOUR
    arrived, left = appliance.arrived_at_ns, appliance.left_at_ns
    times = [reading.taken_at_ns for reading in case.chosen.values() if reading.taken_at_ns is not None]
    if arrived is None:
        last = max(times, default=0) if left is None else left
        return last - longest, last + (0 if left is None else margin)
    return arrived - margin, arrived + longest if left is None else left + margin


RULE = Rule(
    codes=("step_out_of_order",),
    about="a reading or statement of another day than the visit",
    source="policy of the rule pack",
    effect="inconclusive",
    find=find,
)
