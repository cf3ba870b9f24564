"""No loop limit because the protective device is not known or not tabulated."""

from __future__ import annotations

from collections.abc import Iterator

from reconcile.rule import Assessed, Remark, Rule
from reconcile.wording import capital, show, title


def find(assessed: Assessed) -> Iterator[Remark]:
    """One remark where a loop was measured and the device gives no limit."""
    appliance = assessed.case.appliance
    for part in assessed.parts_with("loop", "device unknown", "device not tabulated"):
        if part.why == "device unknown":
            why = "the protective device or its rating is not recorded"
        else:
            why = f"there is no tabulated limit for {appliance.device} at {appliance.device_rating_a:g} A"
        yield Remark(
            code="device_unknown",
            message=f"{capital(title(part.steps[0]))}: {show(part.reading)}, but {why}, so there is no limit to hold "
            "it against.",
            action="Read type and rating off the fuse or circuit breaker that feeds the appliance and put them into "
            "the job list.",
            checks=(part.check,),
            reading_ids=part.reading_ids,
        )


RULE = Rule(
    codes=("device_unknown",),
    about="a loop reading on TN with no known or tabulated protective device",
    source="BS 7671 Tables 41.2 to 41.4",
    effect="inconclusive",
    find=find,
)
