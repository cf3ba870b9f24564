"""An RCD that did not trip."""

from __future__ import annotations

from collections.abc import Iterator

from reconcile.rule import Assessed, Remark, Rule
from reconcile.wording import show


def find(assessed: Assessed) -> Iterator[Remark]:
    """One remark for each test at which the RCD did not trip within the longest time allowed."""
    for part in assessed.parts_with("rcd", "no trip"):
        yield Remark(
            code="rcd_no_trip",
            message=f"The RCD did not trip ({show(part.reading)}). It gives no protection, or it was not the one "
            "tested.",
            action="Make sure that the RCD tested is the one that feeds the appliance, and repeat. If it stays, "
            "tell the responsible person and refer to a competent electrician.",
            checks=("rcd",),
            reading_ids=part.reading_ids,
            source=part.limit_source or "",
        )


RULE = Rule(
    codes=("rcd_no_trip",),
    about="no trip within the limit at the rated current or more",
    source="BS EN 61008-1 Table 1 (secondary)",
    effect="unsatisfactory",
    find=find,
)
