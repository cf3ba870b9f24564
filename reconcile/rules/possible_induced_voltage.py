"""A small voltage on a pair that should be dead."""

from __future__ import annotations

from collections.abc import Iterator

from reconcile.polarity_remarks import show_pairs
from reconcile.rule import Assessed, Remark, Rule


def find(assessed: Assessed) -> Iterator[Remark]:
    """One remark where a pair is above no indication and not above extra-low voltage after isolation."""
    for part in assessed.parts_with("dead", "induced"):
        yield Remark(
            code="possible_induced_voltage",
            message=f"{show_pairs(assessed, part)}. A meter of high impedance shows such voltages on a floating "
            "conductor, but so does a real supply through a fault: dead is not proved.",
            action="Test all three pairs again with a two-pole indicator of low impedance, proved before and after. "
            "Do not start work until there is no indication.",
            checks=("proved_dead",),
            reading_ids=part.reading_ids,
            source=assessed.case.pack.limit("no_indication").citation,
        )


RULE = Rule(
    codes=("possible_induced_voltage",),
    about="after isolation a pair between no indication (5 V) and 50 V",
    source="common practice; the lower figure is a policy of the rule pack",
    effect="inconclusive",
    find=find,
)
