"""An RCD matters here and the job list names none."""

from __future__ import annotations

from collections.abc import Iterator

from reconcile.rule import Assessed, Remark, Rule
from reconcile.wording import capital, show, title


def find(assessed: Assessed) -> Iterator[Remark]:
    """A remark for a loop on TT without a known RCD, and one for a trip time without a known rating."""
    action = (
        "Read the rated residual current (mA) off the RCD and put it into the job list. On TT without an RCD refer "
        "to a competent electrician."
    )
    for part in assessed.parts_with("loop", "rcd unknown"):
        yield Remark(
            code="rcd_not_recorded",
            message=f"{capital(title(part.steps[0]))}: {show(part.reading)} on TT, where an RCD must cut off a "
            "fault, and none is recorded.",
            action=action,
            checks=(part.check,),
            reading_ids=part.reading_ids,
        )
    tested = [part for part in assessed.parts("rcd") if part.reading is not None]
    if tested and assessed.case.appliance.rcd_rated_ma is None:
        yield Remark(
            code="rcd_not_recorded",
            message="An RCD was tested but the job list records none: its rated current is not known.",
            action=action,
            checks=("rcd",),
            reading_ids=tested[0].reading_ids,
        )


RULE = Rule(
    codes=("rcd_not_recorded",),
    about="a TT supply or a trip time without a recorded RCD",
    source="BS 7671 regulation 411.5.3 (secondary)",
    effect="inconclusive",
    find=find,
)
