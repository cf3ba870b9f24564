"""No loop limit because the earthing is not known, or not one that has a limit here."""

from __future__ import annotations

from collections.abc import Iterator

from reconcile.rule import Assessed, Remark, Rule
from reconcile.wording import capital, show, title


def find(assessed: Assessed) -> Iterator[Remark]:
    """One remark where a loop was measured and the earthing gives no limit."""
    earthing = assessed.case.appliance.earthing
    known = (
        f"{earthing} is recorded, for which there is no loop limit here" if earthing else "the earthing is not recorded"
    )
    for part in assessed.parts_with("loop", "earthing unknown"):
        yield Remark(
            code="earthing_unknown",
            message=f"{capital(title(part.steps[0]))}: {show(part.reading)}, but {known}: 42 ohm is far too much on "
            "TN-C-S and can be good on TT.",
            action="Find out at the intake whether it is TN-S, TN-C-S or TT and put it into the job list. Refer to "
            "a competent electrician where it cannot be seen.",
            checks=(part.check,),
            reading_ids=part.reading_ids,
        )


RULE = Rule(
    codes=("earthing_unknown",),
    about="a loop reading with no known earthing arrangement",
    source="common practice",
    effect="inconclusive",
    find=find,
)
