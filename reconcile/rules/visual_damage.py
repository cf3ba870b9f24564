"""A person saw damage."""

from __future__ import annotations

from collections.abc import Iterator

from reconcile.rule import Assessed, Remark, Rule


def find(assessed: Assessed) -> Iterator[Remark]:
    """One remark where the visual condition was stated as damaged."""
    for _ in assessed.parts_with("visual", "damaged"):
        yield Remark(
            code="visual_damage",
            message="The visual condition was stated as damaged. Live parts may be reachable, or connections strained.",
            action="Do not use the appliance until it is put right; isolate it and tell the responsible person.",
            checks=("visual",),
        )


RULE = Rule(
    codes=("visual_damage",),
    about="visual condition stated as damaged",
    source="common practice",
    effect="unsatisfactory",
    find=find,
)
