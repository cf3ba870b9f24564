"""A conductor that should be dead shows voltage."""

from __future__ import annotations

from collections.abc import Iterator

from reconcile.polarity_remarks import remark_fault
from reconcile.rule import Assessed, Remark, Rule


def find(assessed: Assessed) -> Iterator[Remark]:
    """One remark where any pair is above extra-low voltage after isolation."""
    yield from remark_fault(
        assessed,
        kind="dead",
        code="not_dead",
        meaning="A pair is live although the appliance was isolated: the wrong point, a second supply, a shared "
        "neutral or reversed polarity.",
        action="Do not start or go on with work. Find every point of supply, isolate it, secure it, and prove the "
        "indicator and all three pairs again. If the source is not found, tell the responsible person and refer to "
        "a competent electrician.",
    )


RULE = Rule(
    codes=("not_dead",),
    about="a pair shows more than extra-low voltage after isolation",
    source="BS 7671 Part 2, extra-low voltage (secondary); all pairs must show no indication (common practice)",
    effect="unsatisfactory",
    find=find,
)
