"""Too much voltage between neutral and earth on a supply of the right pattern."""

from __future__ import annotations

from collections.abc import Iterator

from reconcile.rule import Assessed, Remark, Rule
from reconcile.wording import show, show_limit


def find(assessed: Assessed) -> Iterator[Remark]:
    """One remark for each triple whose N-E is above its limit."""
    for part in assessed.parts_with("triple", "neutral high"):
        yield Remark(
            code="neutral_earth_voltage_high",
            message=f"Neutral to earth {show(part.reading)}, above {show_limit(part.limit_high, 'V')}. It can mean a "
            "poor or shared neutral, a poor earth, or a heavy load on a long cable.",
            action="Repeat with the load off. If it stays, tell the responsible person and refer to a competent "
            "electrician.",
            checks=(part.check,),
            reading_ids=part.reading_ids,
            source=part.limit_source or "",
        )


RULE = Rule(
    codes=("neutral_earth_voltage_high",),
    about="N-E above 15 V on a live supply",
    source="habit of the gas trade, no standard gives a figure (common practice)",
    effect="unsatisfactory",
    find=find,
)
