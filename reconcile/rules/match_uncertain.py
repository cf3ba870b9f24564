"""A reading that may belong here waits for a person."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator

from reconcile.case import Reading
from reconcile.rule import Assessed, Remark, Rule
from reconcile.verdicts import checks_of_reading
from reconcile.wording import quantity_title, show


def find(assessed: Assessed) -> Iterator[Remark]:
    """One remark for each check that an undecided reading could belong to."""
    waiting: dict[tuple[str, ...], list[Reading]] = defaultdict(list)
    for reading in assessed.case.uncertain:
        waiting[checks_of_reading(reading)].append(reading)
    for checks, readings in sorted(waiting.items()):
        shown = ", ".join(f"{quantity_title(reading.quantity)} {show(reading)}" for reading in readings)
        yield Remark(
            code="match_uncertain",
            message=f"May belong to this appliance, but that is not settled: {shown}. It is not used until a person "
            "has decided.",
            action="Answer the open question about these readings.",
            checks=checks,
            reading_ids=tuple(reading.reading_id for reading in readings),
        )


RULE = Rule(
    codes=("match_uncertain",),
    about="a reading that may belong to this appliance waits for a decision",
    source="the matcher of this program",
    effect="inconclusive",
    find=find,
)
