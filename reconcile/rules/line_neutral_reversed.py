"""Line and neutral are swapped."""

from __future__ import annotations

from collections.abc import Iterator

from reconcile.polarity_remarks import remark_fault
from reconcile.rule import Assessed, Remark, Rule


def find(assessed: Assessed) -> Iterator[Remark]:
    """One remark where L-E shows nothing while N-E shows the supply, or the meter indicated reversed polarity."""
    yield from remark_fault(
        assessed,
        kind="triple",
        code="line_neutral_reversed",
        meaning="Switch and fuse sit in the neutral: parts inside stay live when it is switched off.",
        action="Do not work on the appliance. Isolate at a point that opens both conductors and tell the "
        "responsible person. Refer to a competent electrician.",
    )


RULE = Rule(
    codes=("line_neutral_reversed",),
    about="on a live supply L-E shows nothing while N-E shows the supply",
    source="circuit reasoning on three voltage pairs, common practice",
    effect="unsatisfactory",
    find=find,
)
