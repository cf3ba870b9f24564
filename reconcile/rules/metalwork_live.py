"""Voltage on exposed metalwork."""

from __future__ import annotations

from collections.abc import Iterator

from reconcile.rule import Assessed, Remark, Rule
from reconcile.wording import title


def find(assessed: Assessed) -> Iterator[Remark]:
    """One remark for each metalwork test that indicated voltage."""
    for part in assessed.parts_with("metalwork", "live"):
        yield Remark(
            code="metalwork_live",
            message=f"The detector indicated voltage ({title(part.steps[0])}). Exposed metal may be at mains voltage.",
            action="Stop, do not touch the appliance or pipes near it, keep people away, tell the responsible "
            "person. Switch off at a point that can be reached without touching it. Refer to a competent "
            "electrician.",
            checks=(part.check,),
            reading_ids=part.reading_ids,
        )


RULE = Rule(
    codes=("metalwork_live",),
    about="a non-contact detector indicates voltage on exposed metalwork",
    source="common practice: exposed metalwork is tested before it is touched",
    effect="unsatisfactory",
    find=find,
)
