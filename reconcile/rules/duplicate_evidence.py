"""Records that were received more than once."""

from __future__ import annotations

from collections.abc import Iterator

from reconcile.rule import Day, DayRemark, Remark, Rule


def find_in_day(day: Day) -> Iterator[DayRemark]:
    """A note for each export that holds records of another one."""
    for evidence, group in day.brief.duplicates.groupby("evidence_sha256", sort=True):
        yield DayRemark(
            remark=Remark(
                code="duplicate_evidence",
                message=f"{len(group)} records of evidence {str(evidence)[:16]} had been received before; each "
                "counts once.",
                action="Nothing to do.",
                blocks=False,
                reading_ids=tuple(sorted(set(group["reading_id"]))),
                source="evidence store of this book",
            )
        )


RULE = Rule(
    codes=("duplicate_evidence",),
    about="a record that another export also holds",
    source="evidence store of this book",
    effect="none",
    find_in_day=find_in_day,
)
