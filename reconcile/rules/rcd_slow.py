"""An RCD that trips too late."""

from __future__ import annotations

from collections.abc import Iterator

from reconcile.rule import Assessed, Remark, Rule
from reconcile.wording import show, show_limit


def find(assessed: Assessed) -> Iterator[Remark]:
    """One remark for each trip time above its limit."""
    delayed = assessed.case.pack.limit("rcd_delayed")
    for part in assessed.parts_with("rcd", "slow"):
        yield Remark(
            code="rcd_slow",
            message=f"RCD trip time {show(part.reading)}, limit {show_limit(part.limit_high, 's')}. A time-delayed "
            f"RCD may take up to {show_limit(delayed.value, 's')}; the job list does not say that it is one.",
            action="Operate the RCD a few times and repeat. If it stays, tell the responsible person and refer to a "
            "competent electrician.",
            checks=("rcd",),
            reading_ids=part.reading_ids,
            source=part.limit_source or "",
        )


RULE = Rule(
    codes=("rcd_slow",),
    about="trip time above the limit at its test current",
    source="BS EN 61008-1 Table 1 (secondary)",
    effect="unsatisfactory",
    find=find,
)
