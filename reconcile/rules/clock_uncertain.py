"""The time of a test cannot be known."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from reconcile.rule import Assessed, Day, DayRemark, Remark, Rule
from reconcile.wording import capital, title

ACTION = "Set the meter's clock, and say when the tests were made; a decision about the clock is kept with the record."

UNKNOWN: Final = {"order unknown": "on which side of", "time unknown": "how long before or after"}


def find(assessed: Assessed) -> Iterator[Remark]:
    """A remark for each proof whose order to the dead tests, or time from them, cannot be known."""
    for part in assessed.parts_with("proof", *UNKNOWN):
        yield Remark(
            code="clock_uncertain",
            message=f"{capital(title(part.steps[0]))}: it cannot be known {UNKNOWN[part.why]} the dead tests it was "
            "made.",
            action=ACTION,
            checks=(part.check, "proved_dead"),
            reading_ids=part.reading_ids,
        )


def find_in_day(day: Day) -> Iterator[DayRemark]:
    """A remark for each run of records whose clock is not known; it blocks nothing: order and day may be known."""
    clocks = day.brief.clocks
    for row in clocks[clocks["state"] == "uncertain"].itertuples(index=False):
        yield DayRemark(
            remark=Remark(
                code="clock_uncertain",
                message=str(row.message),
                action=ACTION,
                blocks=False,
                reading_ids=tuple(str(row.reading_ids).split()),
                source="clocks of the meters, as compared with the job list",
            )
        )


RULE = Rule(
    codes=("clock_uncertain",),
    about="the time of readings cannot be known, or not the order and time of a proof to the dead tests",
    source="clocks of the meters, as compared with the job list",
    effect="inconclusive",
    find=find,
    find_in_day=find_in_day,
)
