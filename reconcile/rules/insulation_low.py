"""Insulation resistance below its limit."""

from __future__ import annotations

from collections.abc import Iterator

from reconcile.rule import Assessed, Remark, Rule
from reconcile.wording import show, show_limit


def find(assessed: Assessed) -> Iterator[Remark]:
    """One remark where the lowest insulation reading is below its limit."""
    for part in assessed.parts_with("insulation", "low"):
        yield Remark(
            code="insulation_low",
            message=f"Insulation {show(part.reading)}, limit {show_limit(part.limit_low, 'Ohm')}. Current can leak "
            "to exposed metal; electronic controls and filters left connected can show the same.",
            action="Disconnect what may distort the reading, or test with line and neutral joined, and repeat. If "
            "it stays, do not use the appliance and tell the responsible person.",
            checks=("insulation",),
            reading_ids=part.reading_ids,
            source=part.limit_source or "",
        )


RULE = Rule(
    codes=("insulation_low",),
    about="insulation below 1 Mohm (class II: 2 Mohm)",
    source="BS 7671 Table 64; IET Code of Practice (secondary)",
    effect="unsatisfactory",
    find=find,
)
