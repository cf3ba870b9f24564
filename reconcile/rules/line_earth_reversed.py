"""Line and earth are swapped, or nothing speaks against it."""

from __future__ import annotations

from collections.abc import Iterator

from reconcile.polarity_remarks import remark_fault
from reconcile.rule import Assessed, Remark, Rule


def find(assessed: Assessed) -> Iterator[Remark]:
    """One remark where the live pairs show no L-N and the supply on L-E and N-E, and metalwork was not shown clear."""
    yield from remark_fault(
        assessed,
        kind="triple",
        code="line_earth_reversed",
        meaning="Exposed metal may be at mains voltage.",
        action="Stop, do not touch the appliance or pipes near it, keep people away, tell the responsible person. "
        "Switch off at a point that can be reached without touching it. Refer to a competent electrician.",
    )


RULE = Rule(
    codes=("line_earth_reversed",),
    about="on a live supply L-N shows nothing while L-E and N-E show the supply, and no metalwork test or "
    "indication speaks for an open neutral",
    source="circuit reasoning on three voltage pairs, common practice",
    effect="unsatisfactory",
    find=find,
)
