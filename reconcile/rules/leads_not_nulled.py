"""Continuity readings of a day that all carry the resistance of the test leads."""

from __future__ import annotations

from collections.abc import Iterator

from reconcile.plausibility import find_not_nulled
from reconcile.rule import Day, DayRemark, Remark, Rule
from reconcile.wording import show_value


def find_in_day(day: Day) -> Iterator[DayRemark]:
    """A query for each meter and day with nearly the same large continuity reading everywhere."""
    for group in find_not_nulled(day.numbers, day.pack):
        low, high = (show_value(float(value), "Ohm") for value in (group["value"].min(), group["value"].max()))
        yield DayRemark(
            remark=Remark(
                code="leads_not_nulled",
                message=f"All {len(group)} continuity readings of this meter and day lie between {low} and {high}: "
                "they may carry the resistance of the test leads.",
                action="Null the leads and repeat.",
                reading_ids=tuple(group["reading_id"]),
                source=day.pack.limit("lead_offset").citation,
                blocks=False,
            )
        )


RULE = Rule(
    codes=("leads_not_nulled",),
    about="continuity readings on three or more appliances, all at least 0.2 ohm and within 0.05 ohm",
    source="policy of the rule pack",
    effect="none",
    find_in_day=find_in_day,
)
