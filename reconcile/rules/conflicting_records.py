"""Records of one meter that cannot both be true."""

from __future__ import annotations

from collections.abc import Iterator

from reconcile.rule import Day, DayRemark, Remark, Rule


def find_in_day(day: Day) -> Iterator[DayRemark]:
    """A query for each memory place that was received with different contents; neither is chosen."""
    for _, group in day.brief.conflicts.groupby("conflict_id", sort=True):
        yield DayRemark(
            remark=Remark(
                code="readings_disagree",
                message=f"{len(group)} readings claim the same memory place, time and quantity of one meter and "
                "differ. Neither is chosen.",
                action="Read the meter's memory again, or test again.",
                reading_ids=tuple(sorted(group["reading_id"])),
                source="evidence store of this book",
            )
        )


RULE = Rule(
    codes=("readings_disagree",),
    about="one memory place received with different contents",
    source="evidence store of this book",
    effect="inconclusive",
    find_in_day=find_in_day,
)
