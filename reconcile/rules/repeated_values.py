"""The same numbers throughout on two appliances."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from reconcile.plausibility import find_repeated
from reconcile.rule import Day, DayRemark, Remark, Rule

SHOWN: Final = 5


def find_in_day(day: Day) -> Iterator[DayRemark]:
    """A query for each group of appliances whose numbers are all the same."""
    for group in find_repeated(day.numbers, day.pack):
        appliances = sorted(set(group["appliance_id"]))
        names = ", ".join(appliances[:SHOWN]) + (
            f" and {len(appliances) - SHOWN} more" if len(appliances) > SHOWN else ""
        )
        yield DayRemark(
            remark=Remark(
                code="repeated_values",
                message=f"All numbers are the same on {names}. Measurements differ; numbers that were copied do not.",
                action="Compare with the memory of the meter, or test again.",
                reading_ids=tuple(group["reading_id"]),
                source=day.pack.limit("repeated_values").citation,
                blocks=False,
            )
        )


RULE = Rule(
    codes=("repeated_values",),
    about="two appliances with five or more numbers, all the same",
    source="policy of the rule pack",
    effect="none",
    find_in_day=find_in_day,
)
