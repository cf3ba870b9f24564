"""Tests stamped closer together than they can be made."""

from __future__ import annotations

from collections.abc import Iterator

from reconcile.plausibility import find_too_fast
from reconcile.rule import Day, DayRemark, Remark, Rule


def find_in_day(day: Day) -> Iterator[DayRemark]:
    """A query for each run of tests that were made too fast."""
    for group in find_too_fast(day.numbers, day.pack):
        yield DayRemark(
            remark=Remark(
                code="reading_implausible",
                message=f"{len(group)} tests of one meter are stamped within a second of each other; each takes "
                "longer.",
                action="Compare with the memory of the meter, or test again.",
                reading_ids=tuple(group["reading_id"]),
                source=day.pack.limit("fastest_test").citation,
            )
        )


RULE = Rule(
    codes=("reading_implausible",),
    about="loop, insulation, continuity or RCD tests of one meter within a second",
    source="policy of the rule pack",
    effect="inconclusive",
    find_in_day=find_in_day,
)
