"""The earth path of the appliance fails."""

from __future__ import annotations

from collections.abc import Iterator

from reconcile.rule import Assessed, Remark, Rule
from reconcile.wording import show, show_limit


def find(assessed: Assessed) -> Iterator[Remark]:
    """One remark where the resistance from case to earth is above what any source accepts."""
    limit = assessed.case.pack.limit("continuity_fail")
    for part in assessed.parts_with("continuity", "high"):
        yield Remark(
            code="earth_continuity_high",
            message=f"Case to earth {show(part.reading)}, above {show_limit(limit.value, 'Ohm')}. A fault to the "
            "case may not be cut off.",
            action="Null the leads, clean the test point, remake the connections, repeat. If it stays, do not use "
            "the appliance and tell the responsible person.",
            checks=("earth_continuity",),
            reading_ids=part.reading_ids,
            source=limit.citation,
        )


RULE = Rule(
    codes=("earth_continuity_high",),
    about="case to earth above 1 ohm, or over range",
    source="gas trade (common practice)",
    effect="unsatisfactory",
    find=find,
)
