"""Line to neutral is dead while line to earth is live."""

from __future__ import annotations

from collections.abc import Iterator

from reconcile.polarity_remarks import remark_fault
from reconcile.rule import Assessed, Remark, Rule


def find(assessed: Assessed) -> Iterator[Remark]:
    """One remark where the voltages after isolation say that only the neutral was opened."""
    yield from remark_fault(
        assessed,
        kind="dead",
        code="isolated_in_neutral",
        meaning="The appliance looks off, but the line conductor is live.",
        action="Do not touch any conductor. Isolate at a point that opens line, or line and neutral together, and "
        "prove all three pairs dead again. Tell the responsible person; the switch or fuse is for a competent "
        "electrician to put right.",
    )


RULE = Rule(
    codes=("isolated_in_neutral",),
    about="after isolation L-N shows nothing while L-E shows the supply",
    source="circuit reasoning on three voltage pairs, common practice",
    effect="unsatisfactory",
    find=find,
)
