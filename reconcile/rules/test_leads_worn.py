"""The test leads are worn: neither they nor their readings can be relied on."""

from __future__ import annotations

from collections.abc import Iterator

from reconcile.rule import Assessed, Remark, Rule


def find(assessed: Assessed) -> Iterator[Remark]:
    """One remark where the leads were stated as worn."""
    for _ in assessed.parts_with("leads", "worn"):
        yield Remark(
            code="test_leads_worn",
            message="The test leads were stated as worn. They can shock the person who tests, and a broken lead "
            "shows a live conductor as dead.",
            action="Take the leads out of use and test again with good ones.",
            checks=("visual",),
        )


RULE = Rule(
    codes=("test_leads_worn",),
    about="test leads stated as worn",
    source="HSE GS38, 4th edition 2015 (secondary)",
    effect="unsatisfactory",
    find=find,
)
