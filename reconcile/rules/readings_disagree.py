"""Readings or statements about one thing that cannot all be right."""

from __future__ import annotations

from collections.abc import Iterator

from reconcile.polarity_remarks import show_pairs
from reconcile.rule import Assessed, Remark, Rule
from reconcile.verdicts import STATED_FOR
from reconcile.wording import capital


def find(assessed: Assessed) -> Iterator[Remark]:
    """A remark for pairs that do not fit each other, an indication or a job list that denies what was found."""
    for part in assessed.parts_with("triple", "triangle"):
        yield Remark(
            code="readings_disagree",
            message=f"{show_pairs(assessed, part)}. Line-earth should equal line-neutral give or take neutral-earth: "
            "these were not taken at one moment, or one of them is wrong.",
            action="Measure the three pairs again, one straight after the other.",
            checks=(part.check,),
            reading_ids=part.reading_ids,
            source=assessed.case.pack.limit("triangle_tolerance").citation,
        )
    for part in assessed.parts_with("triple", "indication disagrees"):
        yield Remark(
            code="readings_disagree",
            message=f"{show_pairs(assessed, part)}. The meter indicated a fault that the three voltages do not show.",
            action="Measure the three pairs again and repeat the polarity test.",
            checks=(part.check,),
            reading_ids=part.reading_ids,
        )
    for item in assessed.case.contradicted():
        values = sorted({row.value for row in assessed.case.attested[item]})
        yield Remark(
            code="readings_disagree",
            message=f"{capital(item.replace('_', ' '))} is stated as {' and as '.join(values)}, and it cannot be "
            "known which came last.",
            action="State it again, with the time.",
            checks=STATED_FOR[item],
        )
    for part in assessed.parts_with("fuse", "job list disagrees"):
        yield Remark(
            code="readings_disagree",
            message=f"A {part.value:g} A fuse was seen; the job list says "
            f"{assessed.case.appliance.device_rating_a:g} A.",
            action="Look at the fuse again and correct the job list or the statement.",
            checks=(part.check,),
        )


RULE = Rule(
    codes=("readings_disagree",),
    about="three pairs that do not add up, or an indication or job list that denies a reading",
    source="Kirchhoff's voltage law; tolerance common practice",
    effect="inconclusive",
    find=find,
)
