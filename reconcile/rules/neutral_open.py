"""The neutral is open while line is present."""

from __future__ import annotations

from collections.abc import Iterator

from reconcile.polarity_remarks import remark_fault
from reconcile.rule import Assessed, Remark, Rule


def find(assessed: Assessed) -> Iterator[Remark]:
    """One remark where L-E shows the supply and L-N does not, on a supply that should be on."""
    yield from remark_fault(
        assessed,
        kind="triple",
        code="neutral_open",
        meaning="The appliance looks unpowered while its line conductor is live.",
        action="Do not touch any conductor. Isolate, prove all three pairs dead, tell the responsible person. Refer "
        "to a competent electrician; where other circuits are affected too, to the distributor.",
    )


RULE = Rule(
    codes=("neutral_open",),
    about="on a live supply L-E shows the supply while L-N does not",
    source="circuit reasoning on three voltage pairs, common practice",
    effect="unsatisfactory",
    find=find,
)
