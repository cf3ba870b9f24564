"""Nothing keeps the appliance isolated."""

from __future__ import annotations

from collections.abc import Iterator

from reconcile.rule import Assessed, Remark, Rule


def find(assessed: Assessed) -> Iterator[Remark]:
    """One remark where a person stated that the point of isolation was not secured."""
    for _ in assessed.parts_with("secured", "not secured"):
        yield Remark(
            code="isolation_not_secured",
            message="The point of isolation was stated as not secured. Anybody can switch it on again while work "
            "goes on.",
            action="Lock it off, or keep the fuse or plug with the person who works, leave a caution notice, and "
            "prove dead again.",
            checks=("isolation_secured",),
        )


RULE = Rule(
    codes=("isolation_not_secured",),
    about="isolation stated as not secured",
    source="Electricity at Work Regulations 1989 regulation 13 (secondary)",
    effect="unsatisfactory",
    find=find,
)
