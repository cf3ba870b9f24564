"""Something failed, and nothing says that the person responsible for the place was told."""

from __future__ import annotations

from collections.abc import Iterator

from reconcile.rule import Assessed, Remark, Rule


def find(assessed: Assessed) -> Iterator[Remark]:
    """One remark where a check is unsatisfactory and it was not stated that the responsible person was told."""
    told = assessed.case.says("responsible_person_told")
    failed = any(verdict.outcome == "unsatisfactory" for verdict in assessed.verdicts.values())
    if failed and told != "yes":
        known = "it was stated that the responsible person was not told" if told == "no" else (
            "it was not stated that the responsible person was told"
        )  # fmt: skip
        yield Remark(
            code="responsible_person_not_told",
            message=f"Something here is unsatisfactory, and {known}.",
            action="Tell the responsible person what was found and leave it in writing, then state it.",
            blocks=False,
        )


RULE = Rule(
    codes=("responsible_person_not_told",),
    about="a check is unsatisfactory and it is not stated that the responsible person was told",
    source="common practice: who is responsible for the place is told of what is dangerous or defective",
    effect="none",
    find=find,
)
