"""A step was tested more than once, and which reading governs made a difference."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from reconcile.rule import Assessed, Remark, Rule
from reconcile.verdicts import DECIDED_ONLY
from reconcile.wording import show, title

NO_CHANGE: Final = "nothing says what was changed in between"
NO_CAUSE: Final = "nobody has said why the metal was live"
STATE_REMADE: Final = "State whether the connections were remade, or decide whether the retest counts"
FIND_CAUSE: Final = (
    "Find out why the metal was live, tell the responsible person, and decide then whether the retest counts"
)


def find(assessed: Assessed) -> Iterator[Remark]:
    """A note where the later reading governs for a stated reason, a query where no reason was stated."""
    for check, verdict in assessed.verdicts.items():
        if not verdict.retest:
            continue
        live = check in DECIDED_ONLY
        ids = tuple(reading.reading_id for reading in verdict.earlier)
        shown = ", ".join(f"{title(reading.step)} {show(reading)}" for reading in verdict.earlier)
        now = ", ".join(
            f"{title(step)} {show(case_reading)}"
            for step in dict.fromkeys(reading.step for reading in verdict.earlier if reading.step)
            if (case_reading := assessed.case.of(step)) is not None
        )
        if verdict.retest == "explained":
            yield Remark(
                code="retest",
                message=f"Tested again: first {shown}, then {now}, after a stated reason. The last governs.",
                action="Nothing to do; both readings are kept.",
                checks=(check,),
                reading_ids=ids,
            )
        elif verdict.retest == "unexplained":
            yield Remark(
                code="retest_unexplained",
                message=f"Tested again: first {shown}, then {now}, and {NO_CAUSE if live else NO_CHANGE}. The earlier "
                "reading would not have passed.",
                action=f"{FIND_CAUSE if live else STATE_REMADE}; until then it does not pass.",
                checks=(check,),
                reading_ids=ids,
            )
        else:
            yield Remark(
                code="retest_unexplained",
                message=f"Tested more than once ({shown}, {now}); which came last cannot be known or the retest was "
                "refused, so the worse reading governs.",
                action="Find out the order of the readings, or test again.",
                checks=(check,),
                reading_ids=ids,
            )


RULE = Rule(
    codes=("retest", "retest_unexplained"),
    about="a better reading after a worse one, with and without a stated reason",
    source="common practice: the last valid reading governs, earlier ones stay visible",
    effect="inconclusive",
    find=find,
)
