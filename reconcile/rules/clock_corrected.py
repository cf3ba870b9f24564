"""The meter's clock was wrong by an amount that could be worked out."""

from __future__ import annotations

from collections.abc import Iterator

from reconcile.rule import Day, DayRemark, Remark, Rule


def find_in_day(day: Day) -> Iterator[DayRemark]:
    """A note for each run of records whose times were corrected."""
    clocks = day.brief.clocks
    for row in clocks[clocks["state"] == "corrected"].itertuples(index=False):
        yield DayRemark(
            remark=Remark(
                code="clock_corrected",
                message=str(row.message),
                action="Set the meter's clock.",
                blocks=False,
                reading_ids=tuple(str(row.reading_ids).split()),
                source="clocks of the meters, as compared with the job list",
            )
        )


RULE = Rule(
    codes=("clock_corrected",),
    about="times were corrected by the offset of the meter's clock",
    source="clocks of the meters, as compared with the job list",
    effect="none",
    find_in_day=find_in_day,
)
